"""What a coupon's features look like: polygons in mm, each with its ink, in drawing order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from dtfexp.coupon.glyphs import text_outlines, text_width
from dtfexp.coupon.layout import (
    LETTERS,
    MODULE,
    QUIET,
    RING_STROKE,
    Feature,
    coupon_layout,
)
from dtfexp.coupon.payload import Label

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shape:
    """One polygon: ``points`` (n, 2) in mm; ``box`` (x0, y0, x1, y1) when it is a rectangle.

    ``ink`` "" prints nothing and clears what is below.
    """

    ink: str
    points: Array
    box: tuple[float, float, float, float] | None = None


def rectangle(ink: str, x: float, y: float, width: float, height: float) -> Shape:
    """Return a rectangle as a shape."""
    x1, y1 = x + width, y + height
    return Shape(ink, np.array([[x, y], [x1, y], [x1, y1], [x, y1]]), (x, y, x1, y1))


def coupon_shapes(label: Label) -> list[Shape]:
    """Return everything that is printed on the coupon of ``label``, bottom first."""
    found: list[Shape] = []
    for feature in coupon_layout(label.half).features:
        found += feature_shapes(feature, label)
    return found


def feature_shapes(one: Feature, label: Label) -> list[Shape]:
    """Return what is printed of one feature of the coupon of ``label``.

    A gap has no ink: it clears what is below it.
    """
    plate = rectangle(one.ink, one.x, one.y, one.width, one.height)
    if one.kind == "mark":
        half = one.width / 2
        middle = (one.x + half, one.y + half)
        white = rectangle("white", one.x, one.y, one.width, one.height)
        return [
            white,
            rectangle("black", one.x, one.y, half, half),
            rectangle("black", *middle, half, half),
        ]
    if one.kind == "code":
        return [plate, *_code(label.text, one.x + QUIET * MODULE, one.y + QUIET * MODULE)]
    if one.kind == "number":
        return [plate, *_text(str(label.press), one, 9.0)]
    if one.kind == "word":
        return [plate, *_text(label.half.upper(), one, 4.0)]
    if one.kind == "letters":
        return [
            Shape(one.ink, outline) for outline in text_outlines(LETTERS, one.x, one.y, one.height)
        ]
    if one.kind == "ring":
        return [Shape(one.ink, _ring(one))]
    return [plate]


def _text(text: str, plate: Feature, height: float) -> list[Shape]:
    """Black text in the middle of a plate."""
    x = plate.x + (plate.width - text_width(text, height)) / 2
    y = plate.y + (plate.height - height) / 2
    return [Shape("black", outline) for outline in text_outlines(text, x, y, height)]


def _ring(one: Feature) -> Array:
    """Return a ring as one polygon: round the outside, across, and back round the inside."""
    around = np.linspace(0, 2 * np.pi, 97)
    circle = np.column_stack([np.cos(around), np.sin(around)])
    outer = one.width / 2
    middle = np.array([one.x + outer, one.y + outer])
    inside: Array = (outer - RING_STROKE) * circle[::-1]
    ring: Array = middle + np.concatenate([outer * circle, inside])
    return ring


def _code(text: str, x: float, y: float) -> list[Shape]:
    """Return the dark modules of the QR code of ``text``, runs of a row joined."""
    found = []
    for row, line in enumerate(code_modules(text)):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line, [0]])))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            found.append(
                rectangle(
                    "black",
                    x + start * MODULE,
                    y + row * MODULE,
                    (end - start) * MODULE,
                    MODULE,
                )
            )
    return found


@cache
def code_modules(text: str) -> NDArray[np.int8]:
    """Return the modules of a QR code of version 1, level H (ISO/IEC 18004): (21, 21), dark 1."""
    import segno

    code = segno.make(text, version=1, error="h", micro=False, boost_error=False)
    return np.array([list(row) for row in code.matrix], dtype=np.int8)


def bank_pieces(bank: Feature, gaps: Iterable[Feature]) -> list[Shape]:
    """Return what the gaps leave of the bank, as rectangles."""
    found, at = [], bank.x
    for gap in sorted(gaps, key=lambda one: one.x):
        found.append(rectangle(bank.ink, at, bank.y, gap.x - at, bank.height))
        at = gap.x + gap.width
    return [*found, rectangle(bank.ink, at, bank.y, bank.x + bank.width - at, bank.height)]
