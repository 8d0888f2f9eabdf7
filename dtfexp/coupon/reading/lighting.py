"""The light over a coupon, and the coupon as it would look in even, white light.

The light is followed by whatever has one colour in several places: bare cloth, the white print, the
grey blocks, the teal. Its logarithm is a polynomial of the second degree and a smooth field beyond
it (Rasmussen & Williams 2006, section 2.7), with a slight tint from side to side in each channel;
each colour has an unknown level of its own. The white print is then called white (METHODS.md,
equation (42)).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from dtfexp.coupon.layout import INKS
from dtfexp.coupon.reading import colour
from dtfexp.coupon.reading.rectified import Seen

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

_INKS = list(INKS)
BARE = -1
#: Colours that follow the light, beside the cloth.
_FOLLOWED = (BARE, *(_INKS.index(name) for name in ("white", "grey 25", "grey 50", "teal")))
#: mm: a patch whose mean is one reading of the light; how far from an edge it is trusted, and how
#: far from print the cloth is (powder clings to it nearer by).
_TILE, _INSIDE, _AWAY = 3.0, 0.5, 1.6
#: Of the smooth field: standard deviation (of the log) and length, mm. Of the polynomial: its
#: terms' standard deviation over half a coupon; of a tint; of the colours' levels.
_FIELD, _LENGTH, _TERMS, _TINT, _LEVEL = 0.06, 14.0, 0.6, 0.03, 5.0
#: mm between the places where the field is computed; rounds of telling print from cloth.
_COARSE, _TURNS = 4.0, 3
#: px/mm that the readings of the light keep, at least: neighbouring px say the same.
_KEPT = 4.0
#: Light that a camera adds everywhere (veil), of white; the least error of a reading (log).
_VEIL, _LEAST = 0.0015, 0.006


@dataclass(frozen=True)
class Even:
    """A coupon in even light: ``light`` (rows, columns, 3) and ``luma``, the white print at 1.

    ``cloth`` is its mean colour (3,). ``white`` (3,) is the white print in the picture, linear, in
    the middle of the coupon. ``trend_sd`` (rows, columns): standard error of the light, relative.
    """

    light: Array
    luma: Array
    cloth: Array
    white: Array
    trend_sd: Array


@dataclass(frozen=True)
class _Readings:
    """Readings of the light: places (n, 2) in mm, colour (n,), log level and its sd (n, 3)."""

    at: Array
    colour: NDArray[np.int64]
    log: Array
    sd: Array


def inside(ink: NDArray[np.int8], index: int, depth: float) -> Mask:
    """Return the px ``depth`` px within what is printed in an ink, or bare, along rows and columns.

    Beyond the coupon's edge may be anything: the edge counts as one.
    """
    from scipy.ndimage import minimum_filter

    wide = 2 * int(np.ceil(depth)) + 1
    return np.asarray(minimum_filter(ink == index, wide, mode="constant", cval=0))


def bare_cloth(seen: Seen) -> Mask:
    """Return the px (rows, columns) of bare cloth that no print is near."""
    return inside(seen.ink, BARE, _AWAY * seen.per_mm)


def even(seen: Seen) -> Even:
    """Return the coupon in even light. METHODS.md, equation (42)."""
    masks = {
        index: inside(seen.ink, index, seen.per_mm * (_AWAY if index == BARE else _INSIDE))
        for index in _FOLLOWED
    }
    shape = seen.ink.shape
    step = max(1, int(seen.per_mm / _KEPT))
    thin = np.s_[::step, ::step]
    masks = {index: mask[thin] for index, mask in masks.items()}
    thinned = replace(seen, per_mm=seen.per_mm / step, light=seen.light[thin], ink=seen.ink[thin])
    trend = np.zeros((*shape, 3), dtype=np.float32)
    for turn in range(_TURNS):
        flat = thinned.light / np.exp(trend[thin])
        chosen = {
            index: mask if index == BARE or turn == 0 else _printed(flat, mask, masks[BARE])
            for index, mask in masks.items()
        }
        readings = _readings(thinned, chosen, [BARE] if turn == 0 else list(_FOLLOWED), step)
        trend, levels, sd = _fitted(readings, shape, seen.per_mm)
    white = np.exp(levels[1])
    light = seen.light / (np.exp(trend) * white.astype(np.float32))
    luma = seen.luma / (np.exp(trend @ colour.luma(np.eye(3))) * colour.brightness(white))
    return Even(light, luma, light[thin][chosen[BARE]].mean(0, dtype=float), white, sd)


def _printed(flat: Array, mask: Mask, bare: Mask) -> Mask:
    """Return the px of ``mask`` whose print is there: nearer to it than to the cloth."""
    cloth = np.median(flat[bare], 0)
    spread = flat[bare].std(0) + 0.005
    some = flat[mask]
    # Print that is gone shows the cloth; what is left gathers around its own colour.
    far = np.linalg.norm((some - cloth) / spread, axis=-1)
    kept = some[far > 3] if (far > 3).mean() > 0.2 else some
    centre = np.median(kept, 0)
    for _ in range(3):
        near = np.linalg.norm((some - centre) / spread, axis=-1) < far
        if near.sum() < 50:
            return mask
        centre = np.median(some[near], 0)
    found = np.zeros_like(mask)
    off = np.linalg.norm((some - centre) / spread, axis=-1)
    scale = np.median(off[near])
    found[mask] = near & (off < 3 * scale)
    return found


def _readings(seen: Seen, chosen: dict[int, Mask], used: list[int], step: int) -> _Readings:
    """Return the readings of patches of the colours ``used``; one px in ``step`` is kept."""
    side = int(_TILE * seen.per_mm)
    rows, columns = (np.arange(n) // side for n in seen.ink.shape)
    tile = rows[:, None] * (columns[-1] + 1) + columns[None, :]
    count = int(tile[-1, -1]) + 1
    y, x = np.divmod(np.arange(count), columns[-1] + 1)
    at = (np.column_stack([x, y]) + 0.5) * side / seen.per_mm
    places, colours, logs, sds = [], [], [], []
    for index in used:
        where, values = tile[chosen[index]], seen.light[chosen[index]].astype(float)
        number = np.bincount(where, minlength=count)
        there = number >= 0.2 * side**2
        some = number[there, None]
        total, square = (
            np.stack([np.bincount(where, part[:, i], minlength=count)[there] for i in range(3)], 1)
            for part in (values, values**2)
        )
        mean = np.clip(total / some, 1e-4, None)
        # Threads make neighbouring px alike: about one px in eight counts.
        sd = np.sqrt(np.clip(square / some - mean**2, 0, None) / (some * step**2 / 8))
        places.append(at[there])
        colours.append(np.full(there.sum(), _FOLLOWED.index(index)))
        logs.append(np.log(mean))
        sds.append(np.sqrt((sd / mean) ** 2 + (_VEIL / mean) ** 2 + _LEAST**2))
    return _Readings(*(np.concatenate(part) for part in (places, colours, logs, sds)))


def _fitted(
    readings: _Readings, shape: tuple[int, int], per_mm: float
) -> tuple[Array, Array, Array]:
    """Return the trend (rows, columns, 3), the log levels (colours, 3), and the trend's sd."""
    size = np.array(shape[::-1]) / per_mm
    edges = [np.linspace(0, edge, int(edge / _COARSE) + 2) for edge in size]
    points = np.stack(np.meshgrid(*edges), -1).reshape(-1, 2)
    here, there = terms(readings.at, size), terms(points, size)
    level = np.eye(len(_FOLLOWED))[readings.colour]
    field = _covariance(readings.at, readings.at) + _TERMS**2 * here @ here.T
    cross = _covariance(points, readings.at) + _TERMS**2 * there @ here.T
    log, sd = _over_channels(readings)
    solved, noise, known = _solved(
        field + _LEVEL**2 * level @ level.T, log, sd, cross + _LEVEL**2 * level[:, 1]
    )
    own = _FIELD**2 + _TERMS**2 * (there**2).sum(1) + _LEVEL**2
    # What is left in each channel is its level and a slight tint of the light from side to side.
    rows = np.concatenate([_TINT * here, _LEVEL * level], 1)
    weight = 1 / (readings.sd**2 * (noise / sd**2)[:, None])
    rest = readings.log - (field @ solved)[:, None]
    grid, trends, levels = (len(edges[1]), len(edges[0])), [], []
    for channel in range(3):
        normal = rows.T @ (rows * weight[:, channel, None]) + np.eye(rows.shape[1])
        tint = np.linalg.solve(normal, rows.T @ (weight[:, channel] * rest[:, channel]))
        many = here.shape[1]
        trends.append(cross @ solved + _TINT * there @ tint[:many])
        levels.append(_LEVEL * tint[many:])
    trend = np.stack([_spread_out(one.reshape(grid), shape) for one in trends], -1)
    error = _spread_out(np.sqrt(np.clip(own - known, 0, None)).reshape(grid), shape)
    return trend, np.stack(levels, -1), error


