"""Entries survive: a writer killed at any moment, many writers at once, many entries."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dtfexp import Logbook, LogbookError
from dtfexp.book.store import entries
from tests.book.killing import crowd, kill_writers

# About one kill in twelve falls into a write on a quick disk: ninety hardly all miss.
KILLS = 90
EACH = 100
#: A disk in memory, where there is one.
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None


def test_a_killed_writer_loses_nothing_acknowledged(new_book, child) -> None:
    """``tests.bench.proof_store`` does the same some hundreds of times."""
    book = new_book()
    book.close()
    tally = kill_writers(book.path, KILLS, 20260501, child)
    assert tally.acknowledged > KILLS
    assert tally.cut_off, "no kill fell into the middle of a write; the test proves nothing"


def test_a_killed_create_leaves_a_book_or_a_clear_word(tmp_path: Path, child, session) -> None:
    rng = random.Random(7)
    seen = set()
    for turn in range(30):
        path = tmp_path / f"{turn}.dtfbook"

        def make(say, path=path) -> None:
            say("go")
            Logbook.create(path, session).close()

        maker = child(make)
        maker.line()
        time.sleep(rng.uniform(0, 0.02))
        os.kill(maker.pid, signal.SIGKILL)
        maker.rest()
        try:
            with Logbook.open(path) as book:
                assert book.session == session
            seen.add("book")
        except LogbookError as error:
            assert "\n" not in str(error)
            assert any(w in str(error) for w in ("does not exist", "is empty", "not a dtfexp"))
            seen.add("word")
    assert "book" in seen or "word" in seen


def test_threads_on_one_book_lose_nothing(new_book) -> None:
    book = new_book()
    errors: list[BaseException] = []

    def write(press: int) -> None:
        try:
            for k in range(EACH):
                book.record(press, {"peel": 1 + k % 5}, id=f"{press}-{k}")
                if k % 10 == 0:
                    book.results()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=write, args=(press,)) for press in (1, 2, 3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    history = book.history()
    assert len(history) == 3 * EACH
    assert list(history["entry"]) == list(range(1, 3 * EACH + 1))
    assert set(history["id"]) == {f"{p}-{k}" for p in (1, 2, 3) for k in range(EACH)}


@pytest.mark.parametrize(("folder", "writes"), [(None, 2 * EACH), (MEMORY, 1000)])
def test_two_programs_on_one_file_lose_nothing(new_book, child, folder, writes: int) -> None:
    """Two hundred each on a real disk; a thousand each where writing is quick."""
    with tempfile.TemporaryDirectory(dir=folder) as place:
        path = Path(place) / "shop.dtfbook"
        shutil.copyfile(new_book().path, path)

        turns = crowd(path, writes, child)
    assert turns > 10, "they hardly wrote at the same time; the test proves nothing"


def test_the_same_entries_from_two_programs_are_kept_once(new_book, child) -> None:
    path = new_book().path

    def write(say) -> None:
        with Logbook.open(path) as mine:
            for k in range(50):
                mine.record(1 + k % 8, {"peel": 1 + k % 5}, id=f"tap-{k}")
        say("done")

    programs = [child(write), child(write)]
    assert [program.rest() for program in programs] == [["done"], ["done"]]
    with Logbook.open(path) as book:
        assert len(book.history()) == 50


def test_two_programs_importing_one_sheet_add_it_once(new_book, child, tmp_path) -> None:
    path = new_book().path
    sheet = tmp_path / "shop.csv"
    sheet.write_text("press,peel\n" + "".join(f"{p},{1 + p % 5}\n" for p in range(1, 9)))

    def take(say) -> None:
        with Logbook.open(path) as mine:
            say(str(mine.import_sheet(sheet).added))

    programs = [child(take), child(take)]
    assert sorted(program.rest()[0] for program in programs) == ["0", "8"]
    with Logbook.open(path) as book:
        assert len(book.history()) == 8


def test_twice_the_entries_are_twice_the_work(new_book) -> None:
    """Counted, not timed: calls in Python and steps in SQLite, to open a book and read it.

    ``tests.bench.proof_store growth`` gives the seconds, up to 20,000 entries.
    """
    few, many = (work_of_reading(new_book(presses=200), count) for count in (2_000, 4_000))
    assert many["calls"] < 2.1 * few["calls"]
    assert many["steps"] < 2.2 * few["steps"]
    assert few["steps"] > 2_000, "no step was counted; the test proves nothing"


def work_of_reading(book: Logbook, count: int) -> dict[str, int]:
    at = datetime(2026, 5, 1, tzinfo=UTC)
    with book._store.writing() as connection:
        for k in range(count):
            said = {"grade/peel": float(1 + k % 5), "note": f"entry {k}"}
            entry = entries.Entry(str(k), 1 + k % 200, "record", said, "bench", at, "Ana")
            entries.append(connection, entry)
    work = {"calls": 0, "steps": 0}

    def call(_frame, event, _argument) -> None:
        work["calls"] += event in ("call", "c_call")

    def step() -> int:
        work["steps"] += 1
        return 0

    before = sys.getprofile()
    sys.setprofile(call)
    try:
        with Logbook.open(book.path) as again:
            with again._store.reading() as connection:
                connection.set_progress_handler(step, 1)
            results = again.results()
            again.history()
    finally:
        sys.setprofile(before)
    assert results.set_index("press").loc[200, "note"] == f"entry {count - 1}"
    return work
