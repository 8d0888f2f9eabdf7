"""Daily counts of pressed and failed garments, one line a day and fabric, kept in the journal.

A later line for the same day and fabric takes the place of the earlier one; both stay in the file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entries, entry_fields, imports, journal, typed_values
from dtfexp.book.tables import sheet_table, workbook_table
from dtfexp.book.tables.imported import ColumnTold, Imported, filled, unknown_columns
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError, ResultsError
from dtfexp.dialin.signs.defect_words import defect_counts

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session

KIND = "count"
COLUMNS = ("day", "fabric", "pressed", "failed", "warm_up", "symptoms", "note", "by")
_MOST = 1_000_000
_SHEET = ("day", "fabric", "pressed", "failed", "warm up", "symptoms", "note")
_NEEDED = ("day", "pressed", "failed")


def keep_count(
    bench: journal.BenchOwner,
    fabric: str,
    pressed: object,
    failed: object,
    *,
    day: object = None,
    symptoms: Mapping[str, int] | str = "",
    warm_up: bool = False,
    note: str = "",
    by: str = "",
    id: str | None = None,
) -> str:
    """Note the garments of today, or of ``day``, of one fabric; returns the note's id.

    ``symptoms`` tells how many garments showed what ("grainy underside: 3; bubbles: 1").
    ``warm_up`` days are kept and do not count.  Raises ``LogbookError`` in one line.
    """
    today = bench.now().date()
    content = checked_count(
        bench.book.session, day or today, fabric, pressed, failed, symptoms, warm_up, note, today
    )
    return bench.book.keep(KIND, content, by=by, id=id)


def checked_count(
    session: Session,
    day: object,
    fabric: str,
    pressed: object,
    failed: object,
    symptoms: Mapping[str, int] | str,
    warm_up: bool,
    note: str,
    today: date,
) -> dict[str, Any]:
    """One day's count, checked, as it is kept."""
    when = entry_fields.day("count: the day", day, today)
    with fields.at(f"count of {when}", LogbookError):
        name = session.fabric(fabric).name
    place = f"count of {when}, {name}"
    made = _whole(place, "pressed", pressed, _MOST)
    bad = _whole(place, "failed", failed, made)
    said: dict[str, Any] = {"day": when, "fabric": name, "pressed": made, "failed": bad}
    seen = defect_counts(symptoms)
    for word, number in seen.items():
        if not 0 <= number <= bad:
            raise LogbookError(
                f"{place}: {word!r} has {number} garments; {bad} failed, so it must be 0 to {bad}"
            )
    if seen:
        said["symptoms"] = seen
    if warm_up:
        said["warm_up"] = True
    if note.strip():
        said["note"] = entry_fields.line(f"{place}: note", note)
    return said


def frame(bench: journal.BenchOwner) -> pd.DataFrame:
    """Return one row per day and fabric in the order of the days, as ``watch`` takes it.

    ``day``, ``fabric``, ``pressed``, ``failed``, ``warm_up`` (bool), ``symptoms`` (text), ``note``,
    ``by``.
    """
    import pandas as pd

    rows = []
    for note in _current_notes(bench.book.kept(KIND)).values():
        row = dict(note.said) | {"by": note.by}
        row["symptoms"] = "; ".join(f"{w}: {n}" for w, n in row.get("symptoms", {}).items())
        row["warm_up"] = bool(row.get("warm_up", False))
        rows.append({"note": ""} | row)
    found = pd.DataFrame(rows, columns=list(COLUMNS))
    return found.sort_values(["day", "fabric"], ignore_index=True)


