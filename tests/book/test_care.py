"""A logbook looked after: copies beside writers and by age, and what is saved of a damaged one."""

from __future__ import annotations

import os
import random
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from dtfexp import Logbook, LogbookError
from dtfexp.book.care import backups
from dtfexp.book.store import photos
from tests.book.test_archive import PICTURE
from tests.book.test_chain import GRADE, altered


@pytest.fixture
def full(new_book) -> Logbook:
    book: Logbook = new_book()
    for press in (1, 2, 3):
        book.record(press, {"peel": press}, note=f"press {press}")
    book.keep("room", {"humidity": 50})
    photos.keep_photo(book, 1, PICTURE)
    return book


class Clock:
    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.at = datetime.now().replace(microsecond=0)
        monkeypatch.setattr(backups, "now", lambda: self.at)

    def later(self, **time: float) -> None:
        self.at += timedelta(**time)


@pytest.fixture
def clock(monkeypatch) -> Clock:
    return Clock(monkeypatch)


def copies(book: Logbook) -> list[Path]:
    return list(backups.copies_of(book.path).values())


def test_a_copy_is_the_whole_book_with_its_photos(full: Logbook, tmp_path: Path) -> None:
    copy = full.backup(tmp_path / "copy.dtfbook")
    assert copy == tmp_path / "copy.dtfbook"
    assert Logbook.check(copy) == []
    with Logbook.open(copy) as other:
        assert other.history().equals(full.history())
        assert other.kept() == full.kept()
        (photo,) = photos.photos(other)
        assert photo.read() == PICTURE
        assert photo.path.parent.name == "copy.dtfbook.photos"
    stick = tmp_path / "stick"
    stick.mkdir()
    assert full.backup(stick).parent == stick
    left = [p.name for p in tmp_path.iterdir() if p.name.endswith((".part", "-journal"))]
    assert left == []


