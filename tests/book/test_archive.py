"""A whole logbook as JSON: made again it is the same book, and a spoilt one makes none."""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from dtfexp import Logbook, LogbookError
from dtfexp.book.store import photos

TABLES = ("book", "plans", "presses", "entries", "journal")
PICTURE = b"\x89PNG\r\n\x1a\n" + bytes(range(64))


def contents(path: Path) -> dict[str, list[Any]]:
    with closing(sqlite3.connect(path)) as raw:
        return {t: raw.execute(f"SELECT * FROM {t} ORDER BY 1").fetchall() for t in TABLES}


@pytest.fixture
def full(new_book, plan_of) -> Logbook:
    """A book with something of everything in it."""
    book: Logbook = new_book()
    book.add(plan_of(book.session, 4, first=9))
    book.record(
        1, {"peel": 4, "wash": 4.5, "hand": "pass"}, "haze; lift", note="a\nb ° =1", by="Bo"
    )
    book.record(1, {"peel": None}, actual={"press temperature": "160 C", "peel wait": "hot"})
    book.record(2, {"colour change": 0.25}, block="roll 2")
    book.exclude(2, "dropped")
    book.redo(3, "torn")
    book.undo(1)
    bench = book.bench
    bench.machine("press", low=200, high=400, step=5)
    bench.lot("powder", "P-12", opened="2026-05-01")
    bench.room(temperature=75, humidity=50, altitude="5280 ft")
    bench.mark("printed", load=1)
    bench.map("press temperature", 320, range(306, 315))
    bench.check("cure time", 60, 61)
    bench.count("cotton jersey", 40, 1)
    wrong = book.keep("room", {"humidity": 5})
    book.take_back(wrong)
    photos.keep_photo(book, 1, PICTURE)
    return book


def test_the_book_made_again_is_the_same_book(full: Logbook, tmp_path: Path) -> None:
    written = full.export(tmp_path / "out")
    assert "logbook.json" in [path.name for path in written]
    again = tmp_path / "again.dtfbook"
    with Logbook.restore(tmp_path / "out" / "logbook.json", again) as book:
        assert book.session == full.session
        pd.testing.assert_frame_equal(book.results(), full.results())
        pd.testing.assert_frame_equal(book.history(), full.history())
        pd.testing.assert_frame_equal(book.plans(), full.plans())
        assert book.kept() == full.kept()
        (photo,) = photos.photos(book)
        assert photo.read() == PICTURE
        assert photo.path.parent.name == "again.dtfbook.photos"
        book.export(tmp_path / "twice")
        book.record(4, {"peel": 2})
    twice = (tmp_path / "twice" / "logbook.json").read_bytes()
    assert twice == (tmp_path / "out" / "logbook.json").read_bytes()
    with Logbook.restore(tmp_path / "twice" / "logbook.json", tmp_path / "third") as book:
        book.close()
    assert contents(tmp_path / "third") == contents(full.path)


def test_a_book_is_never_written_over(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path / "out")
    before = full.path.read_bytes()
    with pytest.raises(LogbookError, match="is there already"):
        Logbook.restore(tmp_path / "out" / "logbook.json", full.path)
    assert full.path.read_bytes() == before


Spoil = Callable[[dict[str, Any]], Any]


def at(table: str, row: int, column: str, value: Any) -> Spoil:
    def spoil(document: dict[str, Any]) -> None:
        document[table][row][column] = value

    return spoil


