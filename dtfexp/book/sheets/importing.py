"""A results sheet taken into a logbook: all rows or none, and only what it newly says.

A sheet is imported again and again while wash grades come in, so what counts is what the sheet
says *that it had not said before*. For a field of a press, the sheet's word so far is the latest
that any sheet said; for a sheet that this book exported, at least what stood in the book then
(the column ``book_entry`` tells when that was). A cell that repeats that word adds nothing, even
if the book has been corrected since; a changed cell is appended as a correction.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import asked_readings, cure_looks
from dtfexp.book.sheets import sheet_columns, sheet_rows
from dtfexp.book.sheets.sheet_columns import Column
from dtfexp.book.sheets.sheet_rows import SheetRow
from dtfexp.book.store import entries, imports, journal, plausible, stored_plans
from dtfexp.book.store.entries import Entry
from dtfexp.book.tables import sheet_table
from dtfexp.book.tables.imported import ColumnTold, Imported, filled, unknown_columns
from dtfexp.describe import fields
from dtfexp.describe.errors import ResultsError
from dtfexp.dialin.encode import cure_look

if TYPE_CHECKING:
    from datetime import datetime

    from dtfexp.book.store.store import Store
    from dtfexp.describe.session import Session

#: What a column is read as, where it is not a setting of the plan.
_READ_AS = {
    sheet_columns.PRESS: "the number of the press",
    sheet_columns.GRADE: "grade of {}",
    sheet_columns.ACTUAL: "{} as reached",
    sheet_columns.BLOCK: "day, roll or lot",
    sheet_columns.EXCLUDED: "left out of the fit",
    sheet_columns.REASON: "why it is left out",
    sheet_columns.DEFECTS: "what was seen",
    sheet_columns.LOOK: "look of the oven load",
    sheet_columns.NOTE: "note",
    sheet_columns.BY: "who recorded it",
    sheet_columns.BOOK_ENTRY: "how old this sheet is",
}
#: So many doubtful readings are named in one line.
_MOST_TOLD = 6


def import_sheet(
    opened: Store, session: Session, file: Path, at: datetime, by: str, accept: bool = False
) -> Imported:
    """Import the sheet ``file``.

    Raises ``ResultsError`` (and writes nothing) for any wrong row, and, unless ``accept`` is on,
    for a new implausible reading.
    """
    recognise = sheet_columns.Headings(session).recognise
    sheet = sheet_table.from_headings(file, sheet_table.read(file, recognise), recognise)
    added = unchanged = 0
    with opened.reading() as connection:
        presses = {press.press: press for press in stored_plans.read_presses(connection)}
    found, columns, remarks = sheet_rows.read_rows(file, sheet, session, presses)
    made = imports.Made(
        file.name, sheet.digest, sheet.title,
        columns={_field(column): column.heading for column in columns if _field(column)},
    )  # fmt: skip
    new: Counter[str] = Counter()
    of_loads = _looks_of_sheet(file.name, found, presses)
    with opened.writing() as connection:
        mark = stored_plans.book_mark(connection)
        offsets = asked_readings.offsets(connection, session, presses)
        doubtful: list[str] = []
        replaced: list[str] = []
        known = cure_looks.looks(journal.read(connection, cure_looks.KIND))
        looked = dict(cure_looks.take_in(connection, mark, file.name, of_loads, at, by, remarks))
        added += len(looked)
        new[cure_look.COLUMN] = len(looked)
        row_of = {presses[row.press].oven_load: row.number for row in reversed(found) if row.look}
        made.notes |= {id: row_of[load] for load, id in looked.items()}
        spoiled, fresh = [row for row in found if row.spoiled], []
        for k, row in enumerate(spoiled):
            spoilt = _spoiled(mark, row, spoiled[:k], at, by)
            if entries.append(connection, spoilt):
                fresh.append(row)
                made.entries[spoilt.id] = row.number
                new.update(row.said.keys())
        for row in found:
            if row.spoiled:
                added, unchanged = added + (row in fresh), unchanged + (row not in fresh)
                continue
            entry = _new_fields(
                mark,
                list(entries.read(connection, session, row.press)),
                row,
                [other for other in fresh if other.press == row.press],
                _cured(session, presses[row.press], known),
                file.name,
                remarks,
                replaced,
            )
            if entry is None:
                unchanged += presses[row.press].oven_load not in looked
                continue
            added += 1
            said, number = entry
            key = entries.derived_id(mark, entries.SHEET, row.press, said, number)
            made.entries[key] = row.number
            new.update(said.keys())
            entries.append(
                connection,
                Entry(key, row.press, entries.RECORD, said, entries.SHEET, at, row.by or by),
            )
            doubts = list(_doubts(session, presses[row.press], row, said, offsets))
            asked_readings.keep(
                connection, row.press, key, (doubt for doubt, _ in doubts),
                f"kept, accepted for all of {file.name}", at, row.by or by,
            )  # fmt: skip
            doubtful += [f"{place}: {doubt.asked}" for doubt, place in doubts]
        if doubtful:
            named = _first_of(doubtful)
            if not accept:
                raise ResultsError(
                    f"{file.name}: hard to believe: {named} Nothing was taken in; write what was "
                    "meant into the cell, or accept all of them as written (dtfexp import "
                    "--accept, or accept=True)"
                )
            remarks.append(f"{file.name}: kept as written, though hard to believe: {named}")
        if replaced:
            remarks.append(
                f"{file.name}: what was recorded before is replaced, the history keeps both: "
                f"{_first_of(replaced)}"
            )
        id = imports.keep(connection, made, at, by)
    return Imported(
        len(found), added, unchanged, len(spoiled), tuple(remarks), id, file.name, sheet.digest,
        sheet.title, sheet.others, tuple(_columns_told(sheet, columns, new)),
    )  # fmt: skip


def _field(column: Column) -> str:
    """Return the field of an entry that a column says; "" for one that says none."""
    if column.what in (sheet_columns.GRADE, sheet_columns.ACTUAL):
        return f"{column.what}/{column.name}"
    own = (entries.DEFECTS, entries.NOTE, entries.BLOCK, entries.EXCLUDED, cure_look.COLUMN)
    return column.what if column.what in own else ""


def _columns_told(
    sheet: sheet_table.Table, columns: Sequence[Column], new: Mapping[str, int]
) -> Iterator[ColumnTold]:
    for column in sorted(columns, key=lambda one: one.index):
        read_as = _READ_AS.get(column.what, "compared with the plan")
        if column.what in (sheet_columns.GRADE, sheet_columns.ACTUAL):
            unit = f" in {column.unit}" if column.unit else ""
            read_as = f"{read_as.format(column.name)}{unit}"
        count = new.get(_field(column), 0) if _field(column) else 0
        yield ColumnTold(column.heading, read_as, filled(sheet, column.index), count)
    yield from unknown_columns(sheet, [column.index for column in columns])


def _doubts(
    session: Session,
    press: stored_plans.Press,
    row: SheetRow,
    said: Mapping[str, Any],
    offsets: Mapping[str, Sequence[float]],
) -> Iterator[tuple[asked_readings.Doubt, str]]:
    """Yield what of a row's news is hard to believe, and where it stands in the sheet."""
    for field, typed in row.typed.items():
        factor = session.factor(field.removeprefix(entries.ACTUAL))
        setting, known = float(press.settings[factor.name]), offsets.get(factor.name, ())
        if said.get(field) is None:
            continue
        found = plausible.reading_doubt(factor, setting, typed, known)
        if found is not None:
            place = f"row {row.number}, column {row.headings.get(field, field)!r}"
            yield asked_readings.Doubt(factor.name, found.question), place


