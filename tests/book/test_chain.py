"""The chain over records: whatever is changed, added or taken away is named; nothing is read."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from dtfexp import Logbook, LogbookError
from tests.book.conftest import forge, of_layout


@pytest.fixture
def kept(new_book) -> Path:
    """A closed book with two plans' worth of presses, five entries and two notes."""
    with new_book() as book:
        for press in (1, 2, 3, 4, 5):
            book.record(press, {"peel": press}, note=f"press {press}", by="Bo")
        book.keep("room", {"humidity": 50})
        book.keep("any", {"text": "ß °"})
    return book.path


def altered(path: Path, *statements: str) -> None:
    """Change a file past its triggers, which are put back as they were."""
    with closing(sqlite3.connect(path, isolation_level=None)) as raw:
        kept = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in kept:
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            raw.execute(statement)
        for _, sql in kept:
            raw.execute(sql)


def refused(path: Path) -> str:
    with pytest.raises(LogbookError) as caught:
        Logbook.open(path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_sound_book_says_nothing(kept: Path) -> None:
    before = kept.read_bytes()
    assert Logbook.check(kept) == []
    assert kept.read_bytes() == before


def test_the_digest_is_what_the_page_says(kept: Path) -> None:
    """Worked out here anew with hashlib alone, from the rule in ``chain``'s docstring."""
    with closing(sqlite3.connect(kept)) as raw:
        links = raw.execute("SELECT record, number, digest FROM chain ORDER BY link").fetchall()
        session = raw.execute("SELECT id, session, at, by FROM book").fetchone()
        last = raw.execute(
            "SELECT id, seq, kind, said, at, by FROM journal ORDER BY seq"
        ).fetchall()
    assert [link[:2] for link in links[:3]] == [("book", 1), ("plans", 1), ("presses", 1)]
    first = hashlib.sha256(bytes(32) + ("book" + ascii(session)).encode()).digest()
    assert links[0][2] == first
    assert (
        links[-1][2]
        == hashlib.sha256(links[-2][2] + ("journal" + ascii(last[-1])).encode()).digest()
    )


GRADE = """UPDATE entries SET said = replace(said, '"grade/peel":2.0', '"grade/peel":5.0')"""


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        (GRADE, "entry 2 (press 2) is not as it was written"),
        ("UPDATE entries SET by = 'Al' WHERE seq = 5", "entry 5 (press 5) is not as"),
        ("UPDATE entries SET kind = CAST(kind AS BLOB) WHERE seq = 4", "entry 4 (press 4) is not"),
        ("UPDATE entries SET at = CAST(x'ff32' AS TEXT) WHERE seq = 3", "entry 3 (press 3) is not"),
        ("DELETE FROM entries WHERE seq = 3", "entry 3 is missing"),
        ("UPDATE journal SET kind = 'roof' WHERE seq = 1", "note 1 ('roof') is not as it was"),
        ("UPDATE presses SET fabric = 'nylon shell' WHERE press = 1", "press 1 as planned is not"),
        ("UPDATE plans SET seed = 8", "plan 1 is not as it was written"),
        ("UPDATE book SET by = ''", "the session is not as it was written"),
        (
            "INSERT INTO entries SELECT id || 'x', 6, press, kind, said, source, at, by "
            "FROM entries WHERE seq = 1",
            "entry 6 (press 1) is not proven: it has no link",
        ),
        (
            "DELETE FROM chain WHERE link = 4",
            "press 3 as planned is not proven: the link before its own is missing",
        ),
        ("UPDATE chain SET digest = x'00' WHERE record = 'entries' AND number = 2", "what it says"),
    ],
)
def test_damage_is_named_to_the_record(kept: Path, statement: str, told: str) -> None:
    altered(kept, statement)
    found = Logbook.check(kept)
    assert told in found[0]
    message = refused(kept)
    assert f"is damaged: {found[0]}" in message
    assert "dtfexp check" in message


def test_every_damaged_record_is_named_once(kept: Path) -> None:
    altered(kept, "UPDATE entries SET by = 'Al' WHERE seq IN (2, 3, 5)")
    assert [line.split(" (")[0] for line in Logbook.check(kept)] == [
        "entry 2",
        "entry 3",
        "entry 5",
    ]
    assert "and 2 more" in refused(kept)


def test_only_the_link_is_damaged_where_the_next_one_proves_the_record(kept: Path) -> None:
    altered(kept, "UPDATE chain SET digest = x'00' WHERE record = 'entries' AND number = 2")
    assert Logbook.check(kept) == ["the link of entry 2 is damaged; what it says is sound"]


def test_an_older_book_is_chained_at_its_first_opening(kept: Path, tmp_path: Path) -> None:
    old = tmp_path / "old.dtfbook"
    of_layout(old, kept, 2)
    assert Logbook.check(old) == []
    with Logbook.open(old) as book, Logbook.open(kept) as today:
        assert book.history().equals(today.history())
    assert Logbook.check(old) == []
    with closing(sqlite3.connect(old)) as raw:
        assert raw.execute("SELECT COUNT(*) FROM chain").fetchone() == (1 + 1 + 8 + 5 + 2,)
    altered(old, GRADE)
    assert "entry 2 (press 2)" in refused(old)


def test_a_grade_that_no_logbook_writes_is_named(kept: Path) -> None:
    forge(kept, GRADE.replace("5.0", "6"))
    (line,) = Logbook.check(kept)
    assert line.startswith("entry 2 (press 2): press 2, outcome 'peel': got 6")
    with Logbook.open(kept) as book:
        for read in (book.results, book.history, book.waiting):
            with pytest.raises(LogbookError, match=r"entry 2 \(press 2\).*got 6"):
                read()


