"""Imports as the book remembers them: which file and row each entry came from, and taking one back.

An import that added anything keeps one note: the file's name and SHA-256, the sheet, and the row of
every entry and note that it made. Taken back, whatever still holds of it is put back to what held
before, by further entries; nothing is removed, and the same sheet may be imported again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entries, journal
from dtfexp.book.store.entries import Entry
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    from datetime import datetime

    import pandas as pd

    from dtfexp.describe.session import Session

KIND = "import"


@dataclass
class Made:
    """The records of one import: rows of entries and notes by id, and headings of fields."""

    file: str
    digest: str
    sheet: str = ""
    entries: dict[str, int] = field(default_factory=dict)
    notes: dict[str, int] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)

    @property
    def said(self) -> dict[str, Any]:
        """What the import's note says."""
        return asdict(self)

    @property
    def anything(self) -> bool:
        """Whether the import added anything to the book."""
        return bool(self.entries or self.notes)


def keep(connection: sqlite3.Connection, made: Made, at: datetime, by: str) -> str:
    """Keep the note of an import; its id, "" for one that added nothing."""
    if not made.anything:
        return ""
    note = journal.Note(entries.new_id(), KIND, made.said, at, by)
    journal.append(connection, note)
    return note.id


def places(notes: Iterable[journal.Note]) -> dict[str, str]:
    """Entry id -> where it came from, such as "grades.xlsx, sheet 'May', row 3"."""
    found: dict[str, str] = {}
    files: dict[str, str] = {}
    for note in notes:
        if note.kind != KIND:
            continue
        back = note.said.get(journal.RETRACTION)
        if back is not None:
            text = f"import of {files.get(str(back), 'a sheet')} taken back"
            found |= dict.fromkeys(note.said.get("entries", {}), text)
            continue
        files[note.id] = str(note.said["file"])
        sheet = f", sheet {note.said['sheet']!r}" if note.said.get("sheet") else ""
        for entry, row in note.said["entries"].items():
            found[entry] = f"{note.said['file']}{sheet}, row {row}"
    return found


def frame(notes: Iterable[journal.Note]) -> pd.DataFrame:
    """Return one row per import.

    ``import`` (its id), ``file``, ``sheet``, ``digest`` (SHA-256), ``time`` (with zone), ``by``,
    ``added`` (entries and notes), ``taken_back`` (True when it was).
    """
    import pandas as pd

    found = [note for note in notes if note.kind == KIND]
    gone = {note.said[journal.RETRACTION] for note in found if journal.RETRACTION in note.said}
    rows = []
    for note in (one for one in found if journal.RETRACTION not in one.said):
        sheet = [note.said[name] for name in ("file", "sheet", "digest")]
        added = len(note.said["entries"]) + len(note.said["notes"])
        rows.append((note.id, *sheet, note.at, note.by, added, note.id in gone))
    columns = ["import", "file", "sheet", "digest", "time", "by", "added", "taken_back"]
    return pd.DataFrame(rows, columns=columns)


def take_back(
    connection: sqlite3.Connection, session: Session, which: str | None, at: datetime, by: str
) -> int:
    """Take back one import; return how many entries and notes that took.

    The named one (by its id or file, of several the last), or the last of all.

    Raises ``LogbookError`` when there is none.
    """
    notes = journal.read(connection, KIND)
    standing = journal.current_notes(notes)
    found = [one for one in standing if which in (None, one.id, one.said["file"])]
    if not found:
        known = ", ".join(dict.fromkeys(str(one.said["file"]) for one in standing))
        named = "" if which is None else f" {fields.quoted(which)}"
        raise LogbookError(
            f"no import{named} stands in this book; accepted is the id or the file of one: "
            f"{known or 'there is none'}"
        )
    note = found[-1]
    # What was taken back before holds no more than this one does, nor does what that took.
    others = {one.id for one in standing} - {note.id}
    gone = {id for one in notes if one.id not in others for id in one.said.get("entries", {})}
    made = set(note.said["entries"])
    corrected: dict[str, int] = {}
    history = list(entries.read(connection, session))
    for press in sorted({one.press for one in history if one.id in made}):
        said = _put_back([one for one in history if one.press == press], gone).get(press, {})
        if said:
            key = entries.derived_id("import taken back", note.id, press)
            entries.append(
                connection, Entry(key, press, entries.RECORD, said, entries.SHEET, at, by)
            )
            corrected[key] = 0
    for id in note.said["notes"]:
        old = journal.of_id(connection, id)
        journal.retract(connection, old, at, by)
    journal.retract(connection, note, at, by, entries=corrected)
    return len(corrected) + len(note.said["notes"])


def _put_back(history: list[Entry], gone: set[str]) -> dict[int, dict[str, Any]]:
    """Press -> the fields that make it what it would be had ``gone`` never been written."""
    now = entries.current(history)
    before = entries.current(entry for entry in history if entry.id not in gone)
    changed: dict[int, dict[str, Any]] = {}
    for press, held in now.items():
        was = before.get(press, {})
        names = sorted({*held, *was})
        fields_ = {name: was.get(name) for name in names if held.get(name) != was.get(name)}
        if fields_:
            changed[press] = fields_
    return changed