def _first_of(lines: Sequence[str]) -> str:
    more = f"; and {len(lines) - _MOST_TOLD} more." if len(lines) > _MOST_TOLD else ""
    return "; ".join(lines[:_MOST_TOLD]) + more


def _spoiled(mark: str, row: SheetRow, before: Sequence[SheetRow], at: datetime, by: str) -> Entry:
    said = dict(row.said)
    same = sum(other.press == row.press and dict(other.said) == said for other in before)
    key = entries.derived_id(mark, entries.SPOILED, row.press, said, same)
    return Entry(key, row.press, entries.SPOILED, said, entries.SHEET, at, row.by or by)


def _new_fields(
    mark: str,
    history: Sequence[Entry],
    row: SheetRow,
    spoiled: Sequence[SheetRow],
    cured: Mapping[str, tuple[float, ...]],
    file: str,
    remarks: list[str],
    replaced: list[str],
) -> tuple[dict[str, Any], int] | None:
    """Return what the row newly says, and the last entry it was compared with.

    ``remarks`` and ``replaced`` are added to: what the book keeps against the sheet, and what the
    sheet replaces.
    """
    start = _known_up_to(mark, row.book_entry)
    base = entries.current(entry for entry in history if entry.seq <= start).get(row.press, {})
    word: dict[str, Any] = dict(base)
    for entry in history:
        if entry.seq > start and entry.source == entries.SHEET and entry.kind == entries.RECORD:
            word.update(entry.said)
    now = entries.current(history).get(row.press, {})
    said = {}
    for field, value in row.said.items():
        # A cure time that the book worked out itself is nobody's reading.
        if field not in word and value in cured.get(field, ()):
            continue
        if word.get(field) != value:
            said[field] = value
            # A sheet that corrects its own word says nothing surprising.
            if now.get(field) not in (None, value, word.get(field)):
                replaced.append(
                    f"row {row.number}, column {row.headings.get(field, field)!r}, press "
                    f"{row.press}: {fields.quoted(now[field])} is now {fields.quoted(value)}"
                )
        elif now.get(field) != value:
            remarks.append(
                f"{file}, row {row.number}, column {row.headings.get(field, field)!r}: the sheet "
                f"says {fields.quoted(value)} for press {row.press} as it did before; the book was "
                f"told {fields.quoted(now.get(field))} since and keeps that. Record it in the book "
                "if the sheet is right"
            )
    # A first try taken in earlier as if it counted must not lend its values to the second one.
    for other in spoiled:
        for field, value in other.said.items():
            if field != entries.EXCLUDED and field not in row.said and now.get(field) == value:
                said[field] = None
    if not said:
        return None
    return said, history[-1].seq if history else 0


