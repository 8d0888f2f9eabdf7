"""One row of the settings card: the setting in large type, its bar, its two edges."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from dtfexp.show.figures.window_bars import (
    ALONE,
    CORE,
    RANGE,
    TARGET,
    WINDOW,
    Bar,
    word_kind,
)  # fmt: skip
from dtfexp.show.text.edge_text import EdgeText, alone_span, edge_line
from dtfexp.show.text.number_format import NumberFormat, label

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window
    from dtfexp.show.paper.pdf_page import PdfPage

_SPLIT = 80.0
"""Start of the bar, in mm from the left margin."""
_STACKED = 24.0
"""Height of a row from which the second unit goes under the first, in mm."""
_POINT = 25.4 / 72
GREYS = {RANGE: 0.91, WINDOW: 0.74, CORE: 0.45}
WORD_GREYS = {RANGE: 1.0, WINDOW: 0.86, CORE: 0.66}


def setting_row(
    sheet: PdfPage,
    session: Session,
    window: Window,
    factor: Factor,
    reading: NumberFormat,
    edges: Sequence[EdgeText],
    top: float,
    height: float,
) -> None:
    """Draw one row between ``top`` and ``top + height``; text shrinks with the row."""
    sheet.rule(top, 0.3)
    scale = min(1.0, height / 32)
    sheet.fitted(label(factor.name), 0, top + 1.3, _SPLIT - 6, 13 * max(scale, 0.8), 7)
    _value(sheet, window, factor, reading, top + 1.3 + 5.6 * max(scale, 0.85), height)
    left, right = _SPLIT, sheet.inner
    bar = top + (3.4 + 3.2 * scale)
    thick = 6.5 * max(scale, 0.62)
    if factor.is_numeric:
        ends = Bar.of(session, factor, window)
        _bar(sheet, window, factor, reading, ends, left, right, bar, thick)
        text = bar + thick + 5.0
    else:
        words = session.allowed(factor, window.fabric)
        _words(sheet, window, factor, words, left, right, bar, thick)
        text = bar + thick + 1.5
    _edges(sheet, edges, left, right - left, text, top + height - 0.6)


def _edges(
    sheet: PdfPage, edges: Sequence[EdgeText], left: float, width: float, top: float, foot: float
) -> None:
    """Draw a paragraph per edge, as large as the space under the bar allows."""
    if not edges:
        return
    texts = [("\u25bc" if e.side == "low" else "\u25b2", edge_line(e)) for e in edges]
    for size in (10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0):
        step = size * 25.4 / 72 * 1.18
        cut = [sheet.wrapped(text, width - 4, size) for _, text in texts]
        if top + sum(len(lines) for lines in cut) * step <= foot:
            break
    for (mark, _), lines in zip(texts, cut, strict=True):
        sheet.write(mark, left, top, size)
        for line in lines:
            sheet.write(line, left + 4, top, size)
            top += step


def _value(
    sheet: PdfPage,
    window: Window,
    factor: Factor,
    reading: NumberFormat,
    top: float,
    height: float,
) -> None:
    """Draw the target as large as row and column allow; temperatures in both units."""
    target = window.target[factor.name]
    text = reading.text(factor, target)
    other = reading.other(factor)
    second = "" if other is None else other.text(factor, target)
    width = _SPLIT - 5
    if height >= _STACKED:
        # Leave space for the second unit under the first.
        size = sheet.size_for(text, width, min(48.0, (height - 13.0) / _POINT), 12, True)
        sheet.write(text, 0, top, size, bold=True)
        if second:
            sheet.write(second, 0, top + 0.76 * size * _POINT + 1.8, max(15.0, size * 0.4))
        return
    largest = min(40.0, (height - 7.0) / _POINT)
    beside = sheet.measure(second, largest * 0.5) + 3 if second else 0.0
    size = sheet.size_for(text, width - beside, largest, 10, True)
    sheet.write(text, 0, top, size, bold=True)
    if second:
        small = min(size * 0.6, largest * 0.5)
        drop = 0.76 * (size - small) * _POINT
        sheet.write(second, sheet.measure(text, size, True) + 3, top + drop, small)


def _bar(
    sheet: PdfPage,
    window: Window,
    factor: Factor,
    reading: NumberFormat,
    bar: Bar,
    left: float,
    right: float,
    top: float,
    thick: float,
) -> None:
    """Draw the parts of the bar in greys, the edges of the window over it, alone under it."""
    width = right - left
    for kind, start, stop in bar.parts:
        at, reach = left + width * start, width * (stop - start)
        if kind == TARGET:
            sheet.diamond(at, top + thick / 2, min(3.0, thick / 2))
        elif kind == ALONE:
            sheet.box(at, top + thick / 2 - 0.2, max(reach, 0.4), 0.4, fill=0.0)
            for cap in (at, at + reach):
                sheet.box(cap - 0.2, top + thick * 0.25, 0.4, thick * 0.5, fill=0.0)
        else:
            line = 0.0 if kind == RANGE else 0.3
            sheet.box(at, top, max(reach, 0.6), thick, fill=GREYS[kind], line=line)
    small = 8.5
    if (box := bar.part(WINDOW)) is not None and window.low is not None and window.high is not None:
        ends = [left + width * box.left, left + width * box.right]
        texts = [reading.text(factor, side[factor.name]) for side in (window.low, window.high)]
        over = top - 3.9
        if box.left == box.right:
            sheet.middle(
                f"only {texts[0]}", ends[0], over, small + 1, bold=True, within=(left, right)
            )
        else:
            _edge_texts(sheet, texts, ends, over, small + 1, (left, right))
        said = f"alone: {alone_span(window, factor, reading)}"
    else:
        said = "window not known"
    under = top + thick + 0.7
    sheet.write(reading.number(factor, bar.low), left, under, 7, grey=0.3)
    end = bar.end(factor, reading)
    sheet.right(end, right, under, 7, grey=0.3)
    free = max(12.0, sheet.measure(end, 7) + 3)
    target = left + width * bar.place(float(window.target[factor.name]))
    sheet.middle(said, target, under, small, within=(left + 12, right - free))


def _edge_texts(
    sheet: PdfPage,
    texts: Sequence[str],
    ends: Sequence[float],
    top: float,
    size: float,
    within: tuple[float, float],
) -> None:
    """Write the two edges over their ends of the window, apart from each other."""
    widths = [sheet.measure(text, size, True) for text in texts]
    low = max(within[0], ends[0] - widths[0] / 2)
    high = min(within[1] - widths[1], ends[1] - widths[1] / 2)
    gap = low + widths[0] + 2.5 - high
    if gap > 0:
        low, high = low - gap / 2, high + gap / 2
        low, high = max(within[0], low), max(high, within[0] + widths[0] + 2.5)
        if high + widths[1] > within[1]:
            high = within[1] - widths[1]
            low = high - 2.5 - widths[0]
    sheet.write(texts[0], low, top, size, bold=True)
    sheet.write(texts[1], high, top, size, bold=True)


def _words(
    sheet: PdfPage,
    window: Window,
    factor: Factor,
    words: tuple[str, ...],
    left: float,
    right: float,
    top: float,
    thick: float,
) -> None:
    """Write the words side by side: those of the window on grey, the target framed."""
    share = (right - left) / len(words)
    for i, word in enumerate(words):
        at = left + i * share
        is_target = word == window.target[factor.name]
        fill, line = WORD_GREYS[word_kind(window, factor, word)], 0.9 if is_target else 0.15
        sheet.box(at + 0.5, top, share - 1, thick, fill=fill, line=line)
        size = sheet.size_for(word, share - 3, 9.5, 5.5, is_target)
        drop = (thick - size * 25.4 / 72) / 2
        sheet.middle(word, at + share / 2, top + drop, size, bold=is_target)