def note(kind: str, said: Any) -> Spoil:
    def spoil(document: dict[str, Any]) -> None:
        last = document["journal"][-1]
        document["journal"].append(last | {"id": "x", "seq": 99, "kind": kind, "said": said})

    return spoil


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda d: d.pop("format"), "is no exported logbook"),
        (lambda d: d.update(version=2), "another version of dtfexp"),
        (lambda d: d.pop("entries"), "entries is missing"),
        (lambda d: d["entries"].append({}), "entries, row 7: accepted the columns id, seq"),
        (lambda d: d["entries"].append(d["entries"][0]), "is given twice"),
        (at("entries", 0, "press", 77), "belongs to nothing"),
        (at("entries", 0, "at", "2026-05-01"), "entries, row 1: the time: got"),
        (at("entries", 0, "said", {"grade/peel": 9}), "entries, row 1: .*got 9"),
        (at("entries", 0, "said", {"grade/peel": "4"}), "which no logbook writes"),
        (at("entries", 0, "said", {"grade/peal": 4.0}), "did you mean 'peel'"),
        (at("entries", 0, "said", {"weather": 4}), "it says"),
        (at("entries", 0, "kind", "erase"), "the kind is 'erase'"),
        (at("presses", 0, "fabric", "silk"), "presses, row 1: fabric 'silk'"),
        (at("presses", 0, "settings", {}), "the settings are not those"),
        (at("presses", 0, "press", 1.5), "presses, row 1, press: got 1.5"),
        (at("plans", 0, "seed", "x"), "accepted whole or null"),
        (lambda d: d["book"].update(session="name = 3"), "its session cannot be read"),
        (note("room", {"humidity": "wet"}), "cannot be read as a logbook"),
        (note("map", {"factor": "x"}), "cannot be read as a logbook"),
        (note("step", {"step": "cured"}), "cannot be read as a logbook"),
        (note("Room", {"humidity": 5}), "a kind is lower-case words"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_made(
    full: Logbook, tmp_path: Path, spoil: Spoil, says: str
) -> None:
    full.export(tmp_path / "out")
    source = tmp_path / "out" / "logbook.json"
    document = json.loads(source.read_bytes())
    spoil(document)
    source.write_text(json.dumps(document))
    folder = tmp_path / "new"
    folder.mkdir()
    with pytest.raises(LogbookError, match=says) as caught:
        Logbook.restore(source, folder / "b.dtfbook")
    assert "\n" not in str(caught.value)
    assert list(folder.iterdir()) == []


def test_spoilt_bytes_make_a_whole_book_or_none(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path / "out")
    content = (tmp_path / "out" / "logbook.json").read_bytes()
    source, target = tmp_path / "out" / "spoilt.json", tmp_path / "new" / "b.dtfbook"
    target.parent.mkdir()
    rng = random.Random(20260504)
    made = refused = 0
    for turn in range(60):
        spoilt = bytearray(content)
        for _ in range(rng.randint(1, 3)):
            where = rng.randrange(len(spoilt))
            if rng.random() < 0.8:
                spoilt[where] = rng.choice(b'0123456789"{}[],:.aeN')
            else:
                del spoilt[where : where + rng.randint(1, 30)]
        source.write_bytes(bytes(spoilt))
        try:
            with Logbook.restore(source, target) as book:
                assert len(book.results()) == 12
            made += 1
            target.unlink()
        except LogbookError as error:
            refused += 1
            assert "\n" not in str(error), f"turn {turn}"
        left = [path.name for path in target.parent.iterdir() if path.is_file()]
        assert left == [], f"turn {turn}"
    assert made > 1
    assert refused > 20


def test_times_keep_their_zone(new_book, tmp_path: Path) -> None:
    moment = datetime(2026, 11, 1, 1, 30, tzinfo=UTC)
    path = tmp_path / "zoned.dtfbook"
    session = new_book().session
    with Logbook.create(path, session, clock=lambda: moment + timedelta(hours=1)) as book:
        book.keep("room", {"humidity": 50})
        book.export(tmp_path / "out")
    with Logbook.restore(tmp_path / "out" / "logbook.json", tmp_path / "b.dtfbook") as again:
        assert again.kept()[0].at == moment + timedelta(hours=1)


@pytest.fixture
def archive_of(full: Logbook, tmp_path: Path) -> Path:
    full.export(tmp_path / "out")
    return tmp_path / "out" / "logbook.json"


def test_the_photos_are_there_before_the_book(
    archive_of: Path, tmp_path: Path, monkeypatch
) -> None:
    """Cut off right before the book gets its name, as a kill would: made again, it is whole."""
    target = tmp_path / "new" / "b.dtfbook"
    target.parent.mkdir()
    link = os.link

    def cut_off(*_: object) -> None:
        assert [p.read_bytes() for p in (target.parent / "b.dtfbook.photos").iterdir()] == [PICTURE]
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "link", cut_off)
    with pytest.raises(KeyboardInterrupt):
        Logbook.restore(archive_of, target)
    assert list(target.parent.iterdir()) == []
    monkeypatch.setattr(os, "link", link)
    # What a kill leaves, nothing being put away: photos, and a draft by another name.
    shutil.copytree(archive_of.parent / "photos", target.parent / "b.dtfbook.photos")
    (target.parent / ".b.dtfbook.1.part").write_bytes(b"half")
    with Logbook.restore(archive_of, target) as book:
        assert [photo.read() for photo in photos.photos(book)] == [PICTURE]


