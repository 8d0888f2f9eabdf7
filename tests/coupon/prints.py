"""Coupons as they come out of press and wash, with what is known of them."""

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from scipy.ndimage import distance_transform_edt
from skimage.color import deltaE_ciede2000, lab2rgb, rgb2lab

from dtfexp.coupon.glyphs import GAP, STROKE
from dtfexp.coupon.glyphs import WIDTH as GLYPH_WIDTH
from dtfexp.coupon.layout import INKS, LETTERS, coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.raster import coupon_picture
from tests.coupon.scenes import Print, cracks, flakes, linear

#: px/mm of the layer that is damaged: the finest line is two of them wide.
SCALE = 20
#: What of a coupon's print is counted for the missing share.
COUNTED = ("solid", "block")
HELD = 0.9  # of a line's length, at half its width or more
LETTER_HELD = 0.75  # of each letter's strokes


@dataclass(frozen=True)
class Damage:
    """What is asked for; what came of it is the ``Truth``."""

    missing: float = 0.0  # share of the print
    flake: float = 2.0  # mm
    cracks: int = 0
    crack_width: float = 0.2  # mm
    fade: float = 0.0  # CIEDE2000, of the colour blocks and the teal
    lost_below: float = 0.0  # mm: thinner lines and gaps are lost
    lost_points: float = 0.0  # smaller letters are lost
    halo: float = 0.0  # share of the cloth beside the print that carries powder
    spare_code: bool = True  # the codes keep their print


@dataclass(frozen=True)
class Truth:
    label: Label
    missing: float  # share
    cracked: float  # share of the solid
    lines: dict  # width -> share of the length that holds
    gaps: dict
    letters: dict  # points -> smallest share of a letter
    halo: float
    faded: dict = field(default_factory=dict)  # block -> CIEDE2000
    lab: dict = field(default_factory=dict)  # block -> CIELAB after


def box(one, scale=SCALE):
    """A feature's pixels."""
    edges = (one.y, one.y + one.height, one.x, one.x + one.width)
    top, bottom, left, right = (int(np.floor(edge * scale + 0.5)) for edge in edges)
    return np.s_[top : max(bottom, top + 1), left : max(right, left + 1)]


def printed(label, damage, rng, at=(0.0, 0.0), turned=0.0, inks=None):
    """Return one damaged coupon as a print, and its truth.

    ``inks``: the linear light of every ink before washing, where it is not the artwork's.
    """
    picture = coupon_picture(label, SCALE)
    layout = coupon_layout(label.half)
    expected = picture[..., 3] > 0
    cover = expected.copy()
    shown, faded, lab = _fade(damage.fade, rng, inks or {})
    light = _coloured(picture, shown)
    for one in (*layout.of_kind("line"), *layout.of_kind("letters")):
        lost = one.size < (damage.lost_below if one.kind == "line" else damage.lost_points)
        if lost:
            _lose(cover, one, rng)
    for one in layout.of_kind("gap"):
        if one.size < damage.lost_below:
            _close(cover, light, layout, one, rng)
    gone = flakes(cover.shape, SCALE, damage.flake, damage.missing, rng)
    if damage.cracks:
        solid = box(layout.of_kind("solid")[0])
        shape = expected[solid].shape
        gone[solid] |= cracks(shape, SCALE, damage.cracks, damage.crack_width, rng)
    if damage.spare_code:
        for one in layout.of_kind("code"):
            gone[box(one)] = False
    cover &= ~gone
    powder = _powder(label, cover, damage.halo, rng)
    truth = _truth(label, layout, expected, cover, powder, faded, lab)
    shown = cover.astype(np.float32)
    shown[powder] = 0.5
    light[powder] = linear((225, 225, 220))
    return Print(light.astype(np.float32), shown, SCALE, at, turned), truth


def _coloured(picture, shown):
    """Return the linear light (rows, columns, 3) of a picture whose inks look as ``shown``."""
    inks = np.array([(*srgb, 255) for srgb in INKS.values()], np.uint8).view(np.uint32)[:, 0]
    order = np.argsort(inks)
    found = np.searchsorted(inks[order], np.ascontiguousarray(picture).view(np.uint32)[..., 0])
    table = np.array([shown[name] for name in INKS])[order].astype(np.float32)
    return table.take(found.clip(max=len(inks) - 1), 0)