STRANGE = {
    "a trigger that swallows entries": (
        "CREATE TRIGGER quiet BEFORE INSERT ON entries BEGIN SELECT RAISE(IGNORE); END",
        "it has the trigger 'quiet', which no logbook has",
    ),
    "no protection": (
        "DROP TRIGGER entries_no_update",
        "it lacks the trigger 'entries_no_update'",
    ),
    "another table": ("CREATE TABLE more (x)", "it has the table 'more'"),
    "no index": ("DROP INDEX entries_of_press", "it lacks the index 'entries_of_press'"),
    "an endless view": (
        "CREATE VIEW aaa AS WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x FROM n) "
        "SELECT * FROM n",
        "it has the view 'aaa'",
    ),
}


@pytest.mark.parametrize("case", STRANGE)
def test_a_strange_layout_is_told_before_anything_of_it_runs(kept: Path, case: str) -> None:
    statement, told = STRANGE[case]
    with closing(sqlite3.connect(kept)) as raw, raw:
        raw.execute(statement)
    before = kept.read_bytes()
    assert told in refused(kept)
    assert told in Logbook.check(kept)[0]
    assert kept.read_bytes() == before


def test_a_table_that_is_an_endless_view_does_not_hang(kept: Path) -> None:
    with closing(sqlite3.connect(kept)) as raw, raw:
        raw.execute("ALTER TABLE layout RENAME TO old_layout")
        raw.execute(
            "CREATE VIEW layout AS WITH RECURSIVE n(step) AS "
            "(SELECT 1 UNION ALL SELECT step + 1 FROM n) SELECT step FROM n"
        )
    assert "'layout'" in refused(kept)


def test_a_protection_that_does_nothing_is_told(kept: Path) -> None:
    with closing(sqlite3.connect(kept)) as raw, raw:
        raw.execute("DROP TRIGGER entries_no_delete")
        raw.execute("CREATE TRIGGER entries_no_delete BEFORE DELETE ON entries BEGIN SELECT 1; END")
    assert "its trigger 'entries_no_delete' is not the one of a logbook" in refused(kept)


@pytest.mark.parametrize("version", [1, 2, 7])
def test_a_header_that_tells_another_layout_is_told(kept: Path, version: int) -> None:
    with closing(sqlite3.connect(kept)) as raw:
        raw.execute(f"PRAGMA user_version = {version}")
    assert "is damaged" in refused(kept)
    with closing(sqlite3.connect(kept)) as raw:
        raw.execute("PRAGMA user_version = 3")
        raw.execute("PRAGMA application_id = 5")
    assert "its header names another kind of file" in refused(kept)


def test_a_first_page_that_sqlite_does_not_know_is_damage_not_another_file(kept: Path) -> None:
    content = kept.read_bytes()
    for place in (0, 17, 21):
        kept.write_bytes(content[:place] + bytes([content[place] ^ 0x81]) + content[place + 1 :])
        assert "is damaged" in refused(kept), place
        assert Logbook.check(kept) != []


def test_what_is_no_logbook_is_no_damage(tmp_path: Path) -> None:
    (tmp_path / "text").write_text("press,peel\n")
    os.mkfifo(tmp_path / "pipe")
    for name, told in (("none", "does not exist"), ("text", "not a dtfexp"), ("pipe", "a pipe or")):
        with pytest.raises(LogbookError, match=told):
            Logbook.check(tmp_path / name)


@pytest.mark.parametrize("since", [0, 1])
def test_a_book_replaced_while_open_is_never_read_on(new_book, tmp_path, since: int) -> None:
    """Not even by a copy that lacks nothing."""
    book = new_book(name="a.dtfbook")
    copy = book.backup(tmp_path / "copy.dtfbook")
    for _ in range(since):
        book.record(1, {"peel": 4})
    os.replace(copy, book.path)
    for call in (book.results, lambda: book.record(1, {"peel": 5}), book.history):
        with pytest.raises(LogbookError, match="was replaced by another file or an older copy"):
            call()
    with Logbook.open(book.path) as other:
        assert len(other.history()) == 0


@pytest.mark.parametrize("other", ["an older copy", "another book"])
def test_a_file_copied_over_an_open_book_is_told(new_book, tmp_path: Path, other: str) -> None:
    book, copy = new_book(), tmp_path / "copy.dtfbook"
    if other == "an older copy":
        copy.write_bytes(book.path.read_bytes())
    else:
        with new_book() as stranger:
            stranger.record(1, {"peel": 2})
        copy.write_bytes(stranger.path.read_bytes())
    book.record(1, {"peel": 4})
    book.results()
    # The same file, other contents: SQLite itself would read on from what it has in memory.
    with book.path.open("r+b") as file:
        file.write(copy.read_bytes())
        file.truncate()
    before = book.path.read_bytes()
    for call in (book.results, lambda: book.record(1, {"peel": 5})):
        with pytest.raises(LogbookError, match="was replaced by another file or an older copy"):
            call()
    assert book.path.read_bytes() == before


def test_a_book_moved_or_deleted_while_open_is_told(new_book, tmp_path: Path) -> None:
    book = new_book()
    book.path.rename(tmp_path / "moved.dtfbook")
    with pytest.raises(LogbookError, match="is not there any more"):
        book.record(1, {"peel": 4})
    (tmp_path / "moved.dtfbook").rename(book.path)
    book.record(1, {"peel": 4})
    assert len(book.history()) == 1


def test_what_others_write_meanwhile_is_no_replacement(new_book) -> None:
    book = new_book()
    with Logbook.open(book.path) as other:
        for press in (1, 2, 3):
            other.record(press, {"peel": 4})
            book.record(press, {"peel": 5})
        assert len(other.history()) == len(book.history()) == 6
