"""Opening a logbook file: nothing of it is believed, or run, before it was looked through.

In this order: is it a plain SQLite file; is it a logbook, and of which layout; are its tables,
indexes and triggers those of that layout; is it whole to SQLite; does every record still fit its
link of the chain. Only then is its session read.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from dtfexp.book.store import chain, schema, store
from dtfexp.describe.errors import LogbookError, SessionError
from dtfexp.describe.session import Session

#: No honest logbook takes as long to look through.
LONGEST_SECONDS = 60.0


def opened(path: Path, now: datetime) -> tuple[sqlite3.Connection, Session]:
    """Return a connection to the logbook at ``path`` and its session, all of it checked.

    A file of an older layout is copied beside itself and brought up to date. ``LogbookError`` in
    one line for what is no logbook, is damaged, or was altered by another program.
    """
    store.check_header(path)
    connection = store.connect(path)
    try:
        with store.at_most(connection, LONGEST_SECONDS):
            schema.check_kind(path, connection, schema.STEPS)
            found = [damage.text for damage in damages(path, connection)]
            if found:
                raise store.Damaged(path, found)
            schema.migrate(path, connection, now, schema.STEPS)
        return connection, session_of(path, connection)
    except BaseException:
        connection.close()
        raise


def made(path: Path, now: datetime, book: tuple[str, str, str, str]) -> sqlite3.Connection:
    """Return a connection to a new logbook at ``path``; ``book`` is its row of that table."""
    store.create_empty_file(path)
    try:
        connection = store.connect(path)
        try:
            schema.create(path, connection, now, book)
        except BaseException:
            connection.close()
            raise
    except BaseException:
        # It was made a moment ago by this call and holds nothing.
        with suppress(OSError):
            path.unlink()
        raise
    return connection


def damages(path: Path, connection: sqlite3.Connection, most: int = 1) -> list[chain.Damage]:
    """Return what is wrong with layout, file or chain.

    A later part is checked when the earlier ones are sound. ``most``: lines of SQLite's own check.
    """
    with one_view(path, connection):
        found = schema.strange_parts(connection, schema.STEPS[: schema.version(connection)])
        found = found or store.broken_parts(connection, most)
        if found:
            return [chain.Damage("", 0, text) for text in found]
        return chain.damages(connection) if schema.version(connection) >= schema.CHAIN else []


def session_of(path: Path, connection: sqlite3.Connection) -> Session:
    """Return the session that a logbook was made for."""
    try:
        row = connection.execute("SELECT session FROM book").fetchone()
    except store.ERRORS as error:
        raise store.error_line(path, error) from error
    if row is None:
        raise LogbookError(
            f"{path} holds no session: its making was cut off; delete it and make it again"
        )
    try:
        return Session.from_toml(row[0], strict=False)
    except SessionError as error:
        raise LogbookError(f"{path}: its session cannot be read ({error})") from None


@contextmanager
def one_view(path: Path, connection: sqlite3.Connection) -> Iterator[None]:
    """Read inside the block what stood in the file at one moment."""
    try:
        connection.execute("BEGIN")
        yield
    except store.ERRORS as error:
        raise store.error_line(path, error) from error
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