def test_a_drive_without_links_is_restored_to_all_the_same(
    archive_of, tmp_path, monkeypatch
) -> None:
    def none(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    with Logbook.restore(archive_of, tmp_path / "b.dtfbook") as book:
        assert len(photos.photos(book)) == 1
    with pytest.raises(LogbookError, match="is there already"):
        Logbook.restore(archive_of, tmp_path / "b.dtfbook")


@pytest.mark.parametrize("trap", ["link", "pipe", "changed", "gone"])
def test_a_photo_that_is_none_is_refused_and_nothing_is_made(
    archive_of: Path, tmp_path: Path, trap: str
) -> None:
    (photo,) = (archive_of.parent / "photos").iterdir()
    photo.unlink()
    secret = tmp_path / "secret"
    secret.write_bytes(PICTURE)
    if trap == "link":
        photo.symlink_to(secret)
    elif trap == "pipe":
        os.mkfifo(photo)
    elif trap == "changed":
        photo.write_bytes(PICTURE + b"!")
    target = tmp_path / "new" / "b.dtfbook"
    target.parent.mkdir()
    told = {"link": "is a link, pipe or device", "pipe": "is a link, pipe or device",
            "changed": "was changed", "gone": "cannot be read"}[trap]  # fmt: skip
    with pytest.raises(LogbookError, match=told) as caught:
        Logbook.restore(archive_of, target)
    assert "lost_photos=True" in str(caught.value)
    assert list(target.parent.iterdir()) == []
    with Logbook.restore(archive_of, target, lost_photos=True) as book:
        assert len(book.history()) == 6
    assert not (target.parent / "b.dtfbook.photos").exists()


def test_an_archive_that_is_a_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "logbook.json")
    with pytest.raises(LogbookError, match="is no plain file"):
        Logbook.restore(tmp_path / "logbook.json", tmp_path / "b.dtfbook")


ODD = [None, -1, 1e300, 2**63, 2**70, 10**400, "", "x", "\x00", "\ud800", True, [], {}, [[]],
       {"a": 1}, [None], {"": None}]  # fmt: skip


def restore_odd_kinds(source: Path, target: Path, every: int) -> tuple[int, int]:
    """Restore with each value of two rows of each table replaced by each of ``ODD``, or with every
    so many-th of these; how many were refused in one line, and how many made a book."""
    document = json.loads(source.read_bytes())
    last = {"book": [document["book"]]} | {table: document[table][-2:] for table in TABLES[1:]}
    owners = [row for rows in last.values() for row in rows]
    owners += [value for row in owners for value in row.values() if isinstance(value, dict)]
    refused = made = 0
    spoils = [(owner, key, odd) for owner in owners for key in owner for odd in ODD]
    for owner, key, odd in spoils[::every]:
        kept, owner[key] = owner[key], odd
        source.write_text(json.dumps(document))
        owner[key] = kept
        try:
            Logbook.restore(source, target).close()
        except LogbookError as error:
            assert "\n" not in str(error)
            refused += 1
        else:
            target.unlink()
            made += 1
    return refused, made


def test_a_value_of_a_wrong_kind_gives_one_line(archive_of: Path, tmp_path: Path) -> None:
    """``tests.bench.proof_store archives`` goes through all of them."""
    refused, made = restore_odd_kinds(archive_of, tmp_path / "b.dtfbook", 23)
    assert refused > 30
    assert made > 1
