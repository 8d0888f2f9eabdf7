"""The journal: notes of bench and room, appended, taken back, and brought into an older book."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from dtfexp import Logbook, LogbookError
from tests.book.conftest import of_layout


def test_a_note_is_kept_once_and_read_back(book: Logbook) -> None:
    said = {"humidity": 55.5, "note": "wet day, 30 °C", "points": [1, 2.5]}
    first = book.keep("room", said, by="Bo", id="tap-1")
    assert book.keep("room", said, id="tap-1") == first == "tap-1"
    book.keep("lot", {"what": "film"})
    (note,) = book.kept("room")
    assert (dict(note.said), note.by, note.kind, note.seq) == (said, "Bo", "room", 1)
    assert note.at.tzinfo is not None
    with Logbook.open(book.path) as other:
        assert [n.kind for n in other.kept()] == ["room", "lot"]
        assert other.kept("lot")[0].by == "Ana", "the book's own name stands in"
    with pytest.raises(LogbookError, match="already with other contents"):
        book.keep("room", {"humidity": 40}, id="tap-1")


def test_a_wrong_note_is_taken_back_and_stays_in_the_file(book: Logbook) -> None:
    wrong = book.keep("room", {"humidity": 5})
    right = book.keep("room", {"humidity": 50})
    book.take_back(wrong)
    book.take_back(wrong)
    assert [note.id for note in book.kept("room")] == [right]
    with book._store.reading() as connection:
        assert connection.execute("SELECT COUNT(*) FROM journal").fetchone() == (3,)
    with pytest.raises(LogbookError, match="is no note of this book"):
        book.take_back("nothing")


@pytest.mark.parametrize(
    "said", [{}, [], "x", None, {"a": float("nan")}, {1: 2}, {"a": object()}, {"a": "\ud800"}]
)
def test_what_json_cannot_hold_is_refused(book: Logbook, said: object) -> None:
    with pytest.raises(LogbookError, match="room: it says ") as caught:
        book.keep("room", said)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
    assert book.kept() == []


@pytest.mark.parametrize("kind", ["", "Room", "a" * 41, "room ", 3, None])
def test_a_kind_is_plain_words(book: Logbook, kind: object) -> None:
    with pytest.raises(LogbookError, match="a kind is lower-case words"):
        book.keep(kind, {"a": 1})  # type: ignore[arg-type]


def test_a_book_of_the_first_layout_gains_a_journal(book, tmp_path) -> None:
    book.record(1, {"peel": 4})
    path = tmp_path / "old.dtfbook"
    of_layout(path, book.path, 1)
    with Logbook.open(path) as today:
        assert today.results()["peel"].iloc[0] == 4
        today.keep("room", {"humidity": 50})
        assert len(today.kept("room")) == 1
    (backup,) = tmp_path.glob("old.before-layout-3.*")
    with closing(sqlite3.connect(backup)) as raw:
        assert raw.execute("SELECT COUNT(*) FROM entries").fetchone() == (1,)
