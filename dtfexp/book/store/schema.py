"""The layout of a logbook file, as numbered steps from nothing to today.

``user_version`` of the file is the number of the last step done. Each step commits together with
its own line in the table ``layout``. Steps are only ever added at the end. Before a step touches
a file that holds something, the whole file is copied beside it through SQLite's backup interface.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from dtfexp.book.store import chain, store
from dtfexp.describe.errors import LogbookError

_MOST_STRANGE = 100

Step = tuple[str, Callable[[sqlite3.Connection], None]]

_FIRST = """
CREATE TABLE layout (
    step INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    at TEXT NOT NULL
);

CREATE TABLE book (
    id TEXT PRIMARY KEY NOT NULL,      -- random, made once; tells this book from any other
    session TEXT NOT NULL,             -- the session as TOML text
    at TEXT NOT NULL,
    by TEXT NOT NULL
);

CREATE TABLE plans (
    id TEXT PRIMARY KEY NOT NULL,      -- derived from the contents: the same plan has the same id
    seq INTEGER NOT NULL UNIQUE,
    design TEXT NOT NULL,
    seed INTEGER,
    reason TEXT NOT NULL,
    notes TEXT NOT NULL,               -- JSON list of sentences
    at TEXT NOT NULL,
    by TEXT NOT NULL
);

CREATE TABLE presses (
    press INTEGER PRIMARY KEY CHECK (press >= 1),
    plan TEXT NOT NULL REFERENCES plans (id),
    position INTEGER NOT NULL,         -- place in the running order of its plan, from 0
    fabric TEXT NOT NULL,
    oven_load INTEGER NOT NULL,
    press_round INTEGER NOT NULL,
    settings TEXT NOT NULL,            -- JSON: factor -> number or word
    extra TEXT NOT NULL                -- JSON: any further column of the plan
);

CREATE TABLE entries (
    id TEXT PRIMARY KEY NOT NULL,      -- made by whoever records: saved twice, it is there once
    seq INTEGER NOT NULL UNIQUE,       -- the order of arrival, from 1
    press INTEGER NOT NULL REFERENCES presses (press),
    kind TEXT NOT NULL,                -- record, spoiled, redo
    said TEXT NOT NULL,                -- JSON: field -> value; null takes a value back
    source TEXT NOT NULL,              -- bench or sheet
    at TEXT NOT NULL,                  -- ISO 8601 with the offset from UTC
    by TEXT NOT NULL
);

CREATE INDEX entries_of_press ON entries (press, seq);

CREATE TABLE exports (                 -- fingerprints of sheets written, to spot one edited since
    fingerprint TEXT PRIMARY KEY NOT NULL,
    name TEXT NOT NULL,
    at TEXT NOT NULL
);
"""

_JOURNAL = """
CREATE TABLE journal (
    id TEXT PRIMARY KEY NOT NULL,      -- made by whoever keeps it: saved twice, it is there once
    seq INTEGER NOT NULL UNIQUE,       -- the order of arrival, from 1
    kind TEXT NOT NULL,                -- platen map, lot, room, …
    said TEXT NOT NULL,                -- JSON object
    at TEXT NOT NULL,                  -- ISO 8601 with the offset from UTC
    by TEXT NOT NULL
);

CREATE INDEX journal_of_kind ON journal (kind, seq);
"""


_CHAIN = """
CREATE TABLE chain (
    link INTEGER PRIMARY KEY,          -- from 1, without a gap
    record TEXT NOT NULL,              -- the table of the record
    number INTEGER NOT NULL,           -- its number there
    digest BLOB NOT NULL,              -- over the digest before, the table and the row
    UNIQUE (record, number)
);
"""


def _create(connection: sqlite3.Connection) -> None:
    _create_file(connection, _FIRST)
    _immutability_triggers(connection, "entries", "presses", "plans", "layout", "book")


def _add_journal(connection: sqlite3.Connection) -> None:
    _create_file(connection, _JOURNAL)
    _immutability_triggers(connection, "journal")


def _add_chain(connection: sqlite3.Connection) -> None:
    _create_file(connection, _CHAIN)
    _immutability_triggers(connection, "chain")
    chain.extend_over_all(connection)


def _create_file(connection: sqlite3.Connection, statements: str) -> None:
    for statement in statements.split(";\n\n"):
        connection.execute(statement)


def _immutability_triggers(connection: sqlite3.Connection, *tables: str) -> None:
    for table in tables:
        for verb in ("UPDATE", "DELETE"):
            connection.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table}: what is recorded is never changed'); END"
            )


STEPS: tuple[Step, ...] = (
    ("create the logbook", _create),
    ("a journal of bench and room", _add_journal),
    ("a chain over all records", _add_chain),
)


#: The layouts from which a file has these tables.
JOURNAL, CHAIN = 2, 3


def version(connection: sqlite3.Connection) -> int:
    """Return number of the last step done on this file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def strange_parts(connection: sqlite3.Connection, steps: Sequence[Step]) -> list[str]:
    """Return how the file's tables, indexes, triggers and views differ from those of ``steps``.

    [] when they are identical. Executes nothing of the file.
    """
    known = layout_of(tuple(steps))
    rows = connection.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_master LIMIT ?", (len(known) + _MOST_STRANGE,)
    )
    found = {(str(kind), str(name)): (on, sql) for kind, name, on, sql in rows}
    lines = []
    for kind, name in sorted(found.keys() | known.keys()):
        if (kind, name) not in known:
            lines.append(f"it has the {kind} {name!a:.80}, which no logbook has")
        elif (kind, name) not in found:
            lines.append(f"it lacks the {kind} {name!a}")
        elif found[kind, name] != known[kind, name]:
            lines.append(f"its {kind} {name!a} is not the one of a logbook")
    return lines


