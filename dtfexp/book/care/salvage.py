"""What is sound in a damaged logbook, saved into a new one, and what is not, told.

The chain proves each record on its own, so that one damaged page costs what stood on it and no
more, and one flipped bit of a record is found by trying and put right. What else is damaged or gone
is taken from the automatic copies where they hold it: a copy is believed when its own chain is
sound and it is of the same book.
"""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from dtfexp.book.care import backups
from dtfexp.book.store import archive, chain, entries, opening, photos, schema, store
from dtfexp.describe.errors import LogbookError, SessionError
from dtfexp.describe.fields import count_phrase
from dtfexp.describe.session import Session

Rows = dict[str, dict[Any, chain.Row]]
_LINKS = "SELECT link, link, record, number, digest FROM chain"
_MOST_ASKED = 200_000
_PAGE = 4096
_LONGEST_TRIED = 20_000
_BY = "dtfexp"
_LONGEST_SECONDS = 600.0


def salvage(
    path: Path, target: Path, now: datetime, readable: Callable[[Path], object]
) -> list[str]:
    """Make the new logbook ``target`` of what is sound in ``path``.

    Returns a line for each record not saved as it was written, and a last one that counts what is
    saved. ``LogbookError`` when tables or session cannot be read and no copy holds them.
    """
    store.check_header(path)
    store.require_free(target)
    copies = _sound_copies(path)
    rows, links, whole = _readable(path)
    findings = {(d.table, d.number): d for d in chain.judged(rows, links)} if links else {}
    lines = _unflip(rows, findings, links)
    lines += _mend(rows, findings, whole, copies)
    unsure = {}
    for (table, number), damage in findings.items():
        row = rows.get(table, {}).get(number)
        if row is None:
            lines.append(f"{damage.text}, and no copy holds it")
        elif not damage.contradicted or table in ("book", "plans"):
            lines.append(f"{damage.text}; it is kept as it reads now")
        elif table == "presses":
            lines.append(f"{damage.text}; it is kept as it reads now, and left out of every fit")
            unsure[number] = damage
        else:
            said = _in_words(row[4 if table == "entries" else 3])
            lines.append(
                f"{damage.text}; it reads {said}; it is not saved: record it again if that is true"
            )
            del rows[table][number]
    session = _session(path, rows)
    document = _document(session, rows, lines)
    for number in unsure.keys() & {press["press"] for press in document["presses"]}:
        document["entries"].append(_left_out(number, document["entries"], now))
    pictures = photos.photo_folder_of_path(path)
    archive.make(target, document, now, readable, pictures, True, str(path))
    counts = ((len(document[table]), noun, plural) for table, noun, plural in (
        ("presses", "press", "presses"), ("entries", "entry", "entries"),
        ("journal", "note", "notes")))  # fmt: skip
    saved = ", ".join(count_phrase(*one) for one in counts)
    return [*lines, f"saved in {target}: {saved}"]


def _sound_copies(path: Path) -> list[tuple[str, Rows]]:
    """Name and records of every automatic copy that is sound, the newest first."""
    found = []
    for copy in reversed(list(backups.copies_of(path).values())):
        with suppress(LogbookError, *store.ERRORS), closing(store.connect(copy)) as connection:
            schema.check_kind(copy, connection, schema.STEPS)
            if not opening.damages(copy, connection):
                rows = {
                    table: {row[0]: row[1:] for row in connection.execute(chain.query(table))}
                    for table in chain.RECORDS
                }
                found.append((copy.name, rows))
    return found