def _fade(fade, rng, inks):
    """Fade each ink towards white or grey by about ``fade``; return what it came to."""
    shown_as, faded, labs = {}, {}, {}
    for name, srgb in INKS.items():
        start = rgb2lab(np.array(srgb, float)[None, None] / 255)[0, 0]
        if name in inks:
            start = inks[name]
        end = start
        if name not in ("white", "black", "grey 25", "grey 50", "grey 75") and fade > 0:
            share = fade * rng.uniform(0.6, 1.0)
            towards = np.array([min(92.0, start[0] + 30), start[1] * 0.3, start[2] * 0.3])
            steps = start + np.linspace(0, 1, 400)[:, None] * (towards - start)
            apart = deltaE_ciede2000(np.broadcast_to(start, steps.shape), steps)
            end = steps[np.searchsorted(apart, share).clip(max=399)]
        shown = lab2rgb(end[None, None])[0, 0]
        end = rgb2lab(shown[None, None])[0, 0]
        faded[name], labs[name] = float(deltaE_ciede2000(start, end)), end
        shown_as[name] = linear(shown * 255)
    return shown_as, faded, labs


@cache
def _away(half):
    """Return how far every pixel is from the print, mm; all labels print on the same ones."""
    expected = coupon_picture(Label("00000", 1, half), SCALE)[..., 3] > 0
    return (distance_transform_edt(~expected) / SCALE).astype(np.float32)


def _lose(cover, one, rng):
    """Take a stretch of a line, or of each letter, off the cloth."""
    part = cover[box(one)]
    if one.kind == "line":
        length = int(part.shape[0] * rng.uniform(0.3, 1.0))
        start = int(rng.integers(0, part.shape[0] - length + 1))
        part[start : start + length] = False
    else:
        part[: int(part.shape[0] * rng.uniform(0.45, 0.8))] = False


def _close(cover, light, layout, one, rng):
    """Fill a stretch of a gap with its banks' ink."""
    where = box(one)
    bank = layout.of_kind("bank")[0]
    length = int(cover[where].shape[0] * rng.uniform(0.3, 1.0))
    start = int(rng.integers(0, cover[where].shape[0] - length + 1))
    cover[where][start : start + length] = True
    light[where][start : start + length] = light[box(bank)][5, 5]


def _powder(label, cover, share, rng):
    """Return where powder lies on the cloth within 1 mm of the print."""
    if share <= 0:
        return np.zeros_like(cover)
    away = _away(label.half)
    ring = (away > 0) & (away <= 1.0)
    return ring & ~cover & flakes(cover.shape, SCALE, 1.0, share, rng)


def _truth(label, layout, expected, cover, powder, faded, lab):
    def gone(*kinds):
        boxes = [box(one) for one in layout.of_kind(*kinds)]
        whole = sum(expected[one].sum() for one in boxes)
        return 1 - sum((cover & expected)[one].sum() for one in boxes) / whole

    away = _away(label.half)
    solid = layout.of_kind("solid")[0]
    around = np.zeros_like(cover)
    reach = 1.0
    wide = type(solid)(
        "", "solid", solid.x - reach, solid.y - reach,
        solid.width + 2 * reach, solid.height + 2 * reach, "",
    )  # fmt: skip
    around[box(wide)] = True
    ring = around & (away > 0.3) & (away <= 1.0)
    return Truth(
        label, gone(*COUNTED), gone("solid"),
        {one.size: _held(cover[box(one)]) for one in layout.of_kind("line")},
        {one.size: _held(~cover[box(one)]) for one in layout.of_kind("gap")},
        {one.size: _letters(cover, expected, one) for one in layout.of_kind("letters")},
        float(powder[ring].mean()), faded, lab,
    )  # fmt: skip


def _held(part):
    return float((part.mean(1) >= 0.5).mean())


def _letters(cover, expected, one):
    rows, columns = box(one)
    unit = (columns.stop - columns.start) / (
        len(LETTERS) * GLYPH_WIDTH + (len(LETTERS) - 1) * GAP + STROKE
    )
    shares = []
    for place in range(len(LETTERS)):
        left = columns.start + int(place * (GLYPH_WIDTH + GAP) * unit)
        right = left + int(np.ceil((GLYPH_WIDTH + STROKE) * unit))
        whole = expected[rows, left:right]
        shares.append((cover[rows, left:right] & whole).sum() / whole.sum())
    return float(min(shares))