@lru_cache(maxsize=8)
def layout_of(steps: tuple[Step, ...]) -> dict[tuple[str, str], tuple[str, str | None]]:
    """Type and name of all that ``steps`` make in a file -> its table, its SQL."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as empty:
        for _, step in steps:
            step(empty)
        rows = empty.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    return {(kind, name): (on, sql) for kind, name, on, sql in rows}


def check_kind(path: Path, connection: sqlite3.Connection, steps: Sequence[Step]) -> None:
    """Refuse an SQLite file of another program, or a logbook of a newer dtfexp."""
    try:
        application = int(connection.execute("PRAGMA application_id").fetchone()[0])
        done = version(connection)
        known = application == store.APPLICATION_ID and 0 < done <= len(steps)
        # A step always changes a table: with the tables of a layout it is that layout.
        if not known and any(
            not strange_parts(connection, steps[:number]) for number in range(1, len(steps) + 1)
        ):
            raise store.Damaged(path, ["its header names another kind of file than its tables"])
    except store.ERRORS as error:
        raise store.error_line(path, error) from error
    if application != store.APPLICATION_ID or done < 1:
        raise LogbookError(f"{path} is not a dtfexp logbook; nothing was changed")
    if done > len(steps):
        raise LogbookError(
            f"{path} was written by a newer version of dtfexp (layout {done}; this version knows "
            f"up to {len(steps)}); nothing was changed. Update dtfexp to open it"
        )


def create(
    path: Path, connection: sqlite3.Connection, now: datetime, book: tuple[str, str, str, str]
) -> None:
    """Make a whole logbook in the empty file at ``path``; ``book`` is its row of that table."""
    _do(path, connection, now, STEPS, book)


def migrate(
    path: Path, connection: sqlite3.Connection, now: datetime, steps: Sequence[Step]
) -> Path | None:
    """Do the steps that the file still lacks; returns the backup copy, if one was made.

    Either all lacking steps are done or none is.
    """
    if version(connection) == len(steps):
        return None
    return _do(path, connection, now, steps, None)


def _do(
    path: Path,
    connection: sqlite3.Connection,
    now: datetime,
    steps: Sequence[Step],
    book: tuple[str, str, str, str] | None,
) -> Path | None:
    backup: Path | None = None
    try:
        connection.execute("BEGIN IMMEDIATE")
        # Another program may have done the steps while this one waited for its turn.
        done = version(connection)
        if 0 < done < len(steps):
            backup = _back_up(path, len(steps), now)
        for number in range(done + 1, len(steps) + 1):
            name, step = steps[number - 1]
            step(connection)
            connection.execute(
                "INSERT INTO layout (step, name, at) VALUES (?, ?, ?)",
                (number, name, now.isoformat()),
            )
            if number == 1 and book is not None:
                connection.execute(
                    "INSERT INTO book (id, session, at, by) VALUES (?, ?, ?, ?)", book
                )
        connection.execute(f"PRAGMA application_id = {store.APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(steps)}")
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise store.error_line(path, error) from error
    finally:
        if connection.in_transaction:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
    return backup


def _back_up(path: Path, wanted: int, now: datetime) -> Path:
    """Return a whole copy beside the file; one that is cut off never has the name of a backup."""
    stamp = now.strftime("%Y-%m-%d-%H%M%S")
    copy = path.with_name(f"{path.stem}.before-layout-{wanted}.{stamp}{path.suffix}")
    half = path.with_name(f".{copy.name}.{os.getpid()}.part")
    try:
        # A connection of its own: one that holds the write lock leaves reading free.
        with closing(sqlite3.connect(path)) as old:
            store.copy(path, old, half)
        # In the same second only a cut-off step can have made one, of this very file.
        half.replace(copy)
    except BaseException:
        with suppress(OSError):
            os.unlink(half)
        raise
    return copy
