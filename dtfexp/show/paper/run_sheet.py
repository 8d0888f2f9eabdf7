"""The run sheet on paper: the settings of each press, and boxes for what was seen.

It replaces the recording form. Every box has the name of its column in the sheets (.csv, .xlsx)
that an import reads into the logbook.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from dtfexp.book.sheets.sheet_columns import EXCLUDED
from dtfexp.book.steps_of_day import steps_left
from dtfexp.book.store.typed_values import is_missing
from dtfexp.describe.fields import count_phrase
from dtfexp.describe.signs.guide import published_scale
from dtfexp.dialin.schedule.cured import FILM, changes, cured_fact, reading
from dtfexp.show.paper.pdf_page import MARGIN, PdfPage
from dtfexp.show.recorder.form import DEFECTS, WASH_DEFECTS
from dtfexp.show.text import trade_hints
from dtfexp.show.text.cautions import SHORT_CAUTIONS
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session

_EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
_HEAD, _LEFT, _SET, _WRITE = 16.0, 38.0, 9.5, 13.0
_STEP, _LINE, _GAP = 3.1, 3.7, 2.0
#: An outcome and the meaning of its grades, in lines.
_Guide = tuple[str, list[str]]
#: Largest number of grades to circle; more are written.
_CIRCLED = 9


@dataclass(frozen=True)
class _Cell:
    """One box: its name, least width, printed content, and whether it is marked."""

    name: str
    width: float
    text: str = ""
    choices: tuple[str, ...] = ()
    marked: bool = False
    also: str = ""


@dataclass(frozen=True)
class _Block:
    """One press on paper: its header, settings and boxes, each in rows."""

    row: dict[Any, Any]
    refused: list[str]
    first: list[str]
    settings: list[list[_Cell]]
    boxes: list[list[_Cell]]

    @property
    def height(self) -> float:
        tall = _SET * len(self.settings) + _WRITE * len(self.boxes)
        return tall + _LINE * (len(self.refused) + len(self.first)) + _GAP


def run_sheet_pdf(book: Logbook, *, paper: str = "A4") -> bytes:
    """Return a PDF of the presses that lack a grade (all if none does), to write on.

    A known grade is printed in its box. ``paper``: "A4" or "Letter". The same book gives the same
    bytes.
    """
    session, rows = book.session, presses_lacking_grades(book)
    sheet = PdfPage(paper, f"Run sheet: {session.name}", paper_date(book))
    guides = _guides(sheet, session)
    below = _below(sheet, [trade_hints.alike(session), *limits(book)])
    foot = sum(map(_tall, guides)) + _STEP * len(below) + 5.0
    apart = foot > sheet.height / 3  # many outcomes: their guides get their own pages
    if apart:
        foot -= sum(map(_tall, guides))
    room = sheet.height - 2 * MARGIN - _HEAD - foot
    day, to_change = steps_left(book), changes(session, rows)
    refused, to_grade = book.bench.refused(), _still_to_grade(book)
    blocks = [
        _Block(
            row,
            _not_to_press(sheet, refused.get(row["press"], "")),
            _before(sheet, session, row, to_grade.get(row["press"]) or day.before(row["press"])),
            _rows(_settings(session, row, change), sheet),
            _rows(_boxes(session, row), sheet),
        )
        for row, change in zip(rows, to_change, strict=True)
    ]
    pages: list[list[_Block]] = [[]]
    left = room
    for block in blocks:
        height = block.height
        if height > left and pages[-1]:
            pages.append([])
            left = room
        pages[-1].append(block)
        left -= height
    for number, page in enumerate(pages, start=1):
        if number > 1:
            sheet.turn()
        _head(sheet, session, f"page {number} of {len(pages)}")
        top = MARGIN + _HEAD
        for block in page:
            _block(sheet, block, top)
            top += block.height
        _foot(sheet, () if apart else guides, below, sheet.height - MARGIN - foot)
    if apart:
        _guide_pages(sheet, guides)
    return sheet.pdf()


def presses_lacking_grades(book: Logbook) -> list[dict[Any, Any]]:
    """Return the rows of ``book.results()`` that lack a grade; all of them if none does."""
    results = book.results()
    open_ones = results[results["press"].isin(book.waiting()["press"])]
    rows: list[dict[Any, Any]] = (open_ones if len(open_ones) else results).to_dict("records")
    return rows


def _still_to_grade(book: Logbook) -> dict[int, list[str]]:
    """Return, for presses that are made but lack a grade, a line that says so."""
    made = book.waiting()
    made = made[made["pressed"].astype(bool)]
    return {
        int(row["press"]): [f"pressed already; still to grade: {row['waiting_for']}"]
        for row in made.to_dict("records")
    }


def paper_date(book: Logbook) -> datetime:
    """Return the date of a paper: the book's latest entry or plan, never the clock."""
    times = [*book.history()["time"], *book.plans()["time"]]
    return max(times, default=_EPOCH)


