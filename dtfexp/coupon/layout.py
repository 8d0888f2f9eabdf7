"""Where everything on a coupon is, in mm from its upper left corner, x to the right and y down.

A coupon is a piece of film 90 mm wide with 4 mm bare all round. A whole coupon and a half differ
in the height of the large solid, and in all that stands below it. Two halves, one to wash and one
to keep, are two pieces.

One colour, a teal, is that of all that is judged for missing print: it differs from white, grey,
black and red cloth. Everything stands on bare cloth, so that its colour and the light are seen all
over the coupon.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from dtfexp.coupon.glyphs import capital_height, text_width
from dtfexp.coupon.payload import Half

Kind = Literal[
    "mark", "code", "number", "word", "block", "solid", "ring", "line", "gap", "bank", "letters"
]
#: sRGB of every ink. Process colours as screens show them (common practice, no source).
INKS: dict[str, tuple[int, int, int]] = {
    "white": (255, 255, 255),
    "grey 25": (191, 191, 191),
    "grey 50": (128, 128, 128),
    "grey 75": (64, 64, 64),
    "black": (0, 0, 0),
    "cyan": (0, 174, 239),
    "magenta": (236, 0, 140),
    "yellow": (255, 242, 0),
    "red": (237, 28, 36),
    "green": (0, 166, 81),
    "blue": (46, 49, 146),
    "teal": (0, 150, 190),
}
GREYS = ("white", "grey 25", "grey 50", "grey 75", "black")
COLOURS = ("cyan", "magenta", "yellow", "red", "green", "blue")
#: mm.
BARE, WIDTH, MARK = 4.0, 90.0, 6.0
#: A code has 21 modules and 4 of quiet zone on every side; a module is 0.8 mm.
MODULE, CODE_MODULES, QUIET = 0.8, 21, 4
CODE = MODULE * (CODE_MODULES + 2 * QUIET)
SOLID_HEIGHT: dict[Half, float] = {"one": 41.0, "wash": 19.0, "keep": 19.0}
#: Widths in mm of fine lines and gaps.
WIDTHS = (0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 1.5, 2.0)
#: Points of the small letters, as they stand in two rows.
LETTER_ROWS = ((12.0, 10.0, 8.0), (7.0, 6.0, 5.0, 4.0))
LETTERS = "RES8"
#: Stroke of the ring, mm.
RING_STROKE = 1.0


@dataclass(frozen=True)
class Feature:
    """One thing on a coupon: its box in mm, its ink, and its nominal size.

    ``size``: the width in mm of a line or gap, the points of letters, else 0. A "gap" has no ink:
    it is what is left free in the "bank".
    """

    name: str
    kind: Kind
    x: float
    y: float
    width: float
    height: float
    ink: str
    size: float = 0.0


@dataclass(frozen=True)
class Layout:
    """A coupon's size in mm and its features, in the order in which they are drawn."""

    half: Half
    width: float
    height: float
    features: tuple[Feature, ...]

    def of_kind(self, *kinds: Kind) -> tuple[Feature, ...]:
        """Return the features of some kinds."""
        return tuple(one for one in self.features if one.kind in kinds)

    @property
    def mark_centres(self) -> tuple[tuple[float, float], ...]:
        """The middle of the corner marks in mm: upper left, upper right, lower right, lower left.

        A mark is four squares like a chessboard's, the upper left one black; its middle is where
        the four meet.
        """
        return tuple((m.x + m.width / 2, m.y + m.height / 2) for m in self.of_kind("mark"))


@cache
def coupon_layout(half: Half = "one") -> Layout:
    """Return the layout of a coupon, or of a half."""
    left, right = BARE, WIDTH - BARE
    solid = Feature("solid", "solid", 40, 40, right - 40, SOLID_HEIGHT[half], "teal")
    below = solid.y + solid.height + 3
    bottom = below + CODE
    code_2 = Feature("code 2", "code", right - MARK - 2 - CODE, below, CODE, CODE, "white")
    marks = [
        Feature(name, "mark", x, y, MARK, MARK, "black")
        for name, x, y in (
            ("mark upper left", left, BARE),
            ("mark upper right", right - MARK, BARE),
            ("mark lower right", right - MARK, bottom - MARK),
            ("mark lower left", left, bottom - MARK),
        )
    ]
    features = [
        *marks,
        Feature("code 1", "code", left + MARK + 2, BARE, CODE, CODE, "white"),
        code_2,
        Feature("number", "number", 37, BARE, 38, 13, "white"),
        *_row("block", "upper ", GREYS, 37.5, 20, 6, 6, 1.6),
        *_row("block", "", COLOURS, left, 30, 11, 7, 3.2),
        *_lines(left, 40, 8),
        *_gaps(left, 51, 8),
        solid,
        *_letters(left, below),
        Feature("ring", "ring", 39, below, 11, 11, "teal"),
        *_row("block", "lower ", GREYS, 13, bottom - 6, 6, 6, 1.6),
    ]
    if half != "one":
        features.append(Feature("half", "word", left, below + 9.5, 26, 6, "white"))
    return Layout(half, WIDTH, bottom + BARE, tuple(features))


def _row(
    kind: Kind,
    prefix: str,
    inks: Sequence[str],
    x: float,
    y: float,
    width: float,
    height: float,
    apart: float,
) -> list[Feature]:
    return [
        Feature(prefix + ink, kind, x + place * (width + apart), y, width, height, ink)
        for place, ink in enumerate(inks)
    ]


def _lines(x: float, y: float, height: float) -> list[Feature]:
    found = []
    for width in WIDTHS:
        found.append(Feature(f"line {width:g}", "line", x, y, width, height, "teal", width))
        x = round(x + width + 2.4, 6)
    return found


def _gaps(x: float, y: float, height: float) -> list[Feature]:
    between, at, found = 2.2, x, []
    for width in WIDTHS:
        at = round(at + between, 6)
        found.append(Feature(f"gap {width:g}", "gap", at, y, width, height, "", width))
        at = round(at + width, 6)
    bank = Feature("bank", "bank", x, y, round(at + between - x, 6), height, "teal")
    return [bank, *found]


def _letters(x: float, y: float) -> list[Feature]:
    found = []
    for row in LETTER_ROWS:
        at = x
        for points in row:
            height = capital_height(points)
            width = text_width(LETTERS, height)
            top = y + capital_height(row[0]) - height
            found.append(
                Feature(f"letters {points:g}", "letters", at, top, width, height, "teal", points)
            )
            at += width + 1.5
        y += capital_height(row[0]) + 2
    return found
