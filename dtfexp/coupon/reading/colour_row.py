"""The row of coloured blocks, by which a coupon lies whose solid and marks have lost their corners.

Six blocks of known colours stand in a line, evenly apart: any two of them say where the others are.
The row gives a coupon's place, turn and width; how high and how slanted it is seen is what makes
the picture most alike to the whole artwork.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import combinations, product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dtfexp.coupon.layout import COLOURS, INKS, coupon_layout
from dtfexp.coupon.payload import Half, Label
from dtfexp.coupon.reading import colour
from dtfexp.coupon.reading.finding import moved
from dtfexp.coupon.reading.matching import grid, inks

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Least CIELAB chroma of a coloured block, and degrees of hue by which it may be off.
_CHROMA, _HUE = 12.0, 22.0
#: Blocks of one colour that are tried, the largest; px that a block has at least.
_TRIED, _LEAST = 6, 25
#: Of a row: blocks that are there, and by how much of their distance they may be off.
_THERE, _OFF = 3, 0.35
#: Rows of one picture; lays of one row.
_ROWS, _LAYS = 6, 2
#: How high a coupon is seen for its width, and how slanted.
_HEIGHTS, _SLANTS = np.linspace(0.7, 1.4, 11), np.linspace(-0.4, 0.4, 11)
#: px/mm at which a picture is compared with the artwork.
_PER_MM = 0.7
_HALVES: tuple[Half, ...] = ("one", "wash")
#: The middles, mm, of the blocks.
_MIDDLES = np.array([
    (one.x + one.width / 2, one.y + one.height / 2)
    for one in coupon_layout().of_kind("block") if one.name in COLOURS
])  # fmt: skip


class _Block(NamedTuple):
    """Px of one colour that hang together: the colour's number in the row, and their middle, px."""

    number: int
    middle: Array


def lays(
    light: Array, step: int, known: Sequence[Array]
) -> Iterator[tuple[Array, list[tuple[Half, Array]]]]:
    """Yield where the middle of a row is, px, and how its coupon may lie: halves, homographies.

    ``light``, ``step``: the picture ``shapes.reduced``; ``known``: corners (4, 2) of coupons to
    leave out.
    METHODS.md, section 17.
    """
    looks = colour.lab(light)
    for blocks in _rows(_blocks(looks, [outline / step for outline in known])):
        start, along = _line(blocks)
        to_picture = np.array([[step, 0, step / 2 - 0.5], [0, step, step / 2 - 0.5], [0, 0, 1.0]])
        found = [(half, to_picture @ matrix) for half, matrix in _most_likely(looks, start, along)]
        yield moved(to_picture, start + along * _MIDDLES[[0, -1], 0].mean()), found


def _blocks(looks: Array, known: Sequence[Array]) -> list[_Block]:
    """Return what may be a block, the largest of each colour."""
    from scipy.ndimage import center_of_mass, label
    from skimage.draw import polygon

    vivid = np.hypot(looks[..., 1], looks[..., 2]) > _CHROMA
    for outline in known:
        vivid[polygon(*outline[:, ::-1].T, vivid.shape)] = False
    hue = np.arctan2(looks[..., 2], looks[..., 1])
    found = []
    for number, name in enumerate(COLOURS):
        _, a, b = colour.lab(colour.linear(np.array(INKS[name])))
        off = np.abs(np.angle(np.exp(1j * (hue - np.arctan2(b, a)))))
        parts, _ = label(vivid & (off < np.radians(_HUE)))
        sizes = np.bincount(parts.ravel())
        sizes[0] = 0
        some = [one for one in np.argsort(-sizes)[:_TRIED] if sizes[one] >= _LEAST]
        for row, column in center_of_mass(np.ones_like(parts), parts, some):
            found.append(_Block(number, np.array([column, row])))
    return found


def _rows(blocks: Sequence[_Block]) -> list[list[_Block]]:
    """Return the blocks that stand in rows, the fullest row first, each block in one row."""
    rows = []
    for one, other in combinations(blocks, 2):
        if one.number == other.number:
            continue
        apart = (other.middle - one.middle) / (other.number - one.number)
        pitch = np.hypot(*apart)
        row, far = [], 0.0
        for number in range(len(COLOURS)):
            place = one.middle + apart * (number - one.number)
            off = [(np.hypot(*(b.middle - place)) / pitch, b) for b in blocks if b.number == number]
            nearest = min(off, key=lambda pair: pair[0], default=(np.inf, one))
            if nearest[0] < _OFF:
                row.append(nearest[1])
                far += nearest[0]
        if len(row) >= _THERE:
            rows.append((len(row) - far, row))
    rows.sort(key=lambda pair: -pair[0])
    kept: list[list[_Block]] = []
    for _, row in rows:
        if not any(b is c for other in kept for b in row for c in other):
            kept.append(row)
    return kept[:_ROWS]


def _line(blocks: Sequence[_Block]) -> tuple[Array, Array]:
    """Return where a row's line has x = 0, px, and the step along it for a mm, from its blocks."""
    at = np.array([_MIDDLES[one.number][0] for one in blocks])
    rows = np.column_stack([np.ones(len(blocks)), at])
    start, along = np.linalg.lstsq(rows, np.array([one.middle for one in blocks]), rcond=None)[0]
    return start, along


def _most_likely(looks: Array, start: Array, along: Array) -> list[tuple[Half, Array]]:
    """Return how a coupon with its row on a line may lie, the most likely first."""
    from scipy.ndimage import gaussian_filter

    soft = gaussian_filter(looks, (0.3 * np.hypot(*along),) * 2 + (0,))
    across = np.array([-along[1], along[0]])
    found = []
    for half in _HALVES:
        at, drawn, bare = _artwork(half)
        for height, slant in product(_HEIGHTS, _SLANTS):
            down = height * across + slant * along
            matrix = np.eye(3)
            matrix[:2] = np.column_stack([along, down, start - _MIDDLES[0][1] * down])
            found.append((_alike(soft, moved(matrix, at), drawn, bare), half, matrix))
    found.sort(key=lambda one: -one[0])
    return [(half, matrix) for _, half, matrix in found[:_LAYS]]


@cache
def _artwork(half: Half) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return places (n, 2), mm, all over a coupon; CIELAB printed there (n, 3); where none is."""
    ink = inks(Label("00000", 1, half), _PER_MM)
    levels = colour.lab(colour.linear(np.array([*INKS.values(), (0, 0, 0)])))
    return grid(ink.shape, _PER_MM).reshape(-1, 2), levels[ink.ravel()], ink.ravel() < 0


def _alike(looks: Array, px: Array, drawn: Array, bare: NDArray[np.bool_]) -> float:
    """Return how alike the picture is to the artwork, laid at px (n, 2): correlation."""
    x, y = np.rint(px).astype(int).T
    here = looks[y.clip(0, looks.shape[0] - 1), x.clip(0, looks.shape[1] - 1)]
    drawn = np.where(bare[:, None], np.median(here[bare], 0), drawn)
    here, drawn = here - here.mean(0), drawn - drawn.mean(0)
    return float((here * drawn).sum() / np.sqrt((here**2).sum() * (drawn**2).sum() + 1e-12))
