"""Fine lines, gaps and small letters: which of them still hold.

A line is judged by the area of print across it, which blur does not change: a place holds when it
is at least half as wide as it was drawn, a line when nine tenths of its length do.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.glyphs import GAP, STROKE
from dtfexp.coupon.glyphs import WIDTH as GLYPH
from dtfexp.coupon.layout import LETTERS, Feature
from dtfexp.coupon.measures import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Share of a line's length, and of each letter's strokes, that is there when it holds.
LINE_HELD, LETTER_HELD = 0.9, 0.75
#: mm along a line, over which its width is averaged.
_ALONG = 0.5


def strip_held(share: Array, width: float, per_mm: float, level: float | None = None) -> float:
    """Return the share of a line's length that holds.

    ``share`` (rows, columns): how much of each px is print, the line upright in the middle and some
    of what is beside it on both sides; ``width`` in mm. ``level`` is the share beside it, by
    default as seen there. METHODS.md, section 17.
    """
    from scipy.ndimage import uniform_filter1d

    if level is None:
        side = int(0.5 * per_mm)
        level = float(np.median(np.concatenate([share[:, :side], share[:, -side:]], axis=1)))
    across = np.clip(share - level, -0.3, 1.3).sum(1) / per_mm
    smooth = uniform_filter1d(across, max(1, int(_ALONG * per_mm)), mode="nearest")
    return float((smooth >= 0.5 * width).mean())


def word_held(share: Array, expected: NDArray[np.bool_], one: Feature, per_mm: float) -> float:
    """Return the share of strokes of the letter of a word that has lost most.

    ``share`` and ``expected`` (rows, columns): print seen and drawn, 0.5 mm around the word.
    """
    from scipy.ndimage import binary_dilation

    clear = ~binary_dilation(expected, iterations=max(2, int(0.3 * per_mm)))
    level = float(np.median(share[clear])) if clear.sum() > 20 else 0.0
    seen = np.clip(share - level, -0.3, 1.3)
    unit = one.width / (len(LETTERS) * GLYPH + (len(LETTERS) - 1) * GAP + STROKE)
    held = []
    for place in range(len(LETTERS)):
        left = 0.5 + (place * (GLYPH + GAP) - 0.5 * (GAP - STROKE)) * unit
        right = left + (GLYPH + GAP) * unit
        part = np.s_[:, int(left * per_mm + 0.5) : int(right * per_mm + 0.5)]
        # Of the letter itself, not of the px that draw it: those of small letters are too wide.
        held.append(float(seen[part].sum() / per_mm**2 / _area(LETTERS[place], one.height)))
    return min(held)


@cache
def _area(letter: str, height: float) -> float:
    """Return the area of a letter in mm², drawn finely."""
    from dtfexp.coupon.glyphs import text_outlines
    from dtfexp.coupon.outlines import Shape
    from dtfexp.coupon.raster import draw_shapes

    fine = 40.0
    side = int(1.5 * height * fine)
    picture = np.zeros((side, side, 4), dtype=np.uint8)
    outlines = text_outlines(letter, 0.1 * height, 0.1 * height, height)
    draw_shapes(picture, [Shape("teal", outline) for outline in outlines], fine)
    return float((picture[..., 3] > 0).sum() / fine**2)


def smallest_that_holds(held: Mapping[float, float], none: float) -> Measured:
    """Return the smallest size that holds, all larger ones too but for the odd one.

    It is where the fewest sizes are on the wrong side: of several such places the largest.
    ``none`` is said when not even the largest holds.
    """
    sizes = sorted(held)
    needed = LETTER_HELD if none > 5 else LINE_HELD
    good = np.array([held[size] >= needed for size in sizes])
    wrong = [int(good[:at].sum() + (~good[at:]).sum()) for at in range(len(sizes) + 1)]
    at = max(place for place, count in enumerate(wrong) if count == min(wrong))
    edges = [*sizes, none]
    near = edges[min(at + 1, len(sizes))] - edges[max(at - 1, 0)]
    return Measured(edges[at], near / 4)
