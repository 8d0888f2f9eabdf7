"""A whole logbook as one JSON text, and back: the same book, entry for entry.

The text is an object with ``format``, ``version`` and one list per table of the file, each row an
object of its columns (``book`` is a single row). Times are ISO 8601 with the offset from UTC.

=========  ============================================================================
table      columns
=========  ============================================================================
book       id (random, made once), session (as TOML text), at, by
plans      id (derived from the contents), seq, design, seed, reason, notes (list), at, by
presses    press, plan (id), position (in its plan, from 0), fabric, oven_load, press_round,
           settings (factor: value), extra (any further column of the plan)
entries    id, seq (order of arrival), press, kind (record, spoiled, redo), said (field:
           value; null takes a value back), source (bench, sheet), at, by
journal    id, seq, kind, said (what the module of that kind says), at, by
=========  ============================================================================
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from dtfexp.book.store import chain, entries, entry_fields, journal, opening, photos, store
from dtfexp.describe import fields
from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.describe.session import Session

FORMAT, VERSION = "dtfexp logbook", 1
#: The folder of the photos, beside the exported files.
PHOTOS = "photos"
_LARGEST_WHOLE = 2**53

# Column -> what it holds: "text", "whole", "whole or null", "list", "object".
_TABLES: dict[str, dict[str, str]] = {
    "plans": {
        "id": "text", "seq": "whole", "design": "text", "seed": "whole or null", "reason": "text",
        "notes": "list", "at": "text", "by": "text",
    },
    "presses": {
        "press": "whole", "plan": "text", "position": "whole", "fabric": "text",
        "oven_load": "whole", "press_round": "whole", "settings": "object", "extra": "object",
    },
    "entries": {
        "id": "text", "seq": "whole", "press": "whole", "kind": "text", "said": "object",
        "source": "text", "at": "text", "by": "text",
    },
    "journal": {
        "id": "text", "seq": "whole", "kind": "text", "said": "object", "at": "text", "by": "text",
    },
}  # fmt: skip
_BOOK = {"id": "text", "session": "text", "at": "text", "by": "text"}
_ORDER = {"plans": "seq", "presses": "press", "entries": "seq", "journal": "seq"}
_AS_JSON = ("list", "object")


def archive_bytes(connection: sqlite3.Connection) -> bytes:
    """Return the whole book as JSON in UTF-8; the same book always gives the same bytes."""
    (book,) = rows_of(connection, "book")
    document = {"format": FORMAT, "version": VERSION, "book": book}
    document |= {table: list(rows_of(connection, table)) for table in _TABLES}
    text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)
    return (text + "\n").encode("utf-8")


def rows_of(connection: sqlite3.Connection, table: str) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table of the file as they stand in the archive, in order."""
    columns = _BOOK if table == "book" else _TABLES[table]
    order = _ORDER.get(table, "rowid")
    for row in connection.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {order}"):
        yield unpacked(table, row)


def unpacked(table: str, row: Sequence[Any]) -> dict[str, Any]:
    """Return a row of the file in its archive form; ``ValueError`` for invalid JSON."""
    columns = _BOOK if table == "book" else _TABLES[table]
    return {
        name: json.loads(value) if kind in _AS_JSON else value
        for (name, kind), value in zip(columns.items(), row, strict=True)
    }


