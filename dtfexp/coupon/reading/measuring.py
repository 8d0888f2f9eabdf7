"""A coupon in even light, measured: print missing, colours, fine lines and letters, powder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import INKS, Feature, Kind, Layout, coupon_layout
from dtfexp.coupon.measures import (
    NO_LETTERS,
    NO_LINE,
    ColourChange,
    CouponMeasures,
    Measured,
    lab_of,
)
from dtfexp.coupon.reading import colour
from dtfexp.coupon.reading.cover import TELLS, Mixture, mixture
from dtfexp.coupon.reading.fine import smallest_that_holds, strip_held, word_held
from dtfexp.coupon.reading.lighting import BARE, Even, bare_cloth

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dtfexp.coupon.reading.rectified import Seen

    Array = NDArray[np.float64]

_INKS = list(INKS)
#: What of the print is counted for the missing share.
COUNTED: tuple[Kind, ...] = ("solid", "block")
#: mm left out along edges: for shares, and for colours.
_EDGE, _COLOUR_EDGE = 0.3, 0.6
#: Standard errors that no picture shows, from pictures with known truth: of a share, and of a
#: colour (CIEDE2000).
_SHARE_SD, _COLOUR_SD = 0.004, 0.15
#: Standard error of a flat colour's bytes in a JPEG of middling quality.
_ROUNDED = 0.5
#: Powder is white: on cloth lighter than this (CIELAB L*) it is not seen. How far from the print it
#: is looked for, mm, and the light it adds at least, in every channel, of white: what the teal of
#: the print bleeds into has no red.
_TOO_LIGHT, _RING, _POWDER = 85.0, (0.4, 1.0), 0.04


@dataclass(frozen=True)
class _Coupon:
    seen: Seen
    even: Even
    layout: Layout
    spread: Array  # covariance of bare cloth (3, 3)

    def box(self, one: Feature, edge: float = 0.0) -> tuple[slice, slice]:
        """Return the px of a feature less ``edge`` mm (more, if below 0) on every side."""
        rows = (one.y + edge, one.y + one.height - edge)
        columns = (one.x + edge, one.x + one.width - edge)
        (top, bottom), (left, right) = (
            [int(np.floor(max(side, 0.0) * self.seen.per_mm + 0.5)) for side in pair]
            for pair in (rows, columns)
        )
        return slice(top, max(bottom, top + 1)), slice(left, max(right, left + 1))

    def mixture(self, *some: Feature) -> Mixture:
        """Return the mixture of print and cloth over features of one ink."""
        pixels = [self.even.light[self.box(one, _COLOUR_EDGE)].reshape(-1, 3) for one in some]
        start = colour.linear(np.array(INKS[some[0].ink]))
        return mixture(np.concatenate(pixels), self.even.cloth, self.spread, start)

    def share(self, mixed: Mixture, where: tuple[slice, slice]) -> tuple[Array, float]:
        """Return the share of print of px, and the share next to 0 and 1 that is noise."""
        return mixed.shares(self.even.light[where], self.even.luma[where], self.even.white)


def measured(seen: Seen, lit: Even, before: CouponMeasures | None = None) -> CouponMeasures:
    """Return everything that is measured of a coupon, ``lit`` evenly.

    ``before``: what its own picture before washing gave; the colours are then compared with it.
    """
    bare = lit.light[bare_cloth(seen)]
    layout = coupon_layout(seen.label.half)
    coupon = _Coupon(seen, lit, layout, np.cov(bare.T))
    teal = coupon.mixture(*layout.of_kind("solid"))
    missing, cracked = _missing(coupon, teal)
    lines, gaps, letters = _fine(coupon, teal)
    return CouponMeasures(
        seen.label,
        "artwork" if before is None else "before",
        missing=missing,
        cracked=cracked,
        line=lines,
        gap=gaps,
        letters=letters,
        halo=_halo(coupon),
        colours=_colours(coupon, before),
    )


def _missing(coupon: _Coupon, teal: Mixture) -> tuple[Measured, Measured]:
    """Return the percent of the print that is gone, and of the large solid."""
    gone = area = doubt = 0.0
    cracked = Measured(0.0, 0.0)
    for one in coupon.layout.of_kind(*COUNTED):
        mixed = teal if one.ink == "teal" else coupon.mixture(one)
        if mixed.contrast < TELLS:
            continue
        where = coupon.box(one, _EDGE)
        cover, dead = coupon.share(mixed, where)
        if dead:
            cover = np.clip((cover - dead) / (1 - 2 * dead), 0, 1)
        share = max(0.0, 1 - float(cover.mean()))
        # The light's error moves every px along the line between print and cloth.
        drift = float(coupon.even.trend_sd[where].mean())
        slope = abs(float(mixed.print @ mixed.direction))
        sd = np.hypot(_SHARE_SD, 0.3 * max(0.0, drift * slope - dead))
        size = one.width * one.height
        gone, area = gone + share * size, area + size
        doubt += (sd * size) ** 2
        if one.kind == "solid":
            cracked = Measured(100 * share, 100 * float(sd))
    sd = float(np.hypot(np.sqrt(doubt) / area, _SHARE_SD))
    return Measured(100 * gone / area, 100 * sd), cracked


def _fine(coupon: _Coupon, teal: Mixture) -> tuple[Measured, Measured, Measured]:
    """Return the thinnest line and gap (mm) and the smallest letters (points) that hold."""
    per_mm = coupon.seen.per_mm
    lines, gaps, letters = {}, {}, {}
    for one in coupon.layout.of_kind("line", "gap"):
        rows, columns = coupon.box(one, 0.0)
        beside = int((1.0 if one.kind == "line" else 0.4) * per_mm)
        columns = slice(max(columns.start - beside, 0), columns.stop + beside)
        share, _ = coupon.share(teal, (rows, columns))
        if one.kind == "line":
            lines[one.size] = strip_held(share, one.size, per_mm)
        else:  # print that is gone beside a gap does not close it
            gaps[one.size] = strip_held(1 - share, one.size, per_mm, level=0.0)
    expected = coupon.seen.ink == _INKS.index("teal")
    for one in coupon.layout.of_kind("letters"):
        where = coupon.box(one, -0.5)
        letters[one.size] = word_held(coupon.share(teal, where)[0], expected[where], one, per_mm)
    return (
        smallest_that_holds(lines, NO_LINE),
        smallest_that_holds(gaps, NO_LINE),
        smallest_that_holds(letters, NO_LETTERS),
    )


def _halo(coupon: _Coupon) -> Measured | None:
    """Return the percent of the cloth beside the solid that carries powder; None if unseen."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    cloth = coupon.even.cloth
    if colour.lab(cloth)[0] > _TOO_LIGHT:
        return None
    per_mm = coupon.seen.per_mm
    around = coupon.box(coupon.layout.of_kind("solid")[0], -_RING[1])
    light = gaussian_filter(coupon.even.light[around], (0.1 * per_mm, 0.1 * per_mm, 0))
    away = distance_transform_edt(coupon.seen.ink[around] == BARE) / per_mm
    ring = (away > _RING[0]) & (away <= _RING[1])
    added = (light[ring] - cloth).min(-1)
    plain = coupon.even.light[bare_cloth(coupon.seen)]
    usual = np.percentile((plain - cloth).min(-1), 97.5)
    seen = added > max(_POWDER, usual)
    if seen.any():  # the soft edge of a grain is no grain: half as strong as the plain ones
        seen = added > max(_POWDER, usual, 0.5 * float(np.percentile(added[seen], 80)))
    share = float(seen.mean())
    return Measured(100 * share, 100 * float(np.hypot(0.02, 0.1 * share)))