def test_a_copy_never_overwrites_and_leaves_nothing_half(full: Logbook, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("mine")
    with pytest.raises(LogbookError, match="is there already"):
        full.backup(tmp_path / "there")
    with pytest.raises(LogbookError, match="does not exist"):
        full.backup(tmp_path / "no" / "such.dtfbook")
    assert (tmp_path / "there").read_text() == "mine"
    assert not list(tmp_path.glob(".*"))


def test_a_lost_photo_is_told_and_the_rest_is_copied(full: Logbook, tmp_path: Path) -> None:
    photos.photos(full)[0].path.unlink()
    with pytest.warns(UserWarning, match="not in the copy, lost before: photo .* cannot be read"):
        copy = full.backup(tmp_path / "copy.dtfbook")
    (line,) = Logbook.check(copy)
    assert "cannot be read" in line


def test_a_copy_is_made_by_itself_before_the_first_write_after_an_hour(full, clock) -> None:
    with Logbook.open(full.path) as book:
        book.record(1, {"peel": 5})
        assert copies(book) == []
        clock.later(minutes=61)
        book.results()
        assert copies(book) == [], "reading makes none"
        book.record(1, {"peel": 4})
        book.record(1, {"peel": 3})
        (first,) = copies(book)
        clock.later(minutes=59)
        book.record(1, {"peel": 2})
        assert copies(book) == [first]
    clock.later(minutes=2)
    with Logbook.open(full.path) as book:
        book.record(2, {"peel": 1})
        first, second = copies(book)
    with Logbook.open(first) as one, Logbook.open(second) as two:
        assert one.history()["peel"].tolist() == [1.0, 2.0, 3.0, 5.0], "as before that write"
        assert two.history()["peel"].tolist()[4:] == [4.0, 3.0, 2.0]
        files = [photos.photos(copy)[0].path for copy in (one, two)]
    assert Logbook.check(first) == Logbook.check(second) == []
    assert os.path.samefile(*files), "the copies share their photos"
    assert not os.path.samefile(files[0], photos.photos(full)[0].path)


def test_a_copy_that_cannot_be_made_stops_no_entry(full: Logbook, clock) -> None:
    (full.path.parent / f"{full.path.name}.backups").write_text("a file in the way")
    clock.later(hours=2)
    with pytest.warns(UserWarning, match="no automatic copy was made"):
        full.record(1, {"peel": 5})
    assert len(full.history(1)) == 2


def test_copies_are_kept_by_age(full: Logbook, clock) -> None:
    """The rule worked out by hand for a copy an hour over half a year."""
    midnight = datetime(2026, 6, 17, 12)  # a Wednesday
    made = [midnight - timedelta(hours=k) for k in range(24 * 180)]
    stay = sorted(backups.kept(made, midnight), reverse=True)
    hours = [datetime(2026, 6, 17, h) for h in (12, 11, 10)]
    days = [datetime(2026, 6, d, 23) for d in (16, 15, 14, 13, 12, 11)]
    sundays = [datetime(2026, 6, 14, 23) - timedelta(weeks=k) for k in range(8)]
    assert stay == sorted({*hours, *days, *sundays}, reverse=True)
    # Played: nothing that should stay is gone by the time it should be there.
    for _ in range(40):
        clock.later(hours=13)
        full.record(1, {"peel": 4})
    ages = [(clock.at.date() - at.date()).days for at in backups.copies_of(full.path)]
    assert set(range(7)) <= set(ages)
    assert len(ages) <= 3 + 7 + 9
    assert max(ages) >= 14
    folders = [p for p in (full.path.parent / f"{full.path.name}.backups").iterdir() if p.is_dir()]
    assert len(folders) == len(ages), "photos go with their copy"


def test_photos_of_a_linked_book_lie_beside_the_book_itself(full: Logbook, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    link = tmp_path / "elsewhere" / "link.dtfbook"
    link.symlink_to(full.path)
    with Logbook.open(link) as book:
        photos.keep_photo(book, 2, PICTURE + b"2")
    assert [p.name for p in link.parent.iterdir()] == ["link.dtfbook"]
    assert len(photos.photos(full, 2)[0].read()) == len(PICTURE) + 1


def saved(path: Path) -> tuple[list[str], Logbook]:
    target = path.with_name("saved.dtfbook")
    told = Logbook.salvage(path, target)
    assert Logbook.check(target) == []
    return told, Logbook.open(target)


def test_all_but_the_damaged_entry_is_saved(full: Logbook) -> None:
    altered(full.path, GRADE)
    before = full.path.read_bytes()
    told, book = saved(full.path)
    with book:
        assert book.history()["entry"].tolist() == [1, 3]
        assert [photo.read() for photo in photos.photos(book)] == [PICTURE]
        assert len(book.kept()) == 2
    assert told[0] == (
        "entry 2 (press 2) is not as it was written; it reads peel 5, note press 2; it is not "
        "saved: record it again if that is true"
    )
    assert told[-1].endswith("8 presses, 2 entries, 2 notes")
    assert full.path.read_bytes() == before


def test_a_copy_gives_back_what_is_damaged(full: Logbook, clock) -> None:
    clock.later(hours=2)
    full.record(4, {"peel": 4})
    altered(full.path, GRADE, "UPDATE book SET session = 'x'", "DELETE FROM presses WHERE press=1")
    told, book = saved(full.path)
    with book:
        assert book.session == full.session
        assert book.history()["peel"].tolist() == [1.0, 2.0, 3.0, 4.0]
        assert len(book.runs()) == 8
    assert sum("is taken from the copy" in line for line in told) == 3


def test_a_press_of_doubtful_settings_is_left_out_of_every_fit(full: Logbook) -> None:
    altered(full.path, "UPDATE presses SET settings = replace(settings, '325.0', '320.0')")
    told, book = saved(full.path)
    with book:
        assert book.results()["excluded"].tolist() == [True, False] * 4
    assert sum("left out of every fit" in line for line in told) == 4


def test_nothing_is_saved_without_a_session(full: Logbook, tmp_path: Path) -> None:
    altered(full.path, "UPDATE book SET session = 'x'")
    with pytest.raises(LogbookError, match=r"its session cannot be read .* nothing can be saved"):
        Logbook.salvage(full.path, tmp_path / "new.dtfbook")
    assert not (tmp_path / "new.dtfbook").exists()


def test_a_broken_page_costs_what_stood_on_it(new_book, tmp_path: Path) -> None:
    with new_book() as book:
        for k in range(300):
            book.record(1 + k % 8, {"peel": 1 + k % 5}, note=f"entry {k} " + "x" * 200)
        want = book.history().set_index("entry")["note"]
    content = bytearray(book.path.read_bytes())
    page = content.index(b"entry 150 xxx") // 4096
    content[4096 * page : 4096 * (page + 1)] = random.Random(1).randbytes(4096)
    book.path.write_bytes(content)
    told, other = saved(book.path)
    with other:
        found = other.history().set_index("entry")["note"]
    assert found.equals(want[found.index])
    assert 0 < 300 - len(found) < 40
    assert len(told) == 1 + 300 - len(found)