def _over_channels(readings: _Readings) -> tuple[Array, Array]:
    """Return log level and sd (n,) over the channels, weighted alike for all of one colour."""
    log, sd = np.empty(len(readings.at)), np.empty(len(readings.at))
    for one in np.unique(readings.colour):
        some = readings.colour == one
        weight = 1 / np.median(readings.sd[some] ** 2, axis=0)
        weight /= weight.sum()
        log[some] = readings.log[some] @ weight
        sd[some] = np.sqrt(readings.sd[some] ** 2 @ weight**2 + _LEAST**2)
    return log, sd


def _solved(prior: Array, log: Array, sd: Array, cross: Array) -> tuple[Array, Array, Array]:
    """Return the weights of the readings, their variances, and what they explain at ``cross``."""
    extra = np.ones(len(log))
    for _ in range(3):
        noise = sd**2 * extra
        factor = cho_factor(prior + np.diag(noise), lower=True, check_finite=False)
        solved = cho_solve(factor, log, check_finite=False)
        # A reading that does not fit counts for less.
        extra = 1 + (noise * solved / sd / 2.5) ** 2
    known = cho_solve(factor, cross.T, check_finite=False)
    return solved, noise, (cross * known.T).sum(1)


def terms(at: Array, size: Array) -> Array:
    """Return the terms (n, 5) of first and second degree of places (n, 2), mm, on a coupon."""
    x, y = (2 * at / size - 1).T
    return np.column_stack([x, y, 0.5 * x * x, 0.5 * x * y, 0.5 * y * y])


def _covariance(one: Array, other: Array) -> Array:
    square = ((one[:, None] - other[None]) ** 2).sum(-1)
    return np.asarray(_FIELD**2 * np.exp(-0.5 * square / _LENGTH**2))


def _spread_out(values: Array, shape: tuple[int, int]) -> Array:
    """Return values on a coarse grid, its edges on the coupon's, for every px."""
    down, across = (
        np.maximum(0, 1 - np.abs(np.linspace(0, coarse - 1, fine)[:, None] - np.arange(coarse)))
        for coarse, fine in zip(values.shape, shape, strict=True)
    )
    return np.asarray(down @ values @ across.T, dtype=np.float32)
