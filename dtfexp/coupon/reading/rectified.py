"""A coupon cut out of its picture: seen straight from above, as linear light on a grid of mm."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import INKS, coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.raster import coupon_picture
from dtfexp.coupon.reading import colour
from dtfexp.coupon.reading.finding import Place, moved, sampled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]

#: px/mm at which parts of the artwork are matched; mm of a part, of its search, between parts.
_MATCHED, _PART, _REACH, _STEP = 5.0, 8.0, 0.9, 4.0
#: A part counts when it is this alike, and has edges in both directions (share of all variation).
_ALIKE, _EDGES = 0.6, 0.12
_INKS = list(INKS)


@dataclass(frozen=True)
class Seen:
    """A coupon straight from above: ``light`` (rows, columns, 3), linear, at ``per_mm`` px/mm.

    ``bytes`` is the same in the picture's own values; ``ink`` holds, for each px, the index in
    ``layout.INKS`` of what the artwork prints there, -1 where it is bare.
    """

    label: Label
    per_mm: float
    light: Array
    bytes: Array
    ink: NDArray[np.int8]


@cache
def inks(label: Label, per_mm: float) -> NDArray[np.int8]:
    """Return the index of the ink that the artwork prints on every px, -1 where it is bare."""
    drawn = coupon_picture(label, per_mm)
    found = np.full(drawn.shape[:2], -1, dtype=np.int8)
    for index, name in enumerate(_INKS):
        found[(drawn[..., :3] == INKS[name]).all(-1) & (drawn[..., 3] > 0)] = index
    return found


def seen(picture: Bytes, place: Place) -> Seen:
    """Return the coupon at ``place`` straight from above, its bends followed."""
    per_mm = float(np.clip(np.round(place.scale * 1.1), 6, 12))
    ink = inks(place.label, per_mm)
    bend = _bend(picture, place)
    grid = _grid(ink.shape, per_mm)
    values = sampled(_averaged(picture, place, per_mm), moved(place.homography, grid + bend(grid)))
    return Seen(place.label, per_mm, _light(values), values, ink)


def _light(values: Array) -> Array:
    table = colour.linear(np.arange(256))
    low = np.clip(values.astype(int), 0, 254)
    light: Array = table[low] + (values - low) * (table[low + 1] - table[low])
    return light


def _grid(shape: tuple[int, ...], per_mm: float) -> Array:
    columns, rows = np.arange(shape[1]), np.arange(shape[0])
    return np.stack(np.meshgrid((columns + 0.5) / per_mm, (rows + 0.5) / per_mm), -1)


def _averaged(picture: Bytes, place: Place, per_mm: float) -> Bytes:
    """Return the picture, smoothed when it is finer than the grid."""
    if place.scale < 1.3 * per_mm:
        return picture
    from scipy.ndimage import gaussian_filter

    spread = 0.4 * place.scale / per_mm
    return np.asarray(gaussian_filter(picture, (spread, spread, 0)))


class _Bend:
    """How far the cloth is off the plane, (..., 2) in mm: a polynomial of the second degree."""

    def __init__(self, layout_size: tuple[float, float], terms: Array) -> None:
        self.size, self.terms = np.array(layout_size), terms

    def rows(self, at: Array) -> Array:
        x, y = np.moveaxis(at / self.size - 0.5, -1, 0)
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)

    def __call__(self, at: Array) -> Array:
        return self.rows(at) @ self.terms


def _bend(picture: Bytes, place: Place) -> _Bend:
    """Return the bend that lays the artwork over the picture, from parts with edges both ways."""
    layout = coupon_layout(place.label.half)
    ink = inks(place.label, _MATCHED)
    values = sampled(picture, moved(place.homography, _grid(ink.shape, _MATCHED))).mean(-1)
    centres, shifts = _shifts(values, ink)
    bend = _Bend((layout.width, layout.height), np.zeros((6, 2)))
    if len(centres) < 10:
        return bend
    rows, weight = bend.rows(centres), np.ones(len(centres))
    for _ in range(5):
        # A weak pull towards no bend: 0.5 mm is a lot.
        left = np.concatenate([rows * weight[:, None], 0.1 * np.eye(6)])
        right = np.concatenate([shifts * weight[:, None], np.zeros((6, 2))])
        terms = np.linalg.lstsq(left, right, rcond=None)[0]
        off = np.hypot(*(shifts - rows @ terms).T)
        weight = 1 / np.sqrt(1 + (off / 0.1) ** 2)
    return _Bend((layout.width, layout.height), terms)


def _shifts(values: Array, ink: NDArray[np.int8]) -> tuple[Array, Array]:
    """Return where parts of the artwork stand, and how far off they are seen; (n, 2) in mm each."""
    from skimage.feature import match_template

    bare = float(np.median(values[ink < 0]))
    levels = np.array([float(np.mean(INKS[name])) for name in _INKS] + [bare])
    white = np.percentile(values[ink == 0], 70)
    levels[:-1] *= white / 255
    expected = levels[ink]
    half, reach = int(_PART * _MATCHED / 2), int(np.ceil(_REACH * _MATCHED))
    centres, shifts = [], []
    step = int(_STEP * _MATCHED)
    for row in range(half + reach, ink.shape[0] - half - reach, step):
        for column in range(half + reach, ink.shape[1] - half - reach, step):
            part = expected[row - half : row + half, column - half : column + half]
            if not _has_edges(part):
                continue
            wide = half + reach
            patch = values[row - wide : row + wide, column - wide : column + wide]
            likeness = match_template(patch, part)
            top, left = np.unravel_index(np.argmax(likeness), likeness.shape)
            inner = 0 < top < 2 * reach and 0 < left < 2 * reach
            if likeness[top, left] < _ALIKE or not inner:
                continue
            centres.append((column / _MATCHED, row / _MATCHED))
            off = (_peak(likeness[top], left) - reach, _peak(likeness[:, left], top) - reach)
            shifts.append((off[0] / _MATCHED, off[1] / _MATCHED))
    return np.array(centres).reshape(-1, 2), np.array(shifts).reshape(-1, 2)


def _has_edges(part: Array) -> bool:
    """Tell whether a part of the artwork fixes its place in both directions."""
    down, right = np.gradient(part)
    tensor = np.array([[(right**2).mean(), (right * down).mean()], [0.0, (down**2).mean()]])
    tensor[1, 0] = tensor[0, 1]
    low, high = np.linalg.eigvalsh(tensor)
    return bool(high > 20 and low > _EDGES * high)


def _peak(values: Array, at: np.intp) -> float:
    low, here, high = values[at - 1 : at + 2]
    return float(at + 0.5 * (low - high) / (low - 2 * here + high - 1e-12))
