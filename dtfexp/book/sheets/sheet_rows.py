"""The rows of a results sheet, each understood as what it says about one planned press."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.sheets import sheet_columns
from dtfexp.book.sheets.sheet_columns import Column
from dtfexp.book.store import entries, plausible, typed_values
from dtfexp.book.store.stored_plans import Press
from dtfexp.book.store.typed_values import ParsedNumber
from dtfexp.book.tables import safe_text, sheet_table, workbook_table
from dtfexp.describe import fields, units
from dtfexp.describe.errors import ResultsError
from dtfexp.dialin.encode import cure_look
from dtfexp.dialin.monitor.causes import hear

if TYPE_CHECKING:
    from dtfexp.describe.session import Session


@dataclass(frozen=True)
class SheetRow:
    """What one row says.

    ``spoiled``: the press was made again in another row of the sheet; ``look``: what it says of the
    look of the press's oven load; ``typed``: its readings in numbers, as they were written.
    """

    number: int
    press: int
    said: Mapping[str, Any]
    by: str = ""
    book_entry: str = ""
    spoiled: bool = False
    headings: Mapping[str, str] = field(default_factory=dict)
    look: str = ""
    typed: Mapping[str, ParsedNumber] = field(default_factory=dict)


def read_rows(
    path: Path, sheet: sheet_table.Table, session: Session, presses: Mapping[int, Press]
) -> tuple[list[SheetRow], list[Column], list[str]]:
    """Return rows and known columns of a sheet, and remarks on what was set aside.

    Raises ``ResultsError`` for any wrong row.
    """
    first, headings = sheet.rows[0]
    found, strange = sheet_columns.Headings(session).read(path.name, first, headings)
    remarks = list(sheet.remarks)
    if strange:
        text = ", ".join(repr(name) for name in strange)
        remarks.append(f"{path.name}: these columns are not known and were left out: {text}")
    if len(sheet.rows) == 1:
        raise ResultsError(
            f"{path.name}: there are headings but no rows below them; accepted is one row per "
            "test press"
        )
    sheet_table.refuse_merged(path.name, sheet, [column.index for column in found])
    reader = _Reader(path.name, session, presses, found, sheet.guarded)
    rows = []
    for number, cells in sheet.rows[1:]:
        _check_width(path.name, number, cells, headings, sheet.exact)
        rows.append(reader.row(number, cells))
    remarks += reader.judged()
    # A sheet that this book wrote itself says nothing new.
    seen = [row.said.get("defects") or () for row in rows if not row.book_entry]
    heard = hear([word for words in seen for word in words])
    remarks += [f"{path.name}: defects, kept as written, {line}" for line in heard.not_understood]
    return _one_row_per_press(path.name, rows), found, remarks


def _check_width(
    file: str, row: int, cells: Sequence[Any], headings: Sequence[Any], exact: bool
) -> None:
    for index, cell in enumerate(cells):
        if sheet_table.is_blank(cell) or (
            index < len(headings) and not sheet_table.is_blank(headings[index])
        ):
            continue
        shown = cell.shown if isinstance(cell, workbook_table.Unusable) else cell
        raise ResultsError(
            f"{file}, row {row}, column {index + 1}: the value is {fields.quoted(shown)}, in a "
            "column without a heading; accepted is nothing there. A decimal comma needs quotes, "
            "or cells parted by semicolons"
        )
    if exact and len(cells) < len(headings):
        raise ResultsError(
            f"{file}, row {row}: it has {len(cells)} cells and the heading row {len(headings)}; "
            "accepted is a comma for every column, also for an empty cell at the end"
        )


class _Reader:
    """Reads rows; knows how to name the file, row and column in an error."""

    def __init__(
        self,
        file: str,
        session: Session,
        presses: Mapping[int, Press],
        found: list[Column],
        guarded: bool,
    ) -> None:
        self.file = file
        self.session = session
        self.presses = presses
        self.columns = sorted(found, key=lambda column: column.what != sheet_columns.PRESS)
        self.guarded = guarded
        self.refused: dict[int, str] = {}
        self.past: list[str] = []

    def row(self, number: int, cells: Sequence[Any]) -> SheetRow:
        said: dict[str, Any] = {}
        headings: dict[str, str] = {}
        typed: dict[str, ParsedNumber] = {}
        other: dict[str, str] = {}
        press: Press | None = None
        excluded: bool | str | None = None
        for column in self.columns:
            cell = cells[column.index] if column.index < len(cells) else None
            place = f"{self.file}, row {number}, column {column.heading!r}"
            if isinstance(cell, workbook_table.Unusable):
                raise ResultsError(
                    f"{place}: the value is {cell.what}, {fields.quoted(cell.shown)}; "
                    "accepted is a "
                    "plain value (copy it and paste as values only)"
                )
            if isinstance(cell, str) and self.guarded:
                cell = safe_text.unescape_formula(cell)
            with fields.at(place, ResultsError):
                if column.what == sheet_columns.PRESS:
                    press = self._press(cell)
                    continue
                if press is None or sheet_table.is_blank(cell):
                    continue
                if column.what == sheet_columns.SETTING:
                    self._same_setting(press, column, cell)
                elif column.what in (sheet_columns.FABRIC, sheet_columns.LOAD, sheet_columns.ROUND):
                    self._same(press, column.what, cell)
                elif column.what == sheet_columns.EXCLUDED:
                    excluded = typed_values.excluded(cell)
                elif column.what == sheet_columns.LOOK:
                    other[column.what] = _look(cell)
                elif column.what in (
                    sheet_columns.REASON,
                    sheet_columns.BY,
                    sheet_columns.BOOK_ENTRY,
                ):
                    other[column.what] = _line(cell, "one line of text")
                else:
                    result = self._told(column, cell)
                    if result is not None:
                        key = column.what + ("/" + column.name if column.name else "")
                        said[key], headings[key] = result, column.heading
            if column.what == sheet_columns.ACTUAL:
                self._judge(number, press, column, cell, said, typed)
        if press is not None and said:
            why = self.session.refusal(press.settings, press.fabric)
            if why:
                self.refused[press.press] = why
        if press is None:  # the columns always hold 'press', and a blank one is refused
            raise ResultsError(f"{self.file}, row {number}: no press number")
        if excluded is False:
            said[entries.EXCLUDED] = None
        elif excluded:
            reason = excluded if isinstance(excluded, str) else other.get(sheet_columns.REASON)
            said[entries.EXCLUDED] = reason or "marked in the sheet, no reason given"
        by, token = other.get(sheet_columns.BY, ""), other.get(sheet_columns.BOOK_ENTRY, "")
        look = other.get(sheet_columns.LOOK, "")
        return SheetRow(
            number, press.press, said, by, token, headings=headings, look=look, typed=typed
        )

    def _press(self, cell: Any) -> Press:
        try:
            press = self.presses.get(typed_values.whole(cell, "a whole number"))
        except ResultsError:
            press = None
        if press is None:
            known = sorted(self.presses)
            span = f"{known[0]} to {known[-1]}" if known else "none yet, add a plan first"
            content = "" if cell is None else cell
            raise typed_values.refusal_error(content, f"the number of a planned press ({span})")
        return press

    def _told(self, column: Column, cell: Any) -> Any:
        """Return the value of one field, None when the cell says that it is not known yet."""
        if column.what == sheet_columns.DEFECTS:
            return list(typed_values.defect_words(_text(cell))) or None
        if column.what in (sheet_columns.NOTE, sheet_columns.BLOCK):
            return typed_values.text(_text(cell), f"a {column.what}") or None
        if column.what == sheet_columns.GRADE:
            outcome = self.session.outcome(column.name)
            if typed_values.is_missing(cell):
                return None
            if column.unit != outcome.unit:
                read = units.convert(
                    typed_values.number(cell, column.unit), column.unit, outcome.unit
                )
                return typed_values.grade(outcome, round(read, 9))
            return typed_values.grade(outcome, _no_date(cell, outcome.accepted))
        factor = self.session.factor(column.name)
        if factor.is_numeric and typed_values.is_missing(cell):
            return None
        return typed_values.reading(factor, _no_date(cell, "a number"), column.unit)

    def _same_setting(self, press: Press, column: Column, cell: Any) -> None:
        factor = self.session.factor(column.name)
        planned = press.settings[factor.name]
        if not factor.is_numeric:
            same = typed_values.reading(factor, cell) == planned
        else:
            parsed = typed_values.parse_number(_no_date(cell, "a number"), column.unit)
            allowed = 1e-9 * max(1.0, abs(planned))
            if parsed.unit != factor.unit:
                # 163 °C may stand for 325 °F: right to half of the last digit written.
                half = units.convert_difference(
                    0.5 * 10.0**-parsed.decimals, parsed.unit, factor.unit
                )
                allowed += half
            same = abs(parsed.in_unit(factor.unit) - planned) <= allowed
        if not same:
            raise ResultsError(
                f"the value is {fields.quoted(cell)}, and the plan says {factor.format(planned)} "
                f"for press {press.press}; accepted is the planned setting or blank. Write what "
                f"was really reached in a column '{factor.name}_actual'"
            )

    def _same(self, press: Press, what: str, cell: Any) -> None:
        planned: Any = getattr(press, what)
        same = (
            _line(cell, "a fabric").casefold() == planned.casefold()
            if what == sheet_columns.FABRIC
            else typed_values.whole(cell, "a whole number") == planned
        )
        if not same:
            raise ResultsError(
                f"the value is {fields.quoted(cell)}, and the plan says {planned} for press "
                f"{press.press}; accepted is what the plan says, or blank"
            )

    def _judge(
        self,
        number: int,
        press: Press,
        column: Column,
        cell: Any,
        said: Mapping[str, Any],
        typed: dict[str, ParsedNumber],
    ) -> None:
        """Refuse an impossible reading; note a doubtful one, and one past the fabric's limit."""
        factor = self.session.factor(column.name)
        read = said.get(entries.ACTUAL + factor.name)
        if read is None or not factor.is_numeric:
            return
        place = f"row {number}, column {column.heading!r}"
        try:
            plausible.physical(factor, read)
        except ResultsError as error:
            raise ResultsError(f"{self.file}, {place}: {error}") from None
        parsed = typed_values.parse_number(cell, column.unit or factor.unit)
        typed[entries.ACTUAL + factor.name] = parsed
        if plausible.past_limit(self.session, press.fabric, factor, read):
            limit = self.session.fabric(press.fabric).limit_in(factor.unit)
            self.past.append(
                f"{place}: {factor.format(read)} on {press.fabric}, which takes "
                f"{factor.format(limit)}"
            )

    def judged(self) -> Iterator[str]:
        """Yield a line for each press planned past a limit and each reading past one.

        All are stored.
        """
        if self.refused:
            text = "; ".join(f"press {press}: {why}" for press, why in self.refused.items())
            yield f"{self.file}: kept, and planned past what the fabric takes: {text}"
        if self.past:
            yield (
                f"{self.file}: kept, and past what the fabric takes: {'; '.join(self.past)}. Look "
                "those garments over for scorch, shine and bleeding dye, and measure the press"
            )


