"""The SQLite file under a logbook: opening it safely, writing to it safely, saying what is wrong.

Measured choices: a rollback journal (a copy of the file alone is then complete), EXTRA
synchronisation (the entry and the removal of the journal reach the disk before a write returns),
BEGIN IMMEDIATE with a 5 s wait (two writers queue instead of failing half-way). One connection
serves all threads behind one lock, because notebook callbacks may come from any thread.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from dtfexp.book.store import chain
from dtfexp.describe.errors import LogbookError

WAIT_SECONDS = 5.0
_LOOK_AGAIN = 0.001
#: Written into bytes 68 to 71 of the file: "dtfB" as a big-endian number.
APPLICATION_ID = int.from_bytes(b"dtfB", "big")
#: What a file from a stranger may ask of SQLite: far more than any logbook needs.
_LIMITS = {
    sqlite3.SQLITE_LIMIT_LENGTH: 64_000_000,  # bytes of one row
    sqlite3.SQLITE_LIMIT_SQL_LENGTH: 100_000,
    sqlite3.SQLITE_LIMIT_COLUMN: 100,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 100,
    sqlite3.SQLITE_LIMIT_COMPOUND_SELECT: 10,
    sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH: 5,
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
}
_FIRST_PAGES = 65_536
#: What SQLite raises; Python cannot even decode some of its words about a damaged file.
ERRORS = (sqlite3.Error, UnicodeDecodeError)
_STEPS_BETWEEN_LOOKS = 100_000

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
    sqlite3.SQLITE_NOTADB: "is not a dtfexp logbook; nothing was changed",
    sqlite3.SQLITE_INTERRUPT: "takes too long to read for a logbook; nothing was changed",
}


class Damaged(LogbookError):
    """A logbook that is not as dtfexp wrote it; ``found`` has all that was found, line by line."""

    def __init__(self, path: Path, found: Sequence[str]) -> None:
        self.found = list(found)
        more = f", and {len(found) - 1} more" if found[1:] else ""
        copies = backup_folder(path)
        kept = f"in {copies}" if copies.is_dir() else "if one was made with 'dtfexp backup'"
        super().__init__(
            f"{path} is damaged: {found[0]}{more}; nothing was changed. 'dtfexp check' names all "
            "of it and saves what is sound into a new logbook (--salvage); or go back to a copy, "
            f"{kept}"
        )


def backup_folder(path: Path) -> Path:
    """Where the automatic copies of the logbook at ``path`` lie."""
    return path.with_name(f"{path.name}.backups")


def error_line(path: Path, error: sqlite3.Error | UnicodeDecodeError) -> LogbookError:
    """Return the one clear line for an SQLite error on ``path``."""
    if is_damage(error) or (_code(error) == sqlite3.SQLITE_NOTADB and _was_a_logbook(path)):
        return Damaged(path, [_unreadable(error)])
    says = _SAYS.get(_code(error) or 0)
    return LogbookError(f"{path} {says}" if says else f"{path}: {error}; nothing was saved")


def is_damage(error: sqlite3.Error | UnicodeDecodeError) -> bool:
    """Whether an SQLite error speaks of the file's contents, not of disk, rights or locks."""
    # Text that is no UTF-8 is reported by Python, without a code.
    return _code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_TOOBIG, None)


def _code(error: Exception) -> int | None:
    code = getattr(error, "sqlite_errorcode", None)
    return code & 0xFF if isinstance(code, int) else None


