"""One bit of a logbook file flipped at a time, and what is told of it."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Any

from dtfexp import Logbook, LogbookError
from dtfexp.book.store import chain


def small_book(path: Path, page: int) -> bytes:
    """The bytes of ``path``, a closed logbook, in pages of ``page`` bytes: small ones are full."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(f"PRAGMA page_size = {page}")
        raw.execute("VACUUM")
    return path.read_bytes()


def flip_bits(content: bytes, bits: Iterable[int], place: Path, longer: int = 0) -> Counter[str]:
    """Open the book with each bit of ``bits`` flipped; count "told" and "harmless".

    Harmless is a book that opens and holds, letter for letter, what it held. Every ``longer``-th
    flip also goes through ``Logbook.check`` and, where it opens, through another entry; where it is
    told, through ``Logbook.salvage``.

    Raises AssertionError for a flip that changes what the book says without a word, and whatever
    is raised that is no ``LogbookError`` in one line.
    """
    want = _said(_put(content, place))
    seen: Counter[str] = Counter()
    for turn, bit in enumerate(bits):
        flipped = bytearray(content)
        flipped[bit // 8] ^= 1 << bit % 8
        also = bool(longer) and turn % longer == 0
        if also:
            _put(flipped, place)
            try:
                damaged = Logbook.check(place) != []
            except LogbookError:
                damaged = True
        try:
            found = _said(_put(flipped, place))
        except LogbookError as error:
            assert "\n" not in str(error), f"bit {bit}"
            seen["told"] += 1
            if also:
                assert damaged, f"bit {bit}: check says nothing"
                seen[_salvaged(_put(flipped, place), want)] += 1
            continue
        assert found == want, f"bit {bit} of byte {bit // 8}: silent"
        seen["harmless"] += 1
        if also:
            with Logbook.open(place) as book:
                book.record(1, {"peel": 2})
            assert Logbook.check(place) == [], f"bit {bit}: an entry later"
            seen["harmless, also after another entry"] += 1
    return seen


def _put(content: bytes, place: Path) -> Path:
    place.write_bytes(content)
    return place


def _said(place: Path) -> dict[str, list[Any]]:
    with Logbook.open(place) as book, book._store.reading() as connection:
        return {table: connection.execute(chain.query(table)).fetchall() for table in chain.RECORDS}


def _salvaged(place: Path, want: dict[str, list[Any]]) -> str:
    target = place.with_name("salvaged.dtfbook")
    target.unlink(missing_ok=True)
    try:
        Logbook.salvage(place, target)
    except LogbookError as error:
        assert "\n" not in str(error)
        return "salvage: nothing, and it is said"
    assert Logbook.check(target) == []
    now = _said(target)
    for table in ("entries", "journal"):
        assert all(row in want[table] or row[-1] == "dtfexp" for row in now[table]), table
    if now == want:
        return "salvage: everything"
    lost = sum(len(want[table]) - len(now[table]) for table in ("presses", "entries", "journal"))
    return f"salvage: all but {lost}"