def _one_row_per_press(file: str, rows: Iterable[SheetRow]) -> list[SheetRow]:
    """Of several rows for one press, all but one must say why they do not count.

    Those come back as spoiled. Where every row says why, the last one is the press.
    """
    grouped: dict[int, list[SheetRow]] = {}
    for row in rows:
        grouped.setdefault(row.press, []).append(row)
    sorted_out = []
    for press, group in grouped.items():
        counting = [row for row in group if row.said.get(entries.EXCLUDED) is None]
        if len(counting) > 1:
            raise ResultsError(
                f"{file}, row {counting[1].number}, column 'press': the value is {press}, which "
                f"stands in row {counting[0].number} already; accepted is one row per press. If "
                "it was pressed twice, say in a column 'excluded' why one of them does not count"
            )
        kept = counting[0] if counting else group[-1]
        sorted_out += [replace(row, spoiled=row is not kept) for row in group]
    return sorted_out


def _look(cell: Any) -> str:
    try:
        return cure_look.parse_look(cell)
    except ValueError:
        raise typed_values.refusal_error(cell, cure_look.ACCEPTED) from None


def _line(cell: Any, what: str) -> str:
    return typed_values.one_line(_text(cell), what)


def _text(cell: Any) -> str:
    """Return a cell of a text column as text: 5.0 is "5", a date its usual form."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(fields.int_if_whole(cell))
    return cell.isoformat() if isinstance(cell, (date, time)) else str(cell)


def _no_date(cell: Any, accepted: str) -> Any:
    if isinstance(cell, (date, time)):
        raise typed_values.refusal_error(
            cell.isoformat(),
            f"{accepted}; the spreadsheet has made a date of what was typed, so set the cell to "
            "text or number and type it again",
        )
    return cell