def import_sheet(bench: journal.BenchOwner, path: str | PathLike[str], *, by: str = "") -> Imported:
    """Import a sheet (.csv or .xlsx) of daily counts, all rows or none, in one write.

    Returns the import, with the new lines as ``added``. Columns ``day``, ``pressed``, ``failed``,
    ``fabric`` (may be absent with one fabric), and optionally ``warm up``, ``symptoms`` and
    ``note``. Raises ``ResultsError`` naming file and row.
    """
    book, path = bench.book, Path(path)
    sheet = sheet_table.from_headings(path, sheet_table.read(path, _recognise), _recognise)
    (first, head), *rows = sheet.rows
    columns = _columns(f"{path.name}, row {first}", head)
    sheet_table.refuse_merged(path.name, sheet, list(columns.values()))
    found: dict[tuple[str, str], tuple[int, dict[str, Any]]] = {}
    for number, cells in rows:
        row = {name: cells[k] if k < len(cells) else None for name, k in columns.items()}
        with fields.at(f"{path.name}, row {number}", ResultsError):
            content = _row(book.session, row, bench.now().date())
        key = (content["day"], content["fabric"])
        if key in found:
            raise ResultsError(
                f"{path.name}, row {number}: {key[1]} has {key[0]} twice, in row {found[key][0]} "
                "already; one line a day"
            )
        found[key] = (number, content)
    standing = {key: note.said for key, note in _current_notes(book.kept(KIND)).items()}
    new = [
        (number, content)
        for key, (number, content) in found.items()
        if standing.get(key) != content
    ]
    made = imports.Made(
        path.name, sheet.digest, sheet.title,
        notes={entries.new_id(): number for number, _ in new},
        columns={name: str(head[k]) for name, k in columns.items()},
    )  # fmt: skip
    notes: list[tuple[str, Mapping[str, Any], str | None]] = [
        (KIND, content, id) for id, (_, content) in zip(made.notes, new, strict=True)
    ]
    if made.anything:
        notes.append((imports.KIND, made.said, None))
    ids = book.keep_all(notes, by=by)
    left_out = unknown_columns(sheet, list(columns.values()))
    remarks = list(sheet.remarks)
    if left_out:
        told_of = ", ".join(repr(column.heading) for column in left_out)
        remarks.append(
            f"{path.name}: these columns are not known and were left out: {told_of}; a sheet of "
            f"counts has {', '.join(_SHEET)}"
        )
    read = [
        ColumnTold(
            str(head[k]),
            name,
            filled(sheet, k),
            sum(name.replace(" ", "_") in content for _, content in new),
        )
        for name, k in columns.items()
    ]
    return Imported(
        len(rows), len(new), len(rows) - len(new), 0, tuple(remarks), ids[-1] if ids else "",
        path.name, sheet.digest, sheet.title, sheet.others, (*read, *left_out),
    )  # fmt: skip


def _columns(place: str, head: Sequence[Any]) -> dict[str, int]:
    """Return the known columns by name, each with its place (from 0)."""
    columns: dict[str, int] = {}
    for k, cell in enumerate(head):
        name = _heading(cell)
        if name in columns:
            raise ResultsError(
                f"{place}: column {name!r} is given twice, as the columns {columns[name] + 1} and "
                f"{k + 1}; keep one of them"
            )
        if name in _SHEET:
            columns[name] = k
    for needed in _NEEDED:
        if needed not in columns:
            raise ResultsError(
                f"{place}: column {needed!r} is missing; a sheet of counts has {', '.join(_SHEET)}"
            )
    return columns


def _row(session: Session, row: Mapping[str, Any], today: date) -> dict[str, Any]:
    for name, cell in row.items():
        if isinstance(cell, workbook_table.Unusable):
            raise ResultsError(f"column {name!r}: {cell.what} {cell.shown}; type the value")
    fabric = row.get("fabric")
    if sheet_table.is_blank(fabric) and len(session.fabrics) == 1:
        fabric = session.fabrics[0].name
    flag = row.get("warm up")
    warm_up = False if sheet_table.is_blank(flag) else fields.yes_or_no(flag)
    if warm_up is None:
        raise fields.refusal("column 'warm up'", flag, 'yes or no', ResultsError)  # fmt: skip
    day = row.get("day")
    texts = {name: "" if sheet_table.is_blank(row.get(name)) else str(row[name]) for name in
             ("symptoms", "note")}  # fmt: skip
    return checked_count(
        session,
        day.date() if isinstance(day, datetime) else day,
        fabric if isinstance(fabric, str) else str(fabric or ""),
        row.get("pressed"),
        row.get("failed"),
        texts["symptoms"],
        warm_up,
        texts["note"],
        today,
    )


def _current_notes(notes: Iterable[journal.Note]) -> dict[tuple[str, str], journal.Note]:
    """Return the last note of every day and fabric."""
    return {(n.said["day"], n.said["fabric"]): n for n in notes}


def _whole(place: str, name: str, value: object, most: int) -> int:
    accepted = f"a whole number, 0 to {most}"
    with fields.at(f"{place}, {name}", LogbookError):
        number = typed_values.whole(value, accepted)
    if 0 <= number <= most:
        return number
    raise fields.refusal(f"{place}, {name}", value, accepted, LogbookError)


def _heading(cell: object) -> str:
    return " ".join(str(cell or "").replace("_", " ").split()).casefold()


def _recognise(cells: Sequence[Any]) -> int:
    return sum(_heading(cell) in _SHEET for cell in cells)
