"""The chain over records: each one's digest covers its content and the digest before it.

A record is a row of one of the tables in ``RECORDS``; its link stands in the table ``chain``::

    digest = SHA-256(digest of the link before, table name, content)     32 bytes
    content = Python's ``ascii`` of the row, a tuple of its columns; the first link follows 32
              zero bytes

Whatever changes a record, adds one, or takes one away breaks its link, and the record is named.
The chain finds damage and slips of other programs. It is no seal: someone who knows this page can
work all of it out anew.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from dtfexp.describe.errors import LogbookError

#: Table -> the column that numbers its rows, and all columns that the digest covers.
RECORDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "book": ("rowid", ("id", "session", "at", "by")),
    "plans": ("seq", ("id", "seq", "design", "seed", "reason", "notes", "at", "by")),
    "presses": (
        "press",
        ("press", "plan", "position", "fabric", "oven_load", "press_round", "settings", "extra"),
    ),
    "entries": ("seq", ("id", "seq", "press", "kind", "said", "source", "at", "by")),
    "journal": ("seq", ("id", "seq", "kind", "said", "at", "by")),
}
#: What the first link follows.
START = bytes(32)
Row = tuple[Any, ...]


@dataclass(frozen=True)
class Damage:
    """One record, or its link, that is not as it was written. ``number`` counts in its table.

    ``contradicted`` is False where only a link is lost or damaged: what the record says may stand.
    """

    table: str
    number: int
    text: str
    contradicted: bool = True


def append(
    connection: sqlite3.Connection,
    table: str,
    row: Mapping[str, Any],
    told_apart: Iterable[str],
    place: str,
    noun: str,
) -> bool:
    """Write and link a row, in order of arrival; False when that very row is there already.

    Raises ``LogbookError`` when its id is taken by one that differs in ``told_apart``.
    """
    written = connection.execute(
        f"INSERT OR IGNORE INTO {table} (seq, {', '.join(row)}) VALUES "
        f"((SELECT COALESCE(MAX(seq), 0) + 1 FROM {table}), {', '.join('?' * len(row))})",
        tuple(row.values()),
    ).rowcount
    if written:
        (number,) = connection.execute(f"SELECT MAX(seq) FROM {table}").fetchone()
        extend(connection, table, [number])
        return True
    names = tuple(told_apart)
    query = f"SELECT {', '.join(names)} FROM {table} WHERE id = ?"
    old = connection.execute(query, (row["id"],)).fetchone()
    if old is None or tuple(old) != tuple(row[name] for name in names):
        raise LogbookError(
            f"{place}: the {noun} id {row['id']!r} is in the book already with other contents; "
            f"nothing was saved. Use a new id for every new {noun}"
        )
    return False


def extend(connection: sqlite3.Connection, table: str, numbers: Iterable[int]) -> None:
    """Add the links of rows just written, inside the write that wrote them."""
    number_of, columns = RECORDS[table]
    link, digest = head(connection)
    for number in numbers:
        row = connection.execute(
            f"SELECT {', '.join(columns)} FROM {table} WHERE {number_of} = ?", (number,)
        ).fetchone()
        link, digest = link + 1, digest_of(digest, table, row)
        connection.execute(
            "INSERT INTO chain (link, record, number, digest) VALUES (?, ?, ?, ?)",
            (link, table, number, digest),
        )


def extend_over_all(connection: sqlite3.Connection) -> None:
    """Add the links of every row of a file that has none yet."""
    for table, (number, _) in RECORDS.items():
        rows = connection.execute(f"SELECT {number} FROM {table} ORDER BY 1").fetchall()
        extend(connection, table, [row[0] for row in rows])


def head(connection: sqlite3.Connection) -> tuple[int, bytes]:
    """Return the last link: its number and its digest; (0, zeros) of an empty chain."""
    row = connection.execute("SELECT link, digest FROM chain ORDER BY link DESC LIMIT 1").fetchone()
    return (0, START) if row is None else (row[0], row[1])


def digest_of(before: bytes, table: str, row: Row) -> bytes:
    """Return the digest of a row that follows the digest ``before``."""
    return hashlib.sha256(before + f"{table}{row!a}".encode("ascii")).digest()


def damages(connection: sqlite3.Connection) -> list[Damage]:
    """Every record that is not as it was written, in the order of the chain; [] when all are.

    To be called inside one view of the file: what others write meanwhile must not be half seen.
    """
    try:
        return _damages(connection)
    except sqlite3.OperationalError:
        # Some text is no text any more: read it all the same, so that its record can be named.
        connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
        try:
            return _damages(connection)
        finally:
            connection.text_factory = str


def _damages(connection: sqlite3.Connection) -> list[Damage]:
    rows: dict[str, dict[Any, Row]] = {}
    for table in RECORDS:
        rows[table] = {row[0]: row[1:] for row in connection.execute(query(table))}
    links = connection.execute("SELECT link, record, number, digest FROM chain ORDER BY link")
    return judged(rows, links)


def query(table: str) -> str:
    """Return the query for the records of a table: number, then the columns of the digest."""
    number, columns = RECORDS[table]
    return f"SELECT {number}, {', '.join(columns)} FROM {table}"


def judged(rows: Mapping[str, Mapping[Any, Row]], links: Iterable[Row]) -> list[Damage]:
    """Every record of ``rows`` that its link does not prove, in the order of the chain.

    rows: table -> number -> row.  links: (link, table, number, digest) in order.
    """
    left = {table: dict(own) for table, own in rows.items()}
    found: list[Damage] = []
    before, doubted, last = START, None, 0
    for link, table, number, digest in links:
        after_a_gap, last = link != last + 1, link
        row = left.get(table, {}).pop(number, None) if isinstance(table, str) else None
        name = name_of(table, number, row)
        made = digest_of(before, table, row) if row and isinstance(before, bytes) else b""
        if row is None:
            found.append(Damage(str(table), number, f"{name} is missing"))
        elif after_a_gap:
            text = f"{name} is not proven: the link before its own is missing"
            found.append(Damage(table, number, text, contradicted=False))
        elif made != digest and doubted and digest_of(doubted, table, row) == digest:
            # This link follows the digest that the last content gives: that content is proven.
            one = found.pop()
            text = f"the link of {name_of(one.table, one.number)} is damaged; what it says is sound"
            found.append(Damage(one.table, one.number, text, contradicted=False))
            made = digest
        elif made != digest:
            found.append(Damage(table, number, f"{name} is not as it was written"))
        doubted = made if made != digest and not after_a_gap else None
        before = digest
    for table, unlinked in left.items():
        for number, row in unlinked.items():
            text = f"{name_of(table, number, row)} is not proven: it has no link"
            found.append(Damage(table, number, text, contradicted=False))
    return found


def name_of(table: object, number: object, row: Row | None = None) -> str:
    """Return a record as people know it: "entry 17 (press 4)", "the session", "plan 1"."""
    if table == "book":
        return "the session"
    if table == "presses":
        return f"press {number!a} as planned"
    if table == "entries":
        return f"entry {number!a}" + (f" (press {row[2]!a})" if row else "")
    if table == "journal":
        return f"note {number!a}" + (f" ({row[2]!a})" if row else "")
    return f"plan {number!a}" if table == "plans" else f"record {number!a} of {table!a}"