def restore(
    source: Path,
    path: Path,
    now: datetime,
    readable: Callable[[Path], object],
    lost_photos: bool = False,
) -> None:
    """Make the logbook at ``path`` from the archive ``source`` and its photos, atomically.

    The book itself is put in place last.

    ``readable`` opens the new file and reads all of it; with ``lost_photos`` a photo that is not
    there is no error. Raises ``LogbookError`` naming the table, the row and what is wrong there.
    """
    document = _read(source)
    fault = row_fault(None, "book", document.get("book"))
    if fault:
        raise LogbookError(f"{source}: book{fault}; nothing was made")
    try:
        session = Session.from_toml(document["book"]["session"], strict=False)
    except DtfexpError as error:
        raise LogbookError(f"{source}: its session cannot be read ({error})") from None
    for table in _TABLES:
        if not isinstance(document.get(table), list):
            raise LogbookError(f"{source}: {table} is missing; accepted is a list of rows")
        for number, row in enumerate(document[table], start=1):
            fault = row_fault(session, table, row)
            if fault:
                raise LogbookError(f"{source}: {table}, row {number}{fault}; nothing was made")
    make(path, document, now, readable, source.parent / PHOTOS, lost_photos, str(source))


def make(
    path: Path,
    document: Mapping[str, Any],
    now: datetime,
    readable: Callable[[Path], object],
    photo_folder: Path,
    lost_photos: bool,
    place: str,
) -> None:
    """Make a new logbook at ``path`` of the rows of ``document``, photos first, the book last."""
    store.require_free(path)
    names = photos.named(row["said"] for row in document["journal"] if row["kind"] == photos.KIND)
    for name in () if lost_photos else names:
        try:
            photos.read_named(photo_folder / name)
        except LogbookError as error:
            raise LogbookError(
                f"{place}: {error}; nothing was made. lost_photos=True makes the book without it"
            ) from None
    target = photos.photo_folder_of_path(path)
    new_folder = not target.exists()
    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        _write(place, draft, document, now)
        fault = unreadable(readable, draft)
        if fault:
            raise LogbookError(f"{place}: {fault}; nothing was made")
        photos.copy_photos(names, photo_folder, target)
        store.put_in_place(draft, path)
    except BaseException:
        for left in (draft, draft.with_name(draft.name + "-journal")):
            with suppress(OSError):
                left.unlink()
        if new_folder:
            shutil.rmtree(target, ignore_errors=True)
        raise


def unreadable(readable: Callable[[Path], object], path: Path) -> str:
    """Why a file that is whole cannot be read as a logbook; "" when it can.

    Its notes may say anything that JSON can hold, so that reading them may fail anyhow.
    """
    try:
        readable(path)
    except (
        LookupError,
        TypeError,
        ValueError,
        ArithmeticError,
        AttributeError,
        DtfexpError,
    ) as error:
        text = " ".join(str(error).split())[:200]
        return f"what it says cannot be read as a logbook ({text})"
    return ""


def _write(place: str, draft: Path, document: Mapping[str, Any], now: datetime) -> None:
    draft.unlink(missing_ok=True)
    connection = opening.made(draft, now, tuple(document["book"][name] for name in _BOOK))
    try:
        connection.execute("BEGIN IMMEDIATE")
        for table, columns in _TABLES.items():
            marks = ", ".join("?" * len(columns))
            connection.executemany(
                f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})",
                [
                    [
                        entries.as_text(row[name]) if kind in _AS_JSON else row[name]
                        for name, kind in columns.items()
                    ]
                    for row in document[table]
                ],
            )
            chain.extend(connection, table, [row[_ORDER[table]] for row in document[table]])
        connection.execute("COMMIT")
    except sqlite3.IntegrityError as error:
        raise LogbookError(
            f"{place}: a row is given twice or belongs to nothing ({error}); nothing was made"
        ) from None
    except sqlite3.Error as error:
        raise store.error_line(draft, error) from error
    finally:
        connection.close()


def _read(source: Path) -> dict[str, Any]:
    try:
        if source.exists() and not source.is_file():
            raise LogbookError(f"{source}: is no plain file; accepted is a logbook.json")
        document = json.loads(source.read_bytes().decode("utf-8-sig"), parse_constant=_no_constant)
    except OSError as error:
        raise LogbookError(f"{source}: cannot be read ({error.strerror or error})") from None
    except (ValueError, RecursionError) as error:
        text = " ".join(str(error).split())[:120]
        raise LogbookError(f"{source}: is no whole JSON text ({text}); nothing was made") from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise LogbookError(f"{source}: is no exported logbook; accepted is a logbook.json")
    if document.get("version") != VERSION:
        raise LogbookError(
            f"{source}: was written by another version of dtfexp (archive "
            f"{fields.quoted(document.get('version'))}; this version reads {VERSION})"
        )
    return document


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is no number")


