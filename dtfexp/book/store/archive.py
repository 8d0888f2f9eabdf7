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
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from dtfexp.book.store import entries, entry_fields, journal, schema, store
from dtfexp.describe import fields
from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.describe.session import Session

FORMAT, VERSION = "dtfexp logbook", 1
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
    """The whole book as JSON in UTF-8; the same book always gives the same bytes."""
    document: dict[str, Any] = {"format": FORMAT, "version": VERSION}
    names = ", ".join(_BOOK)
    row = connection.execute(f"SELECT {names} FROM book").fetchone()
    document["book"] = dict(zip(_BOOK, row, strict=True))
    for table, columns in _TABLES.items():
        found = connection.execute(
            f"SELECT {', '.join(columns)} FROM {table} ORDER BY {_ORDER[table]}"
        )
        document[table] = [
            {
                name: json.loads(value) if kind in _AS_JSON else value
                for (name, kind), value in zip(columns.items(), row, strict=True)
            }
            for row in found
        ]
    text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)
    return (text + "\n").encode("utf-8")


def restore(source: Path, path: Path, now: datetime, readable: Callable[[Path], object]) -> None:
    """Make the logbook at ``path`` from the archive ``source``, whole or not at all.

    ``readable`` opens the new file and reads all of it. Raises ``LogbookError`` naming the table,
    the row and what is wrong there.
    """
    document = _read(source)
    session = _session(source, document)
    for table, columns in _TABLES.items():
        _check_table(source, table, columns, document.get(table))
    for number, row in enumerate(document["presses"], start=1):
        _check_press(f"{source}: presses, row {number}", session, row)
    for number, row in enumerate(document["entries"], start=1):
        _check_entry(f"{source}: entries, row {number}", session, row)
    for number, row in enumerate(document["journal"], start=1):
        _check_note(f"{source}: journal, row {number}", row)
    store.create_empty_file(path)
    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        _write(source, draft, document, now)
        try:
            readable(draft)
        except (
            LookupError,
            TypeError,
            ValueError,
            ArithmeticError,
            AttributeError,
            DtfexpError,
        ) as error:
            told = " ".join(str(error).split())[:200]
            raise LogbookError(
                f"{source}: what it says cannot be read as a logbook ({told}); nothing was made"
            ) from None
        draft.replace(path)
    except BaseException:
        for left in (draft, draft.with_name(draft.name + "-journal"), path):
            with suppress(OSError):
                left.unlink()
        raise


def _write(source: Path, draft: Path, document: Mapping[str, Any], now: datetime) -> None:
    draft.unlink(missing_ok=True)
    store.create_empty_file(draft)
    connection = store.connect(draft)
    try:
        schema.create(draft, connection, now, tuple(document["book"][name] for name in _BOOK))
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
        connection.execute("COMMIT")
    except sqlite3.IntegrityError as error:
        raise LogbookError(
            f"{source}: a row stands twice or belongs to nothing ({error}); nothing was made"
        ) from None
    except sqlite3.Error as error:
        raise store.error_line(draft, error) from error
    finally:
        connection.close()


def _read(source: Path) -> dict[str, Any]:
    try:
        document = json.loads(source.read_bytes().decode("utf-8-sig"), parse_constant=_no_constant)
    except OSError as error:
        raise LogbookError(f"{source}: cannot be read ({error.strerror or error})") from None
    except (ValueError, RecursionError) as error:
        told = " ".join(str(error).split())[:120]
        raise LogbookError(f"{source}: is no whole JSON text ({told}); nothing was made") from None
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


def _session(source: Path, document: Mapping[str, Any]) -> Session:
    _check_table(source, "book", _BOOK, [document.get("book")])
    try:
        return Session.from_toml(document["book"]["session"], strict=False)
    except DtfexpError as error:
        raise LogbookError(f"{source}: its session cannot be read ({error})") from None


def _check_table(source: Path, table: str, columns: Mapping[str, str], rows: object) -> None:
    if not isinstance(rows, list):
        raise LogbookError(f"{source}: {table} is missing; accepted is a list of rows")
    for number, row in enumerate(rows, start=1):
        place = f"{source}: {table}, row {number}"
        if not isinstance(row, dict) or set(row) != set(columns):
            raise LogbookError(f"{place}: accepted are the columns {', '.join(columns)}")
        for name, kind in columns.items():
            if not _require_type(kind, row[name]):
                raise LogbookError(
                    f"{place}, {name}: the value is {fields.quoted(row[name])}; accepted is {kind}"
                )
        if "at" in columns:
            entry_fields.moment(place, row["at"])


def _require_type(kind: str, value: object) -> bool:
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


def _check_press(place: str, session: Session, row: Mapping[str, Any]) -> None:
    try:
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
    except DtfexpError as error:
        raise LogbookError(f"{place}: {error}; nothing was made") from None


def _check_entry(place: str, session: Session, row: Mapping[str, Any]) -> None:
    kinds = (entries.RECORD, entries.SPOILED, entries.REDO)
    if row["kind"] not in kinds or row["source"] not in (entries.BENCH, entries.SHEET):
        raise LogbookError(f"{place}: the kind is {row['kind']!r} from {row['source']!r}")
    said = dict(row["said"])
    grades = _named(said, entries.GRADE)
    actual = _named(said, entries.ACTUAL)
    known = (entries.DEFECTS, entries.NOTE, entries.BLOCK, entries.EXCLUDED)
    defects, note, block, excluded = (said.pop(name, "") for name in known)
    if said or not (excluded is None or isinstance(excluded, str)):
        raise LogbookError(f"{place}: it says {fields.quoted(said or excluded)}; nothing was made")
    try:
        told = entry_fields.entry_fields(
            session, row["press"], grades, defects, actual, note, block
        )
    except DtfexpError as error:
        raise LogbookError(f"{place}: {error}; nothing was made") from None
    before = {name: value for name, value in row["said"].items() if name != entries.EXCLUDED}
    if entries.as_text(told) != entries.as_text(before):
        raise LogbookError(
            f"{place}: it says {fields.quoted(before)}, which no logbook writes; nothing was made"
        )


def _named(said: dict[str, Any], head: str) -> dict[str, Any]:
    names = [name for name in said if name.startswith(head)]
    return {name.removeprefix(head): said.pop(name) for name in names}


def _check_note(place: str, row: Mapping[str, Any]) -> None:
    try:
        journal.kind_of(row["kind"])
        journal.as_json(row["kind"], row["said"])
    except LogbookError as error:
        raise LogbookError(f"{place}: {error}; nothing was made") from None