def setting(session: Session, factor: Factor, value: Any) -> tuple[str, str]:
    """Return a setting in the session's unit and, where it differs, the dial's.

    For a conveyor speed the second text is the time in the heat.
    """
    told, dial = reading(session, factor, value), factor.format(value)
    return told, dial if dial != told else session.pace.dwell_note(value, factor.unit)


def shortened(sheet: PdfPage, text: str, width: float, size: float, bold: bool = False) -> str:
    """Return ``text`` cut to one line of that width, marked when cut."""
    first, *rest = sheet.wrapped(text, width, size, bold) or [""]
    return f"{first[:-1]}…" if rest else first


def _settings(session: Session, row: dict[Any, Any], change: dict[str, Any]) -> list[_Cell]:
    cells = []
    for factor in (one for one in session.factors if one.stage not in FILM):
        told, also = setting(session, factor, row[factor.name])
        marked = factor.name in change
        cells.append(_Cell(label(factor.name), 19.0, told, marked=marked, also=also))
    return cells


def _boxes(session: Session, row: dict[Any, Any]) -> list[_Cell]:
    cells = []
    for outcome in session.outcomes:
        value, choices = row[outcome.name], tuple(f"{grade:g}" for grade in outcome.grades)
        if len(choices) > _CIRCLED:
            choices = ()
        elif outcome.kind == "passfail":
            choices = ("fail", "pass")
        text = "" if is_missing(value) else f"{value:g}"
        width = max(24.0, sum(5.2 if len(choice) < 3 else 7.5 for choice in choices))
        cells.append(_Cell(_named(outcome), width, text, () if text else choices))
    cells.append(_Cell(EXCLUDED, 15.0, "yes" if row["excluded"] else ""))
    cells.append(_Cell("reached, if not as set", 30.0))
    cells.append(
        _Cell("defects, note", 44.0, "; ".join(filter(None, (row["defects"], row["note"]))))
    )
    return cells


def _named(outcome: Outcome) -> str:
    unit = f" ({outcome.unit})" if outcome.unit else ""
    after = f", {count_phrase(outcome.washes, 'wash', 'washes')}" if outcome.washes else ""
    return f"{label(outcome.name)}{unit}{after}"


def _rows(cells: Sequence[_Cell], sheet: PdfPage) -> list[list[_Cell]]:
    """Return the cells in as many rows as they need."""
    rows: list[list[_Cell]] = [[]]
    for cell in cells:
        if rows[-1] and sum(c.width for c in (*rows[-1], cell)) > sheet.inner - _LEFT:
            rows.append([])
        rows[-1].append(cell)
    return rows


def limits(book: Logbook) -> list[str]:
    """Return each fabric's heat limit, with how far the heat press may exceed its dial."""
    gate = book.bench.measured_session()
    return [note for note in map(gate.limit_note, gate.fabrics) if note]


def _not_to_press(sheet: PdfPage, why: str) -> list[str]:
    return sheet.wrapped(f"DO NOT PRESS as planned: {why}.", sheet.inner, 8, True) if why else []


def _before(
    sheet: PdfPage, session: Session, row: dict[Any, Any], steps: Sequence[str]
) -> list[str]:
    film = f"Film of press {row['press']}: {cured_fact(session, row)}."
    return [line for text in (*steps, film) for line in sheet.wrapped(text, sheet.inner, 8)]


def _block(sheet: PdfPage, block: _Block, top: float) -> None:
    row = block.row
    for line in block.refused:
        sheet.write(line, 0, top, 8, bold=True)
        top += _LINE
    for line in block.first:
        sheet.write(line, 0, top, 8)
        top += _LINE
    height = block.height - _GAP - _LINE * (len(block.refused) + len(block.first))
    sheet.box(0, top, _LEFT, height, line=0.4)
    sheet.fitted(str(row["press"]), 2, top + 1.2, 15, 26, 10, bold=True)
    sheet.write(f"oven load {row['oven_load']}", 17.5, top + 2.2, 7)
    sheet.write(f"press round {row['press_round']}", 17.5, top + 5.8, 7)
    for i, line in enumerate(sheet.wrapped(str(row["fabric"]), _LEFT - 4, 9.5, bold=True)[:2]):
        sheet.write(line, 2, top + 13 + 4.2 * i, 9.5, bold=True)
    for cells, tall in (*((c, _SET) for c in block.settings), *((c, _WRITE) for c in block.boxes)):
        left, spare = _LEFT, sheet.inner - _LEFT - sum(cell.width for cell in cells)
        writing = tall == _WRITE
        for cell in cells:
            # Settings share the remaining width; among the boxes the note takes it.
            share = spare / len(cells) if not writing else spare * (cell is cells[-1])
            _cell(sheet, cell, left, top, cell.width + share, tall)
            left += cell.width + share
        top += tall