class Store:
    """One open logbook file. ``reading()`` and ``writing()`` are the only ways to its contents.

    Each of them first makes sure that it is still the file that was opened: one that was moved
    away, replaced, or overwritten by another book or an older copy is told, and left alone.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = Path(os.path.abspath(path))
        self._connection: sqlite3.Connection | None = connection
        self._lock = threading.RLock()
        self._process = os.getpid()
        self._view: sqlite3.Connection | None = None
        self.before_writing: Callable[[], object] = lambda: None
        self._file = self._look()
        self._head = chain.head(connection)

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Give the connection inside one consistent view of the file."""
        with self._lock:
            if self._view is not None:
                yield self._view
                return
            with self._transaction("BEGIN") as connection:
                yield connection

    @contextmanager
    def one_view(self) -> Iterator[None]:
        """Let all that is read in the block be of one moment; nothing can be written in it.

        Another program that writes meanwhile waits until the block ends.
        """
        with self.reading() as connection:
            outer, self._view = self._view, connection
            try:
                yield
            finally:
                self._view = outer

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Give the connection inside one write that is kept whole or not at all.

        When the block ends without an error, what it wrote is on the disk.
        """
        self.before_writing()
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
            connection = self._renewed(connection)
            try:
                if begin == "BEGIN":
                    connection.execute(begin)
                else:
                    _acquire_write_lock(connection, begin)
                self._require_same_book(connection)
                yield connection
                head = chain.head(connection)
                connection.execute("COMMIT")
                self._head, self._file = head, self._look()
            except sqlite3.Error as error:
                raise error_line(self.path, error) from error
            finally:
                if connection.in_transaction:
                    with suppress(sqlite3.Error):
                        connection.execute("ROLLBACK")

    def _look(self) -> tuple[int, int, int, int]:
        """Which file lies at the path now, and how it was left: device, inode, size, time."""
        try:
            found = os.stat(self.path)
        except OSError:
            raise LogbookError(
                f"{self.path} is not there any more: it was moved, renamed or deleted while open; "
                "nothing was saved. Open it where it lies now"
            ) from None
        return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns

    def _renewed(self, connection: sqlite3.Connection) -> sqlite3.Connection:
        """Return the connection, made anew when another program wrote the file since.

        A file that was copied over may look to SQLite like the one it has in memory.
        """
        now = self._look()
        if now[:2] != self._file[:2]:
            raise self._replaced()
        if now != self._file:
            connection.close()
            self._connection = connection = connect(self.path)
        return connection

    def _require_same_book(self, connection: sqlite3.Connection) -> None:
        """Raise where what this program saw last is no longer in the file."""
        link, digest = self._head
        row = connection.execute("SELECT digest FROM chain WHERE link = ?", (link,)).fetchone()
        if row is None or row[0] != digest:
            raise self._replaced()

    def _replaced(self) -> LogbookError:
        return LogbookError(
            f"{self.path} was replaced by another file or an older copy while it was open; "
            "nothing was saved. Close the logbook and open it again"
        )

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
    """Return a connection to ``path`` with the promises of this module switched on."""
    try:
        connection = sqlite3.connect(
            path, timeout=WAIT_SECONDS, isolation_level=None, check_same_thread=False
        )
    except sqlite3.Error as error:
        raise error_line(path, error) from error
    try:
        for limit, most in _LIMITS.items():
            connection.setlimit(limit, most)
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cell_size_check = ON")
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("PRAGMA foreign_keys = ON")
        # A file that someone turned to another journal is turned back; on a read-only file
        # this does nothing when the mode is right already.
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except ERRORS as error:
        connection.close()
        raise error_line(path, error) from error
    return connection


def create_empty_file(path: Path) -> None:
    """Make the empty file ``path``, never touching one that is there already."""
    require_free(path)
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
    except FileExistsError:
        raise _taken(path) from None
    except (OSError, ValueError) as error:
        raise LogbookError(f"{path} cannot be made: {_reason(error)}") from None


def require_free(path: Path) -> None:
    """Raise ``LogbookError`` where no new file can be made: one is there, or its folder is not."""
    if os.path.lexists(path):
        raise _taken(path)
    if not os.path.isdir(path.parent):
        raise LogbookError(f"{path} cannot be made: the folder {path.parent} does not exist")


def put_in_place(draft: Path, path: Path) -> None:
    """Give a finished file its name at once, never over a file that is there."""
    try:
        os.link(draft, path)
    except FileExistsError:
        raise _taken(path) from None
    except OSError:
        # A drive without hard links, such as a memory stick.
        require_free(path)
        draft.rename(path)
    else:
        draft.unlink()
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """See that a new name in ``folder`` is on the disk."""
    # Windows cannot open a folder and does not need it.
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _taken(path: Path) -> LogbookError:
    return LogbookError(
        f"{path} is there already; a new logbook never overwrites a file. Open it, or choose "
        "another name"
    )


def check_header(path: Path) -> None:
    """Refuse anything that is plainly no logbook, before SQLite gets to touch it."""
    # Looked at, never opened: closing a file drops the locks that SQLite holds on it elsewhere in
    # this program.
    try:
        found = path.stat()
    except FileNotFoundError:
        raise LogbookError(
            f"{path} does not exist; check the name, or make it with 'dtfexp plan' "
            "(Python: Logbook.create)"
        ) from None
    except (OSError, ValueError) as error:
        raise LogbookError(f"{path} cannot be read: {_reason(error)}") from None
    if not stat.S_ISREG(found.st_mode):
        what = "folder" if stat.S_ISDIR(found.st_mode) else "pipe or a device"
        raise LogbookError(f"{path} is a {what}, not a logbook file")
    if not os.access(path, os.R_OK):
        raise LogbookError(f"{path} cannot be read: you have no right to")
    if not found.st_size and not path.with_name(path.name + "-journal").exists():
        raise LogbookError(
            f"{path} is empty: it is no logbook, or its making was cut off; delete it and make "
            "the logbook again"
        )


def _was_a_logbook(path: Path) -> bool:
    """Whether a file that SQLite does not take has the tables of a logbook on its first pages."""
    with path.open("rb") as file:
        return b"CREATE TABLE layout" in file.read(_FIRST_PAGES)


def broken_parts(connection: sqlite3.Connection, most: int = 1) -> list[str]:
    """Return up to ``most`` lines of SQLite's integrity check; [] for a sound file."""
    rows = connection.execute(f"PRAGMA integrity_check({most})").fetchall()
    found = [str(row[0]) for row in rows]
    if found == ["ok"]:
        return []
    return list(map(_unreadable, found)) or ["the integrity check gives no answer"]


def _unreadable(why: object) -> str:
    """Return SQLite's own words for a damage, as what they mean."""
    return f"a part of the file cannot be read (SQLite: {' '.join(str(why).split())})"


def copy(path: Path, connection: sqlite3.Connection, target: Path) -> None:
    """Copy the logbook ``path``, open in ``connection``, to the new file ``target``.

    Others may write meanwhile. The copy is whole, checked by SQLite, and on the disk at the end.
    """
    create_empty_file(target)
    try:
        with closing(sqlite3.connect(target)) as new:
            connection.backup(new)
            broken = broken_parts(new)
        if broken:
            raise Damaged(path, broken)
        with target.open("rb") as file:
            os.fsync(file.fileno())
    except sqlite3.Error as error:
        raise error_line(path, error) from error


@contextmanager
def at_most(connection: sqlite3.Connection, seconds: float) -> Iterator[None]:
    """Stop SQLite (``SQLITE_INTERRUPT``) when it works longer than ``seconds`` in the block."""
    end = time.monotonic() + seconds
    connection.set_progress_handler(lambda: time.monotonic() > end, _STEPS_BETWEEN_LOOKS)
    try:
        yield
    finally:
        connection.set_progress_handler(None, 0)


def _reason(error: Exception) -> str:
    return (error.strerror or type(error).__name__) if isinstance(error, OSError) else str(error)
