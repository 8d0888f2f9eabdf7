"""All that can be found wrong with a logbook, for people: damage by record, odd contents, photos.

Opening a book looks at its layout, the file and the chain. A check also reads every record against
the session and every photo against its name, and changes nothing.
"""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from dtfexp.book.store import archive, chain, journal, opening, photos, schema, store
from dtfexp.describe.errors import LogbookError
from dtfexp.describe.session import Session

_MOST_LINES = 100


def check(path: Path, readable: Callable[[Path], object]) -> list[str]:
    """Return what is wrong with the logbook at ``path``, one line each; [] when it is sound.

    ``readable`` opens a copy and reads all of it. ``LogbookError`` for what is no logbook, or
    cannot be read at all.
    """
    store.check_header(path)
    try:
        with closing(store.connect(path)) as connection:
            with store.at_most(connection, opening.LONGEST_SECONDS):
                schema.check_kind(path, connection, schema.STEPS)
                damages = opening.damages(path, connection, _MOST_LINES)
            if damages:
                return [damage.text for damage in damages]
            with opening.one_view(path, connection):
                found = list(_faults(path, connection))
            return found or _unreadable(path, connection, readable)
    except store.Damaged as error:
        return error.found


def _unreadable(
    path: Path, connection: sqlite3.Connection, readable: Callable[[Path], object]
) -> list[str]:
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / path.name
        store.copy(path, connection, copy)
        fault = archive.unreadable(readable, copy)
    return [fault] if fault else []


def _faults(path: Path, connection: sqlite3.Connection) -> Iterator[str]:
    try:
        session: Session | None = opening.session_of(path, connection)
    except LogbookError as error:
        session = None
        yield str(error)
    for table in chain.RECORDS:
        if table == "journal" and schema.version(connection) < schema.JOURNAL:
            continue
        for row in connection.execute(chain.query(table)):
            fault = record_fault(session, table, row[1:])
            if fault:
                yield f"{chain.name_of(table, row[0], row[1:])}{fault}"
    yield from lost_photos(path, connection)


def record_fault(session: Session | None, table: str, row: tuple[object, ...]) -> str:
    """Return what is wrong with one record, as the end of a line; "" when nothing is."""
    try:
        unpacked = archive.unpacked(table, row)
    except (ValueError, TypeError, RecursionError):
        return ": its text is not what a logbook writes"
    return archive.row_fault(session, table, unpacked)


def lost_photos(path: Path, connection: sqlite3.Connection) -> Iterator[str]:
    """One line for each photo that the book names and its folder does not hold as it was kept."""
    if schema.version(connection) < schema.JOURNAL:
        return
    folder = photos.photo_folder_of_path(path)
    for name in photos.named(note.said for note in journal.read(connection, photos.KIND)):
        try:
            photos.read_named(folder / name)
        except LogbookError as error:
            yield str(error)