def _cell(sheet: PdfPage, cell: _Cell, left: float, top: float, width: float, tall: float) -> None:
    sheet.box(left, top, width, tall, fill=0.86 if cell.marked else None, line=0.4)
    size = sheet.size_for(cell.name, width - 2, 6.5, 4.5)
    sheet.write(shortened(sheet, cell.name, width - 2, size), left + 1, top + 0.7, size)
    if cell.choices:
        step = (width - 2) / len(cell.choices)
        for i, choice in enumerate(cell.choices):
            size = 13 if len(choice) < 3 else 9.5
            sheet.middle(choice, left + 1 + step * (i + 0.5), top + 6.0, size)
    elif cell.text:
        size = sheet.fitted(cell.text, left + 1, top + 4.0, width - 2, 11.5, 6, bold=True)
        after = left + 2 + sheet.measure(cell.text, size, bold=True)
        if cell.also and after + sheet.measure(cell.also, 6.5) < left + width:
            sheet.write(cell.also, after, top + 5.6, 6.5)


def _head(sheet: PdfPage, session: Session, page: str) -> None:
    sheet.fitted(f"Run sheet: {session.name}", 0, MARGIN, sheet.inner - 30, 15, 9, bold=True)
    sheet.right(page, sheet.inner, MARGIN + 1.5, 8)
    told = (
        "Do the steps in this order. Grey: to change at the press. Circle "
        "the grade; leave an unknown grade open, never 0. Write the press number on the back of "
        "each coupon, for the wash grades."
    )
    sheet.block(told, 0, MARGIN + 7, sheet.inner, 7.5, 3.3)


def _guides(sheet: PdfPage, session: Session) -> list[list[_Guide]]:
    """Return the outcomes with the meaning of their grades, two side by side."""
    width = sheet.inner / 2 - 3
    found = []
    for outcome in session.outcomes:
        better = "or more" if outcome.sign > 0 else "or less"
        unit = f" {outcome.unit}" if outcome.unit else ""
        title = f"{_named(outcome)}: {outcome.accept:g}{unit} {better} passes"
        lines = [
            line
            for grade in outcome.grades
            if outcome.guide.get(grade)
            for line in sheet.wrapped(f"{grade:g}  {outcome.guide[grade]}", width - 1, 7)
        ]
        lines = lines or sheet.wrapped(f"write {outcome.accepted}", width - 1, 7)
        if published := published_scale(outcome.name, outcome.washes):
            lines += sheet.wrapped(published, width - 1, 7)
        found.append((shortened(sheet, title, width, 7.5, bold=True), lines))
    return [found[i : i + 2] for i in range(0, len(found), 2)]


def _tall(pair: list[_Guide]) -> float:
    return max(len(lines) for _, lines in pair) * _STEP + 5.0


def _guide_pair(sheet: PdfPage, pair: list[_Guide], top: float) -> float:
    for left, (title, lines) in zip((0.0, sheet.inner / 2 + 3), pair, strict=False):
        sheet.write(title, left, top, 7.5, bold=True)
        for k, line in enumerate(lines):
            sheet.write(line, left, top + 3.6 + _STEP * k, 7)
    return top + _tall(pair)


def _guide_pages(sheet: PdfPage, guides: list[list[_Guide]]) -> None:
    top = sheet.height
    for pair in guides:
        if top + _tall(pair) > sheet.height - MARGIN:
            sheet.turn()
            sheet.write("Meaning of the grades", 0, MARGIN, 12, bold=True)
            top = MARGIN + 8
        top = _guide_pair(sheet, pair, top)


def _below(sheet: PdfPage, first: Sequence[str]) -> list[str]:
    said = [
        *first,
        "Judge on dry, cold cloth, some hours after the last wash. Defects: "
        + ", ".join(dict.fromkeys((*DEFECTS, *WASH_DEFECTS)))
        + ".",
        "Back into the logbook: type this into results.csv or results.xlsx, whose columns have "
        "the names of these boxes (name_actual: the value reached), and import the file.",
        *SHORT_CAUTIONS,
    ]
    return [line for text in said for line in sheet.wrapped(text, sheet.inner, 7)]


def _foot(sheet: PdfPage, guides: Sequence[list[_Guide]], below: Sequence[str], top: float) -> None:
    """Write the meaning of the grades, heat limits, how to import the sheet, and the cautions."""
    sheet.rule(top + 1, 0.5)
    top += 2.5
    for pair in guides:
        top = _guide_pair(sheet, pair, top)
    for line in below:
        sheet.write(line, 0, top, 7)
        top += _STEP