def _readable(path: Path) -> tuple[Rows, list[chain.Row], bool]:
    """All rows that SQLite still gives, the links, and whether every table was read to its end."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / path.name
        copy.write_bytes(_with_header(path.read_bytes()))
        journal = path.with_name(f"{path.name}-journal")
        if journal.is_file():
            copy.with_name(journal.name).write_bytes(journal.read_bytes())
        _mend_layout(copy)
        with closing(_leniently(copy)) as connection, store.at_most(connection, _LONGEST_SECONDS):
            try:
                tables = dict(connection.execute("SELECT name, type FROM sqlite_master"))
            except store.ERRORS as error:
                raise LogbookError(
                    f"{path}: its tables cannot be read ({error}); go back to a copy, in "
                    f"{store.backup_folder(path)}"
                ) from None
            rows: Rows = {}
            links, whole = _rows(connection, "chain", tables, _LINKS)
            for table in chain.RECORDS:
                rows[table], all_of_it = _rows(connection, table, tables, chain.query(table))
                whole = whole and all_of_it
    rows["book"] = {number: row for number, row in rows["book"].items() if number == 1}
    return rows, [links[number] for number in sorted(links)], whole


def _with_header(content: bytes) -> bytes:
    """Return the file with the header bytes put right that are alike in every logbook."""
    size = int.from_bytes(content[16:18], "big")
    page = size if size >= 512 and size & (size - 1) == 0 else _PAGE
    head = bytearray(content[:100])
    head[:24] = b"SQLite format 3\x00" + page.to_bytes(2, "big") + bytes([1, 1, 0, 64, 32, 32])
    head[28:40] = (len(content) // page).to_bytes(4, "big") + bytes(8)
    head[44:48], head[52:60] = (4).to_bytes(4, "big"), (1).to_bytes(8, "big")
    head[64:68] = bytes(4)
    # The count of changes vouches for the size told above.
    head[92:96] = head[24:28]
    return bytes(head) + content[100:]


def _mend_layout(copy: Path) -> None:
    """Put right the one table, index or trigger whose description is damaged, if it is one."""
    known = {(*key, *rest) for key, rest in schema.layout_of(schema.STEPS).items()}
    with suppress(*store.ERRORS), closing(_leniently(copy)) as raw:
        rows = raw.execute("SELECT rowid, type, name, tbl_name, sql FROM sqlite_master").fetchall()
        strange = [row[0] for row in rows if row[1:] not in known]
        lacking = known - {row[1:] for row in rows}
        if len(strange) == len(lacking) == 1:
            raw.execute(
                "UPDATE sqlite_master SET type = ?, name = ?, tbl_name = ?, sql = ? "
                "WHERE rowid = ?",
                (*lacking.pop(), strange[0]),
            )


def _leniently(copy: Path) -> sqlite3.Connection:
    """Return a connection that passes over tables and text it cannot read."""
    connection = sqlite3.connect(copy, isolation_level=None)
    connection.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("PRAGMA trusted_schema = OFF")
    return connection


def _rows(
    connection: sqlite3.Connection, table: str, tables: Mapping[str, str], query: str
) -> tuple[dict[Any, chain.Row], bool]:
    """Return rows by number: to the first bad page, back from the last, one by one between."""
    if tables.get(table) != "table" or not _plain(connection, table):
        return {}, False
    found: dict[Any, chain.Row] = {}
    for order in ("ASC", "DESC"):
        try:
            for row in connection.execute(f"{query} ORDER BY rowid {order}"):
                found[row[0]] = row[1:]
            return found, order == "ASC"
        except store.ERRORS:
            continue
    top = max((number for number in found if isinstance(number, int)), default=0)
    for number in range(1, min(top, _MOST_ASKED)):
        if number not in found:
            with suppress(*store.ERRORS):
                for row in connection.execute(f"{query} WHERE rowid = ?", (number,)):
                    found[row[0]] = row[1:]
    return found, False


def _plain(connection: sqlite3.Connection, table: str) -> bool:
    """Whether the table has stored columns only: reading it then runs nothing of the file."""
    try:
        columns = connection.execute(f"PRAGMA table_xinfo({table})").fetchall()
    except store.ERRORS:
        return False
    return bool(columns) and not any(column[6] for column in columns)


def _in_words(said: object) -> str:
    """Return what a record says, for people: "peel 5, note torn"; as it stands if no JSON."""
    try:
        pairs = json.loads(str(said)).items()
    except (ValueError, AttributeError, RecursionError):
        return f"{said!a:.200}"
    words = (
        f"{str(name).rpartition('/')[2]} {f'{value:g}' if isinstance(value, float) else value}"
        for name, value in pairs
    )
    return ", ".join(words)[:200]


def _unflip(
    rows: Rows, findings: dict[tuple[str, int], chain.Damage], links: list[chain.Row]
) -> list[str]:
    """Put right the records in which one bit has flipped: the digest proves which; a line each."""
    lines = []
    before = {link: digest for link, _, _, digest in links}
    for link, table, number, digest in links:
        row = rows.get(table, {}).get(number)
        if row is None or (table, number) not in findings:
            continue
        for other in _one_bit_off(row):
            if chain.digest_of(before.get(link - 1, chain.START), table, other) == digest:
                rows[table][number] = other
                del findings[table, number]
                lines.append(f"{chain.name_of(table, number, other)}: one bit of it had flipped in "
                            "the file; it is put right")  # fmt: skip
                break
    return lines


def _one_bit_off(row: chain.Row) -> Iterator[chain.Row]:
    for place, value in enumerate(row):
        others: Iterable[object] = ()
        if isinstance(value, int):
            others = (value ^ (1 << bit) for bit in range(63))
        elif isinstance(value, bytes):  # the kind of a text may have flipped
            others = (value.decode("utf-8", "surrogateescape"),)
        elif isinstance(value, str) and len(value) <= _LONGEST_TRIED:
            others = _texts_one_bit_off(value.encode("utf-8", "surrogateescape"))
        for other in others:
            yield (*row[:place], other, *row[place + 1 :])


def _texts_one_bit_off(content: bytes) -> Iterator[str]:
    for bit in range(8 * len(content)):
        flipped = bytearray(content)
        flipped[bit // 8] ^= 1 << bit % 8
        yield flipped.decode("utf-8", "surrogateescape")


def _mend(
    rows: Rows,
    findings: dict[tuple[str, int], chain.Damage],
    whole: bool,
    copies: list[tuple[str, Rows]],
) -> list[str]:
    """Take from the copies what is damaged or gone; one line for each."""
    lines = []
    mine = rows["book"].get(1, (None,))
    for name, copy in copies:
        if ("book", 1) not in findings and mine[0] not in (None, copy["book"][1][0]):
            continue
        for table, number, row in _all(copy):
            lost = number not in rows[table]
            if (table, number) in findings or (lost and not whole):
                if row != rows[table].get(number):
                    what = chain.name_of(table, number, row)
                    lines.append(f"{what} is damaged or gone; it is taken from the copy {name}")
                rows[table][number] = row
                findings.pop((table, number), None)
    return lines


def _all(rows: Rows) -> Iterator[tuple[str, int, chain.Row]]:
    for table in chain.RECORDS:
        # A damaged number may be no number any more.
        for number in sorted(rows[table], key=lambda n: n if isinstance(n, int) else 0):
            yield table, number, rows[table][number]


def _session(path: Path, rows: Rows) -> Session:
    try:
        return Session.from_toml(rows["book"][1][1], strict=False)
    except (LookupError, SessionError) as error:
        raise LogbookError(
            f"{path}: its session cannot be read ({error}) and no copy in "
            f"{store.backup_folder(path)} holds it; nothing can be saved"
        ) from None


def _document(session: Session, rows: Rows, lines: list[str]) -> dict[str, Any]:
    """Return the archive of all rows that make sense together; what does not is told."""
    document: dict[str, Any] = {table: [] for table in chain.RECORDS}
    plans, presses, ids = set(), set(), set()
    for table, number, row in _all(rows):
        try:
            said = archive.unpacked(table, row)
            fault = archive.row_fault(session, table, said)
        except (ValueError, TypeError, RecursionError):
            said, fault = {}, ": its text cannot be read"
        if not fault and table == "entries" and said["press"] not in presses:
            fault = ": its press is lost"
        if not fault and (table, said.get("id", number)) in ids:
            fault = ": its id is given twice"
        if fault:
            lines.append(f"{chain.name_of(table, number, row)}{fault}; it is not saved")
            continue
        ids.add((table, said.get("id", number)))
        if table == "plans":
            plans.add(said["id"])
        elif table == "presses":
            presses.add(number)
            if said["plan"] not in plans:
                plans.add(said["plan"])
                document["plans"].append(_lost_plan(said["plan"], document))
        document[table].append(said)
    (document["book"],) = document["book"]
    return document


def _lost_plan(id: str, document: Mapping[str, Any]) -> dict[str, Any]:
    number = 1 + max((plan["seq"] for plan in document["plans"]), default=0)
    return {"id": id, "seq": number, "design": "lost", "seed": 0, "reason": "This plan's own "
            "record was damaged; its presses are kept.", "notes": [],
            "at": document["book"][0]["at"], "by": _BY}  # fmt: skip


def _left_out(press: int, found: list[dict[str, Any]], now: datetime) -> dict[str, Any]:
    number = 1 + max((entry["seq"] for entry in found), default=0)
    said = {entries.EXCLUDED: "Its planned settings were damaged in the file: compare the run "
            "sheet, then include it again."}  # fmt: skip
    return {"id": entries.new_id(), "seq": number, "press": press, "kind": entries.RECORD,
            "said": said, "source": entries.BENCH, "at": now.isoformat(), "by": _BY}  # fmt: skip
