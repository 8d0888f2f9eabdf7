"""Letters and digits of the test print, drawn by us as strokes.

A drawing of our own has the same millimetres on every computer, which no font of a system has. A
glyph is a list of polylines on a grid 4 wide and 6 high, (0, 0) its upper left corner.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


#: Grid units: height and width of a glyph, the gap to the next one, the width of a stroke.
HEIGHT, WIDTH, GAP, STROKE = 6.0, 4.0, 2.0, 1.0
#: Height of a capital letter in ems; what "pt" of the small letters means (a usual font's share).
CAPITAL = 0.7
_POINT = 25.4 / 72

Line = tuple[tuple[float, float], ...]
_GLYPHS: dict[str, tuple[Line, ...]] = {
    "0": (((1, 0), (3, 0), (4, 1), (4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0)),),
    "1": (((0.8, 1.4), (2.2, 0), (2.2, 6)), ((0.8, 6), (3.6, 6))),
    "2": (((0, 1), (1, 0), (3, 0), (4, 1), (4, 2.2), (0, 6), (4, 6)),),
    "3": (((0, 0), (4, 0), (1.8, 2.4), (3, 2.4), (4, 3.4), (4, 5), (3, 6), (1, 6), (0, 5)),),
    "4": (((3, 6), (3, 0), (0, 4), (4, 4)),),
    "5": (((4, 0), (0.4, 0), (0, 2.8), (3, 2.4), (4, 3.4), (4, 5), (3, 6), (1, 6), (0, 5)),),
    "6": (((3.6, 0), (1.6, 0), (0, 2), (0, 5), (1, 6), (3, 6), (4, 5), (4, 3.8), (3, 2.8),
           (1, 2.8), (0, 3.8)),),
    "7": (((0, 0), (4, 0), (1.6, 6)),),
    "8": (((1, 0), (3, 0), (4, 0.9), (4, 2), (3, 2.8), (1, 2.8), (0, 2), (0, 0.9), (1, 0)),
          ((1, 2.8), (0, 3.8), (0, 5), (1, 6), (3, 6), (4, 5), (4, 3.8), (3, 2.8))),
    "9": (((0.4, 6), (2.4, 6), (4, 4), (4, 1), (3, 0), (1, 0), (0, 1), (0, 2.2), (1, 3.2),
           (3, 3.2), (4, 2.2)),),
    "A": (((0, 6), (2, 0), (4, 6)), ((0.8, 3.9), (3.2, 3.9))),
    "E": (((4, 0), (0, 0), (0, 6), (4, 6)), ((0, 2.9), (3.2, 2.9))),
    "H": (((0, 0), (0, 6)), ((4, 0), (4, 6)), ((0, 2.9), (4, 2.9))),
    "K": (((0, 0), (0, 6)), ((4, 0), (0, 3.4)), ((1.4, 2.4), (4, 6))),
    "P": (((0, 6), (0, 0), (3, 0), (4, 1), (4, 2.4), (3, 3.4), (0, 3.4)),),
    "R": (((0, 6), (0, 0), (3, 0), (4, 1), (4, 2.2), (3, 3.2), (0, 3.2)), ((2.2, 3.2), (4, 6))),
    "S": (((4, 1), (3, 0), (1, 0), (0, 1), (0, 2), (1, 2.8), (3, 3.1), (4, 4), (4, 5), (3, 6),
           (1, 6), (0, 5)),),
    "W": (((0, 0), (1, 6), (2, 1.6), (3, 6), (4, 0)),),
}  # fmt: skip


def capital_height(points: float) -> float:
    """Return the height in mm of letters of so many points."""
    return CAPITAL * points * _POINT


def text_width(text: str, height: float) -> float:
    """Return the width in mm of ``text`` in letters ``height`` mm high, strokes included."""
    unit = height / (HEIGHT + STROKE)
    return unit * (len(text) * WIDTH + (len(text) - 1) * GAP + STROKE)


def text_outlines(text: str, x: float, y: float, height: float) -> list[Array]:
    """Return the polygons, (n, 2) in mm, that draw ``text`` with its box's corner at (x, y).

    ``height`` is that of the box, strokes included. The polygons overlap.
    """
    import numpy as np  # a logbook is opened without it

    unit = height / (HEIGHT + STROKE)
    radius = unit * STROKE / 2
    around = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    disc = radius * np.column_stack([np.cos(around), np.sin(around)])
    found: list[Array] = []
    for place, character in enumerate(text):
        corner = np.array([x + place * (WIDTH + GAP) * unit, y]) + radius
        for line in _GLYPHS[character]:
            points = corner + unit * np.array(line, dtype=float)
            found += [point + disc for point in points]
            for start, end in pairwise(points):
                along = (end - start) / np.hypot(*(end - start))
                aside = radius * np.array([-along[1], along[0]])
                found.append(np.array([start + aside, end + aside, end - aside, start - aside]))
    return found
