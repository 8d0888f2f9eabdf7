"""The settings card: one page per fabric, for the wall beside the press.

Readable from two metres (target values at least 8 mm high where space allows), in grey print
(shapes and words repeat what colour shows), always one page.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from dtfexp.show.figures.window_bars import bars_key
from dtfexp.show.paper.card_rows import setting_row
from dtfexp.show.paper.pdf_page import MARGIN, PdfPage
from dtfexp.show.text import trade_hints
from dtfexp.show.text.cautions import SHORT_CAUTIONS
from dtfexp.show.text.edge_text import edges, reason
from dtfexp.show.text.measured_conditions import STAY
from dtfexp.show.text.number_format import NumberFormat
from dtfexp.show.text.report_text import (
    caveats,
    presses_line,
    rate_interval,
    unpressed,
)  # fmt: skip

if TYPE_CHECKING:
    from dtfexp.describe.session import Session
    from dtfexp.show.text.fabric_results import FabricResult

_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
_TALLEST_ROW, _SHORTEST_ROW = 37.0, 15.0


def settings_card(
    finding: FabricResult,
    session: Session,
    reading: NumberFormat,
    *,
    last_entry: datetime | None = None,
    conditions: Sequence[str] = (),
    paper: str = "A4",
) -> bytes:
    """Return the card as a PDF of one page.

    ``last_entry``: time of the newest entry behind the card, which dates it, so that the same data
    gives the same bytes. ``conditions``: sentences on when the card applies (lots, days).
    ``paper``: "A4" or "Letter".
    """
    sheet = PdfPage(paper, f"Settings card: {finding.name}", last_entry or _EPOCH)
    sheet.fitted(finding.name, 0, MARGIN, sheet.inner, 34, 15, bold=True)
    top = MARGIN + 14.5
    top = _banner(sheet, finding, session, reading, top)
    foot = _foot_height(sheet, finding, session, reading, conditions)
    rows = len(session.factors)
    room = sheet.height - MARGIN - foot - top - 2
    height = max(_SHORTEST_ROW, min(_TALLEST_ROW, room / rows))
    said = edges(session, finding.window, reading)
    for factor in () if finding.closed else session.factors:
        mine = [edge for edge in said if edge.factor.name == factor.name]
        setting_row(sheet, session, finding.window, factor, reading, mine, top, height)
        top += height
    _foot(sheet, finding, session, reading, last_entry, conditions, sheet.height - MARGIN - foot)
    return sheet.pdf()


def _banner(
    sheet: PdfPage, finding: FabricResult, session: Session, reading: NumberFormat, top: float
) -> float:
    """Draw the expected pass rate, or that nothing is proven; return where it ends."""
    window = finding.window
    if window.found:
        height = 19.0
        sheet.box(0, top, sheet.inner, height, fill=0.90)
        text = f"Expect {window.stated} to pass" + ("" if window.proven else " (not proven)")
        sheet.fitted(text, 4, top + 1.8, sheet.inner - 8, 26, 14, bold=True)
        numbers = f"{rate_interval(finding)}; {presses_line(finding)}."
        sheet.fitted(numbers[0].upper() + numbers[1:], 4, top + 12.2, sheet.inner - 8, 12.5, 8)
        top += height + 1.2
        warnings = [*unpressed(window), *caveats(finding)]
        if warnings:
            text = "MAY STILL MOVE: " + "; ".join(warnings) + "."
            sheet.fitted(text, 0, top, sheet.inner, 13, 8, bold=True)
            top += 6.5
        sheet.fitted(bars_key(window), 0, top, sheet.inner, 8.5, 6)
        return top + 4.5
    height = 30.0
    sheet.box(0, top, sheet.inner, height, fill=0.0)
    if finding.closed:
        sheet.fitted("DO NOT PRESS", 4, top + 1.5, sheet.inner - 8, 38, 20, bold=True, grey=1.0)
        text = "No setting is left for this fabric on this bench."
        sheet.fitted(text, 4, top + 16.5, sheet.inner - 8, 16, 9, bold=True, grey=1.0)
        at = top + height + 3.0
        for line in sheet.wrapped(reason(session, window, reading), sheet.inner, 14):
            sheet.write(line, 0, at, 14)
            at += 6.2
        return at + 1.5
    sheet.fitted("NOT PROVEN", 4, top + 1.5, sheet.inner - 8, 38, 20, bold=True, grey=1.0)
    text = "Do not sell on these yet: best settings known, no window found."
    sheet.fitted(text, 4, top + 16.5, sheet.inner - 8, 16, 9, bold=True, grey=1.0)
    numbers = (
        f"There expect {window.stated} to pass; {rate_interval(finding)}; {presses_line(finding)}."
    )
    sheet.fitted(numbers, 4, top + 23.6, sheet.inner - 8, 11, 7, grey=1.0)
    at = top + height + 1.5
    for line in sheet.wrapped(reason(session, window, reading), sheet.inner, 9.5)[:4]:
        sheet.write(line, 0, at, 9.5)
        at += 4.2
    return at + 1.5


def _foot_lines(
    finding: FabricResult,
    session: Session,
    reading: NumberFormat,
    last_entry: datetime | None,
    conditions: Sequence[str],
) -> tuple[list[str], list[str]]:
    steps = [] if finding.closed else list(trade_hints.steps(session, finding.window.target))
    holds = [f"Session: {session.name}."]
    limit = session.limit_note(finding.fabric, reading.temperature)
    if limit and not finding.closed:
        holds.append(limit)
    holds += [*conditions]
    holds.append(STAY)
    if last_entry is None:
        holds.append("No entry in the logbook yet.")
    else:
        holds.append(f"Data up to {last_entry:%Y-%m-%d}.")
    return steps, holds


def _foot_height(
    sheet: PdfPage,
    finding: FabricResult,
    session: Session,
    reading: NumberFormat,
    conditions: Sequence[str],
) -> float:
    steps, holds = _foot_lines(finding, session, reading, None, conditions)
    half = sheet.inner / 2 - 3
    columns = max(
        sum(sheet.lines(text, half - 4, 9.5) for text in column) for column in (steps, holds)
    )
    cautions = sum(sheet.lines(text, sheet.inner - 6, 8.5) for text in SHORT_CAUTIONS)
    return 6.5 + columns * 4.3 + 1.5 + cautions * 3.9 + 2.5


def _foot(
    sheet: PdfPage,
    finding: FabricResult,
    session: Session,
    reading: NumberFormat,
    last_entry: datetime | None,
    conditions: Sequence[str],
    top: float,
) -> None:
    """Draw steps (common practice) and conditions side by side, cautions below."""
    steps, holds = _foot_lines(finding, session, reading, last_entry, conditions)
    half = sheet.inner / 2 - 3
    sheet.rule(top, 0.6)
    below = []
    columns = (("Steps (common practice)", steps, 0.0), ("Valid for", holds, half + 6))
    for title, lines, left in columns:
        sheet.write(title, left, top + 1.2, 10.5, bold=True)
        at = top + 6.5
        for text in lines:
            at = sheet.block(text, left, at, half, 9.5, 4.3, bullet=True)
        below.append(at)
    at = max(below) + 1.5
    height = sheet.height - MARGIN - at
    sheet.box(0, at, sheet.inner, height, line=0.5)
    at += 1.5
    for text in SHORT_CAUTIONS:
        at = sheet.block(text, 3, at, sheet.inner - 6, 8.5, 3.9)
