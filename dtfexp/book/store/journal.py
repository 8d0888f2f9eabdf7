"""The journal: what is kept about the bench, its materials and its room rather than of one press.

A note has a *kind* (a platen map, a lot, a reading of the room, a watch count …) and says a JSON
object. Notes are appended and never changed. A note that was wrong is taken back by a further
one, and both stay in the file. What a note of one kind must say is checked by the module of that
kind, before it comes here.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

from dtfexp.book.store import chain, entries
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from dtfexp.describe.session import Session

_KIND = re.compile(r"[a-z][a-z0-9]*([ _-][a-z0-9]+)*")
_LONGEST_KIND = 40
_SELECT = "SELECT id, kind, said, at, by, seq FROM journal"
#: The one thing a note says that takes an earlier note back: that note's id.
RETRACTION = "takes_back"


@dataclass(frozen=True)
class Note:
    """One row of the journal. ``seq`` is its order of arrival, 0 before it is written."""

    id: str
    kind: str
    said: Mapping[str, Any]
    at: datetime
    by: str
    seq: int = 0


class JournalOwner(Protocol):
    """What keeping a note needs of a logbook."""

    @property
    def session(self) -> Session: ...

    def keep(
        self, kind: str, said: Mapping[str, Any], *, by: str = "", id: str | None = None
    ) -> str: ...

    def keep_all(
        self, notes: Iterable[tuple[str, Mapping[str, Any], str | None]], *, by: str = ""
    ) -> list[str]: ...

    def kept(self, kind: str | None = None) -> list[Note]: ...


class BenchBook(JournalOwner, Protocol):
    """What a bench needs of its logbook."""

    @property
    def path(self) -> Path: ...

    def runs(self) -> pd.DataFrame: ...

    def results(self) -> pd.DataFrame: ...

    def waiting(self) -> pd.DataFrame: ...

    def history(self, press: int | None = None) -> pd.DataFrame: ...

    def take_back(self, note: str, *, by: str = "") -> None: ...


class BenchOwner(Protocol):
    """What the module of a kind needs of a bench; its functions are the methods of ``Bench``."""

    @property
    def book(self) -> BenchBook: ...

    def now(self) -> datetime: ...


def kind_of(value: object) -> str:
    """``value`` as a kind: lower-case words, at most 40 characters."""
    if isinstance(value, str) and len(value) <= _LONGEST_KIND and _KIND.fullmatch(value):
        return value
    raise LogbookError(
        f"kind is {fields.quoted(value)}; a kind is lower-case words, such as 'platen map', at "
        f"most {_LONGEST_KIND} characters"
    )


def as_json(kind: str, said: object) -> str:
    """Return what is said as JSON text, the same value always as the same text."""
    try:
        if isinstance(said, Mapping) and said and all(isinstance(key, str) for key in said):
            text = json.dumps(
                dict(said),
                ensure_ascii=False,
                sort_keys=True,
                separators=(",", ":"),
                allow_nan=False,
            )
            text.encode("utf-8")
            return text
    except (TypeError, ValueError, RecursionError):
        pass
    raise LogbookError(
        f"{kind}: it says {fields.quoted(said)}; accepted names with text, finite numbers, "
        "yes or no, and lists of these"
    )


def append(connection: sqlite3.Connection, note: Note) -> bool:
    """Write ``note``; False when that very note is there already.

    Raises ``LogbookError`` when the id is taken by a note that says something else.
    """
    row = {"id": note.id, "kind": note.kind, "said": as_json(note.kind, note.said)}
    row |= {"at": note.at.isoformat(), "by": note.by}
    return chain.append(connection, "journal", row, ("kind", "said"), note.kind, "note")


def retract(connection: sqlite3.Connection, old: Note, at: datetime, by: str, **more: Any) -> None:
    """Take a note back by a further one, which may say ``more``."""
    said = {RETRACTION: old.id, **more}
    append(connection, Note(entries.derived_id("take back", old.id), old.kind, said, at, by))


def read(connection: sqlite3.Connection, *kinds: str) -> list[Note]:
    """All notes, or those of some kinds, in order of arrival."""
    wanted = f"WHERE kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
    return [_note(row) for row in connection.execute(f"{_SELECT} {wanted} ORDER BY seq", kinds)]


def current_notes(notes: Iterable[Note]) -> list[Note]:
    """Return the notes that hold: neither taken back nor themselves a taking back."""
    found = list(notes)
    gone = {note.said[RETRACTION] for note in found if RETRACTION in note.said}
    return [note for note in found if RETRACTION not in note.said and note.id not in gone]


def of_id(connection: sqlite3.Connection, id: str) -> Note:
    """Return the note of that id; ``LogbookError`` when there is none."""
    row = connection.execute(f"{_SELECT} WHERE id = ?", (id,)).fetchone()
    if row is None:
        raise LogbookError(
            f"id {fields.quoted(id)} is no note of this book; nothing was taken back"
        )
    return _note(row)


def _note(row: tuple[Any, ...]) -> Note:
    key, kind, said, at, by, seq = row
    try:
        content, moment = json.loads(said), datetime.fromisoformat(at)
        if not isinstance(content, dict):
            raise ValueError("it is no JSON object")
    except (ValueError, TypeError, RecursionError) as error:
        raise LogbookError(f"note {seq} ({kind}) cannot be read: {error}") from None
    return Note(key, kind, content, moment, by, seq)