def _cured(
    session: Session, press: stored_plans.Press, known: Mapping[int, cure_looks.Look]
) -> dict[str, tuple[float, ...]]:
    """Field of the cure time -> what the book has told of it, for a load that was cured on."""
    time = cure_look.cure_time(session)
    if time is None:
        return {}
    return {entries.ACTUAL + time.name: cure_looks.cured(session, press, known)}


def _known_up_to(mark: str, token: str) -> int:
    """Return the last entry known to the sheet; 0 for a sheet that is not from this book."""
    book, _, number = token.rpartition("-")
    return int(number) if book == mark and number.isascii() and number.isdigit() else 0


def sheet_tokens(mark: str, history: Sequence[Entry], presses: Mapping[int, Any]) -> dict[int, str]:
    """For every press, the word that ``_known_up_to`` reads back: this book, and its last entry."""
    last = dict.fromkeys(presses, 0) | {entry.press: entry.seq for entry in history}
    return {press: f"{mark}-{seq}" for press, seq in last.items()}


def _looks_of_sheet(
    file: str, rows: Sequence[SheetRow], presses: Mapping[int, stored_plans.Press]
) -> dict[int, tuple[str, str]]:
    """Look and recorder of each load that a sheet names; ``ResultsError`` where it gives two."""
    found: dict[int, SheetRow] = {}
    for row in rows:
        if not row.look or row.spoiled:
            continue
        load = presses[row.press].oven_load
        first = found.setdefault(load, row)
        if first.look != row.look:
            raise ResultsError(
                f"{file}, row {row.number}, column {cure_look.COLUMN!r}: the value is "
                f"{row.look!r} for oven load {load}, and row {first.number} says {first.look!r}; "
                "accepted is one look per load"
            )
    return {load: (row.look, row.by) for load, row in found.items()}
