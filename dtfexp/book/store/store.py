"""The SQLite file under a logbook: opening it safely, writing to it safely, saying what is wrong.

Measured choices: a rollback journal (a copy of the file alone is then complete), EXTRA
synchronisation (the entry and the removal of the journal reach the disk before a write returns),
BEGIN IMMEDIATE with a 5 s wait (two writers queue instead of failing half-way). One connection
serves all threads behind one lock, because notebook callbacks may come from any thread.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from dtfexp.describe.errors import LogbookError

WAIT_SECONDS = 5.0
_LOOK_AGAIN = 0.001
#: Written into bytes 68 to 71 of the file: "dtfB" as a big-endian number.
APPLICATION_ID = int.from_bytes(b"dtfB", "big")
_SQLITE_HEADER = b"SQLite format 3\x00"

_SAYS = {
    sqlite3.SQLITE_READONLY: "is read-only; nothing was saved. Allow writing to the file and its "
    "folder, or copy it to a place where you may write",
    sqlite3.SQLITE_CANTOPEN: "cannot be written: the folder is read-only, or is not there any "
    "more; nothing was saved",
    sqlite3.SQLITE_PERM: "may not be used by you; nothing was saved. Ask for the right to read "
    "and write it",
    sqlite3.SQLITE_FULL: "has no room left: the disk is full; nothing was saved and what was "
    "saved before is intact. Free some space and save again",
    sqlite3.SQLITE_BUSY: f"is locked: another program has been writing to it for more than "
    f"{WAIT_SECONDS:g} s; nothing was saved. Close the other program, or try again",
    sqlite3.SQLITE_LOCKED: "is locked by this program itself; nothing was saved. Try again",
    sqlite3.SQLITE_IOERR: "could not be read or written: the disk or the network drive gave an "
    "error, or is full; nothing was saved. Check the drive and save again",
    sqlite3.SQLITE_CORRUPT: "is damaged; nothing was changed. Work from a backup copy",
    sqlite3.SQLITE_NOTADB: "is not a dtfexp logbook; nothing was changed",
}


def error_line(path: Path, error: sqlite3.Error) -> LogbookError:
    """The one clear line for an SQLite error on ``path``."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    says = _SAYS.get(primary) if primary is not None else None
    return LogbookError(f"{path} {says}" if says else f"{path}: {error}; nothing was saved")


class Store:
    """One open logbook file. ``reading()`` and ``writing()`` are the only ways to its contents."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection: sqlite3.Connection | None = connection
        self._lock = threading.RLock()
        self._process = os.getpid()

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """The connection, inside one consistent view of the file."""
        with self._transaction("BEGIN") as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """The connection, inside one write that is kept whole or not at all.

        When the block ends without an error, what it wrote is on the disk.
        """
        with self._transaction("BEGIN IMMEDIATE") as connection:
            yield connection
        # A moment in which a program that waits gets its turn.
        time.sleep(_LOOK_AGAIN)

    @contextmanager
    def _transaction(self, begin: str) -> Iterator[sqlite3.Connection]:
        with self._lock:
            connection = self._connection
            if connection is None:
                raise LogbookError(f"{self.path} is closed; open the logbook again")
            if os.getpid() != self._process:
                # SQLite forbids carrying an open file across a fork: locks would be lost.
                raise LogbookError(f"{self.path} was opened in another process; open it here")
            if connection.in_transaction:
                raise LogbookError(f"{self.path} is in use inside another of its own calls")
            try:
                if begin == "BEGIN":
                    connection.execute(begin)
                else:
                    _acquire_write_lock(connection, begin)
                yield connection
                connection.execute("COMMIT")
            except sqlite3.Error as error:
                raise error_line(self.path, error) from error
            finally:
                if connection.in_transaction:
                    with suppress(sqlite3.Error):
                        connection.execute("ROLLBACK")

    def close(self) -> None:
        """Let go of the file. Closing twice is harmless."""
        with self._lock:
            if self._connection is not None and os.getpid() == self._process:
                self._connection.close()
            self._connection = None


def _acquire_write_lock(connection: sqlite3.Connection, begin: str) -> None:
    """Become the one writer, waiting while another program is.

    SQLite's own waiting looks again after up to 0.1 s. Next to a program that writes without a
    pause it kept missing the moment between two writes, and gave up after 5 s (seen with two
    writers on a slow disk). Looking every millisecond finds that moment.
    """
    deadline = time.monotonic() + WAIT_SECONDS
    connection.execute("PRAGMA busy_timeout = 0")
    try:
        while True:
            try:
                connection.execute(begin)
                return
            except sqlite3.OperationalError as error:
                busy = getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() > deadline:
                    raise
            time.sleep(_LOOK_AGAIN)
    finally:
        connection.execute(f"PRAGMA busy_timeout = {round(1000 * WAIT_SECONDS)}")


def connect(path: Path) -> sqlite3.Connection:
    """A connection to ``path`` with the promises of this module switched on."""
    try:
        connection = sqlite3.connect(
            path, timeout=WAIT_SECONDS, isolation_level=None, check_same_thread=False
        )
    except sqlite3.Error as error:
        raise error_line(path, error) from error
    try:
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("PRAGMA foreign_keys = ON")
        # A file that someone turned to another journal is turned back; on a read-only file
        # this does nothing when the mode is right already.
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.Error as error:
        connection.close()
        raise error_line(path, error) from error
    return connection


def create_empty_file(path: Path) -> None:
    """Make the empty file ``path``, never touching one that is there already."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
    except FileExistsError:
        raise LogbookError(
            f"{path} is there already; a new logbook never overwrites a file. Open it, or choose "
            "another name"
        ) from None
    except FileNotFoundError:
        raise LogbookError(
            f"{path} cannot be made: the folder {path.parent} does not exist"
        ) from None
    except (OSError, ValueError) as error:
        raise LogbookError(f"{path} cannot be made: {_reason(error)}") from None


def check_header(path: Path) -> None:
    """Refuse anything that is plainly no SQLite file, before SQLite gets to touch it."""
    if path.is_dir():
        raise LogbookError(f"{path} is a folder, not a logbook file")
    try:
        with path.open("rb") as file:
            head = file.read(len(_SQLITE_HEADER))
    except FileNotFoundError:
        raise LogbookError(
            f"{path} does not exist; check the name, or make it with Logbook.create"
        ) from None
    except (OSError, ValueError) as error:
        raise LogbookError(f"{path} cannot be read: {_reason(error)}") from None
    if not head and not path.with_name(path.name + "-journal").exists():
        raise LogbookError(
            f"{path} is empty: it is no logbook, or its making was cut off; delete it and make "
            "the logbook again"
        )
    if head and head != _SQLITE_HEADER:
        raise LogbookError(f"{path} is not a dtfexp logbook; nothing was changed")


def check_whole(path: Path, connection: sqlite3.Connection) -> None:
    """Run SQLite's own integrity check and refuse a damaged file."""
    try:
        found = [row[0] for row in connection.execute("PRAGMA integrity_check(1)")]
    except sqlite3.Error as error:
        raise error_line(path, error) from error
    if found != ["ok"]:
        first = " ".join(str(found[0]).split()) if found else "no answer"
        raise LogbookError(
            f"{path} is damaged ({first}); nothing was changed. Work from a backup copy"
        )


def _reason(error: Exception) -> str:
    return (error.strerror or type(error).__name__) if isinstance(error, OSError) else str(error)