def row_fault(session: Session | None, table: str, row: object) -> str:
    """Return what is wrong with one row of the archive, as the end of a line; else ""."""
    columns = _BOOK if table == "book" else _TABLES[table]
    if not isinstance(row, dict) or set(row) != set(columns):
        return f": accepted the columns {', '.join(columns)}"
    for name, kind in columns.items():
        if not _is_of(kind, row[name]):
            return f", {name}: got {fields.quoted(row[name])}; accepted {kind}"
    try:
        if "at" in columns:
            entry_fields.moment("", row["at"])
        if session is not None and table in _CHECKS:
            _CHECKS[table](session, row)
    except DtfexpError as error:
        return f": {str(error).removeprefix(': ')}"
    return ""


def _is_of(kind: str, value: object) -> bool:
    if kind == "text":
        return isinstance(value, str) and _is_json_of(value)
    if kind in ("whole", "whole or null"):
        if value is None:
            return kind == "whole or null"
        return (
            isinstance(value, int) and not isinstance(value, bool) and abs(value) <= _LARGEST_WHOLE
        )
    return isinstance(value, list if kind == "list" else dict) and _is_json_of(
        entries.as_text(value)
    )


def _is_json_of(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return "\x00" not in text


def _check_press(session: Session, row: Mapping[str, Any]) -> None:
    entry_fields.press_number(row["press"])
    session.fabric(row["fabric"])
    if set(row["settings"]) != {factor.name for factor in session.factors}:
        raise LogbookError("the settings are not those of the session")
    for factor in session.factors:
        value = row["settings"][factor.name]
        snapped = factor.snap(value)
        near = 1e-6 * factor.grid_step if factor.is_numeric else 0.0
        if snapped != value and (not factor.is_numeric or abs(snapped - value) > near):
            raise LogbookError(f"{factor.name} cannot be set to {fields.quoted(value)}")


def _check_entry(session: Session, row: Mapping[str, Any]) -> None:
    kinds = (entries.RECORD, entries.SPOILED, entries.REDO)
    if row["kind"] not in kinds or row["source"] not in (entries.BENCH, entries.SHEET):
        raise LogbookError(f"the kind is {row['kind']!r} from {row['source']!r}")
    said = dict(row["said"])
    grades = _named(said, entries.GRADE)
    actual = _named(said, entries.ACTUAL)
    known = (entries.DEFECTS, entries.NOTE, entries.BLOCK, entries.EXCLUDED)
    defects, note, block, excluded = (said.pop(name, "") for name in known)
    if said or not (excluded is None or isinstance(excluded, str)):
        raise LogbookError(f"it says {fields.quoted(said or excluded)}")
    checked = entry_fields.entry_fields(session, row["press"], grades, defects, actual, note, block)
    before = {name: value for name, value in row["said"].items() if name != entries.EXCLUDED}
    if entries.as_text(checked) != entries.as_text(before):
        raise LogbookError(f"it says {fields.quoted(before)}, which no logbook writes")


def _named(said: dict[str, Any], head: str) -> dict[str, Any]:
    names = [name for name in said if name.startswith(head)]
    return {name.removeprefix(head): said.pop(name) for name in names}


def _check_note(_: Session, row: Mapping[str, Any]) -> None:
    journal.kind_of(row["kind"])
    journal.as_json(row["kind"], row["said"])


_CHECKS: dict[str, Callable[[Session, Mapping[str, Any]], None]] = {
    "presses": _check_press,
    "entries": _check_entry,
    "journal": _check_note,
}