def _colours(coupon: _Coupon, before: CouponMeasures | None) -> Mapping[str, ColourChange]:
    """Return the change of every block and of the large solid, blocks printed twice as one."""
    by_name: dict[str, list[Feature]] = {}
    for one in coupon.layout.of_kind("block", "solid"):
        if one.ink != "white":  # white is what all others are seen against
            by_name.setdefault("solid" if one.kind == "solid" else one.ink, []).append(one)
    found = {}
    for name, some in by_name.items():
        mixed = coupon.mixture(*some)
        after = colour.lab(mixed.print)
        start = colour.lab(colour.linear(np.array(INKS[some[0].ink])))
        sd = _colour_sd(coupon, mixed, some)
        if before is not None and name in before.colours:
            earlier = before.colours[name]
            start = np.array(earlier.after)
            sd = float(np.hypot(sd, earlier.ciede2000.sd))
        # The length of a noisy difference is too long: its variance is taken off its square.
        apart = float(np.sqrt(max(0.0, float(colour.difference(start, after)) ** 2 - sd**2)))
        found[name] = ColourChange(lab_of(start), lab_of(after), Measured(apart, sd))
    return found


def _colour_sd(coupon: _Coupon, mixed: Mixture, some: list[Feature]) -> float:
    """Return the standard error of a colour, CIEDE2000.

    Of the light, of bytes rounded in the picture (JPEG rounds flat parts too), of cloth mixed in.
    """
    drift = np.mean([coupon.even.trend_sd[coupon.box(one)].mean() for one in some])
    here = colour.lab(mixed.print)
    off = float(colour.difference(here, colour.lab(mixed.print * (1 + drift))))
    white = coupon.even.white
    written = colour.srgb(mixed.print * white)
    steps = colour.linear(written + _ROUNDED * np.eye(3)) / white
    rounded = colour.difference(np.broadcast_to(here, (3, 3)), colour.lab(steps))
    mixed_in = 0.1 * mixed.contrast if mixed.contrast < TELLS else 0.0
    return float(np.sqrt(off**2 + (rounded**2).sum() + mixed_in**2 + _COLOUR_SD**2))
