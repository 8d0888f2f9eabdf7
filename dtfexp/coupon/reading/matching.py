"""Parts of the artwork matched to a picture: where each is seen."""

from __future__ import annotations

from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import INKS, coupon_layout
from dtfexp.coupon.payload import Half, Label
from dtfexp.coupon.raster import coupon_picture
from dtfexp.coupon.reading.finding import homography, likeness, moved, peak, sampled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]

#: A part, mm; it counts when it is this alike, and has edges in both directions (share of all
#: variation).
PART, _ALIKE, _EDGES = 8.0, 0.6, 0.12
#: mm searched, and px/mm, in the steps of laying the artwork over the picture.
_STEPS = ((3.0, 3.0), (3.0, 3.0), (1.5, 4.0), (0.8, 5.0))
# Between the parts that are matched, in mm.
_APART = 5.0
#: mm by which parts may be off, and px/mm, when they are counted.
_THERE = (1.0, 4.0)
_INKS = list(INKS)


@lru_cache(maxsize=12)
def inks(label: Label, per_mm: float) -> NDArray[np.int8]:
    """Return the index of the ink that the artwork prints on every px, -1 where it is bare."""
    drawn = coupon_picture(label, per_mm).view(np.uint32)[..., 0]  # one number for each colour
    inked = np.array([(*INKS[name], 255) for name in _INKS], np.uint8).view(np.uint32)[:, 0]
    order = np.argsort(inked)
    found = np.searchsorted(inked[order], drawn).clip(max=len(inked) - 1)
    index = np.where(inked[order][found] == drawn, order[found], -1)
    return np.asarray(index, dtype=np.int8)


def grid(shape: tuple[int, ...], per_mm: float) -> Array:
    """Return the middle of every px (rows, columns, 2) in mm."""
    columns, rows = np.arange(shape[1]), np.arange(shape[0])
    return np.stack(np.meshgrid((columns + 0.5) / per_mm, (rows + 0.5) / per_mm), -1)


def aligned(picture: Bytes, matrix: Array, half: Half) -> Array | None:
    """Return the homography that lays the artwork of any coupon over the picture, from a rough one.

    None when too few of its parts are seen.
    """
    label = Label("00000", 1, half)
    for reach, per_mm in _STEPS:
        ink = inks(label, per_mm)
        values = sampled(picture, moved(matrix, grid(ink.shape, per_mm))).mean(-1)
        centres, found = shifts(values, ink, per_mm, reach, _plates(half, per_mm))
        if len(centres) < 8:
            return None
        px = moved(matrix, centres + found)
        weight = np.ones(len(px))
        for _ in range(8):
            fitted = homography(centres, px, weight)
            off = np.hypot(*(moved(fitted, centres) - px).T)
            weight = 1 / (1 + (off / max(np.median(off), 0.3)) ** 2)
        matrix = fitted
    return matrix


def parts_seen(picture: Bytes, matrix: Array, half: Half) -> int:
    """Return how many parts of the artwork are seen where a homography lays them.

    METHODS.md, section 17.
    """
    reach, per_mm = _THERE
    ink = inks(Label("00000", 1, half), per_mm)
    values = sampled(picture, moved(matrix, grid(ink.shape, per_mm))).mean(-1)
    return len(shifts(values, ink, per_mm, reach, _plates(half, per_mm))[0])


@cache
def _plates(half: Half, per_mm: float) -> NDArray[np.bool_]:
    """Return the px that differ from coupon to coupon: codes and number."""
    layout = coupon_layout(half)
    found = np.zeros(inks(Label("00000", 1, half), per_mm).shape, dtype=bool)
    for one in layout.of_kind("code", "number"):
        edges = (one.y + 2, one.y + one.height - 2, one.x + 2, one.x + one.width - 2)
        top, bottom, left, right = (int(edge * per_mm) for edge in edges)
        found[top:bottom, left:right] = True
    return found


def shifts(
    values: Array,
    ink: NDArray[np.int8],
    per_mm: float,
    reach: float,
    unknown: NDArray[np.bool_] | None = None,
) -> tuple[Array, Array]:
    """Return where parts of the artwork stand, and how far off they are seen; (n, 2) in mm each.

    ``values`` (rows, columns): the picture in grey, laid on the artwork's grid; ``unknown``: px of
    which the artwork says nothing.
    """
    bare = float(np.median(values[ink < 0]))
    levels = np.array([float(np.mean(INKS[name])) for name in _INKS] + [bare])
    levels[:-1] *= np.percentile(values[ink == 0], 70) / 255
    expected = levels[ink]
    if unknown is not None:
        expected[unknown] = values[unknown].mean()
    half, off = int(PART * per_mm / 2), int(np.ceil(reach * per_mm))
    step, wide = int(_APART * per_mm), half + off
    corners = [
        (row, column)
        for row in range(wide, ink.shape[0] - wide, step)
        for column in range(wide, ink.shape[1] - wide, step)
        if _has_edges(expected[row - half : row + half, column - half : column + half])
    ]
    if not corners:
        return np.zeros((0, 2)), np.zeros((0, 2))
    parts = np.array([expected[r - half : r + half, c - half : c + half] for r, c in corners])
    patches = np.array([values[r - wide : r + wide, c - wide : c + wide] for r, c in corners])
    centres, found = [], []
    for (row, column), alike in zip(corners, likeness(patches, parts), strict=True):
        top, left = np.unravel_index(np.argmax(alike), alike.shape)
        inner = 0 < top < 2 * off and 0 < left < 2 * off
        if alike[top, left] < _ALIKE or not inner:
            continue
        centres.append((column / per_mm, row / per_mm))
        moved_by = (peak(alike[top], left) - off, peak(alike[:, left], top) - off)
        found.append((moved_by[0] / per_mm, moved_by[1] / per_mm))
    return np.array(centres).reshape(-1, 2), np.array(found).reshape(-1, 2)


def _has_edges(part: Array) -> bool:
    """Tell whether a part of the artwork fixes its place in both directions."""
    down, right = np.diff(part, axis=0)[:, :-1], np.diff(part, axis=1)[:-1]
    a, b, c = (right**2).mean(), (right * down).mean(), (down**2).mean()
    low = (a + c) / 2 - np.hypot((a - c) / 2, b)
    return bool(a + c > 20 and low > _EDGES * (a + c - low))
