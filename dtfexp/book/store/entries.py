"""Entries: what was said about a press, by whom and when. Appended, never changed.

An entry says one or more *fields*: a grade, a reading, the defects, the note, the block, or why
the press is excluded. A later entry that says a field again supersedes the earlier one; a field
said as None is taken back. Saying nothing about a field leaves it as it was.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import chain, typed_values
from dtfexp.describe.errors import DtfexpError, LogbookError

if TYPE_CHECKING:
    from dtfexp.describe.session import Session

# The field names as they stand in the file. A grade and a reading carry a name after the slash.
GRADE = "grade/"
ACTUAL = "actual/"
DEFECTS = "defects"
NOTE = "note"
BLOCK = "block"
EXCLUDED = "excluded"

#: Why a press is excluded whose plan was taken back before it was pressed.
PLAN_TAKEN_BACK = "its plan was taken back"

RECORD = "record"
#: A try that went wrong and was made again: kept, never counted.
SPOILED = "spoiled"
#: From here on the press is made again: what was said before is kept, and counts no more.
REDO = "redo"

BENCH = "bench"
SHEET = "sheet"

Fields = Mapping[str, Any]


@dataclass(frozen=True)
class Entry:
    """One row of the book's memory. ``seq`` is its order of arrival, 0 before it is written."""

    id: str
    press: int
    kind: str
    said: Fields
    source: str
    at: datetime
    by: str
    seq: int = 0


def new_id() -> str:
    """Return an id for an entry whose maker gives none."""
    return uuid.uuid4().hex


def as_text(value: object) -> str:
    """``value`` as JSON, the same value always as the same text."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def derived_id(*parts: object) -> str:
    """Return an id worked out from contents, so that the same contents are kept once."""
    return hashlib.sha256(as_text(parts).encode("utf-8", "surrogatepass")).hexdigest()[:32]


def append(connection: sqlite3.Connection, entry: Entry) -> bool:
    """Write ``entry``; False when that very entry is there already.

    Raises ``LogbookError`` when the id is taken by an entry that says something else.
    """
    row = {"id": entry.id, "press": entry.press, "kind": entry.kind}
    row |= {"said": as_text(dict(entry.said)), "source": entry.source}
    row |= {"at": entry.at.isoformat(), "by": entry.by}
    told_apart = ("press", "kind", "said")
    return chain.append(connection, "entries", row, told_apart, f"press {entry.press}", "entry")


def is_there(connection: sqlite3.Connection, id: str) -> bool:
    """Whether the book holds an entry of that id."""
    return connection.execute("SELECT 1 FROM entries WHERE id = ?", (id,)).fetchone() is not None


def read(
    connection: sqlite3.Connection, session: Session, press: int | None = None
) -> Iterator[Entry]:
    """All entries, or those of one press, in order of arrival.

    ``LogbookError`` names the entry that says what the session does not accept: a file that comes
    from elsewhere may hold anything.
    """
    query = "SELECT id, press, kind, said, source, at, by, seq FROM entries"
    if press is None:
        rows = connection.execute(query + " ORDER BY seq")
    else:
        rows = connection.execute(query + " WHERE press = ? ORDER BY seq", (press,))
    accepted: set[tuple[str, Any]] = set()
    for key, number, kind, said, source, at, by, seq in rows:
        try:
            fields, moment = json.loads(said), datetime.fromisoformat(at)
            if kind not in (RECORD, SPOILED, REDO):
                raise LogbookError(f"its kind is {kind!r}")
            for field, value in fields.items():
                if field == DEFECTS:
                    _require_words(value)
                elif (field, value) not in accepted:
                    _require_accepted(session, field, value)
                    accepted.add((field, value))
        except (ValueError, TypeError, AttributeError, DtfexpError) as error:
            text = " ".join(str(error).split())
            raise LogbookError(f"entry {seq} (press {number}): {text}") from None
        yield Entry(key, number, kind, fields, source, moment, by, seq)


def _require_accepted(session: Session, field: str, value: object) -> None:
    head, slash, name = field.partition("/")
    if value is None:
        return
    if head + slash == GRADE:
        typed_values.grade(session.outcome(name), value)
    elif head + slash == ACTUAL:
        typed_values.reading(session.factor(name), value)
    elif field not in (NOTE, BLOCK, EXCLUDED) or not isinstance(value, str):
        raise LogbookError(f"it says {field!a}: {value!a:.60}, which no logbook writes")


def _require_words(value: object) -> None:
    words = value if isinstance(value, list) else [None]
    if value is not None and not all(isinstance(word, str) for word in words):
        raise LogbookError(f"its defects are {value!a:.60}; accepted is a list of words")


def current(entries: Iterable[Entry]) -> dict[int, dict[str, Any]]:
    """Return what holds now: press -> field -> value, the latest word on every field.

    A press about which anything was ever said has a key, even when nothing holds any more.
    """
    state: dict[int, dict[str, Any]] = {}
    for entry in entries:
        fields = state.setdefault(entry.press, {})
        if entry.kind == REDO:
            fields.clear()
        elif entry.kind == RECORD:
            fields.update(entry.said)
    return {
        press: {field: value for field, value in fields.items() if value is not None}
        for press, fields in state.items()
    }


def undo_fields(entries: Iterable[Entry]) -> dict[str, Any]:
    """Return the fields that put one press back to before its last entry; {} when it has none.

    Given as the fields of a further entry: undoing twice brings the last entry back.
    """
    counted = [entry for entry in entries if entry.kind in (RECORD, REDO)]
    if not counted:
        return {}
    last = counted[-1]
    before = current(counted[:-1]).get(last.press, {})
    if last.kind == REDO:
        return {EXCLUDED: None, **before}
    return {field: before.get(field) for field in last.said}
