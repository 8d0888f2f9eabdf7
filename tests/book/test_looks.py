"""The look of the cure in the logbook: kept, superseded, cured on, warned of, and both ways."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from dtfexp import Logbook, LogbookError, ResultsError, fit
from tests.book.test_clocks import Clock, clock

__all__ = ["clock"]
PICTURE = b"\xff\xd8\xff" + b"x" * 20


@pytest.fixture
def book(tmp_path, session, plan_of, clock):
    """Presses 1 to 8 in oven loads 1 and 2, four each; cure times 60, 65 and 70 s in turn."""
    with Logbook.create(tmp_path / "a.dtfbook", session, clock=clock) as made:
        made.add(plan_of(session))
        yield made


def looks_of(book: Logbook) -> list[str]:
    return book.results()["cure_look"].tolist()


def test_a_book_that_nobody_looked_in_has_no_such_column(book: Logbook) -> None:
    assert "cure_look" not in book.results()
    assert book.bench.looks().empty


def test_a_look_is_of_every_press_of_its_load_and_a_later_one_supersedes_it(book: Logbook) -> None:
    book.bench.look(1, "dull, sandy", by="Ana", note="left side")
    assert looks_of(book) == ["grainy"] * 4 + [""] * 4
    book.bench.look(1, "glossy")
    assert looks_of(book) == ["good"] * 4 + [""] * 4
    assert [note.said["look"] for note in book.kept("cure look")] == ["grainy", "good"]
    assert book.bench.looks()[["oven_load", "cure_look"]].to_numpy().tolist() == [[1, "good"]]


def test_the_same_id_makes_one_note(book: Logbook) -> None:
    keys = {book.bench.look(1, "grainy", cured_on=15, id="x") for _ in range(2)}
    assert keys == {"x"}
    assert len(book.kept("cure look")) == len(book.kept("step")) == 1


@pytest.mark.parametrize(
    ("load", "word", "more", "match"),
    [
        (3, "good", {}, "oven load 3 is not in the book; it has loads 1 to 2"),
        ("x", "good", {}, "oven load"),
        (1, "wobbly", {}, "oven load 1, the look: got 'wobbly'; accepted grainy"),
        (1, "grainy", {"cured_on": 0}, "cured on: got 0; accepted 1 to 3600 s"),
        (1, "grainy", {"photo": b"no photo"}, "no photo"),
        (1, "grainy", {"photo": "nowhere.jpg"}, "nowhere.jpg: cannot be read"),
    ],
)
def test_what_cannot_be_kept_is_refused_and_nothing_is_kept(book, load, word, more, match) -> None:
    with pytest.raises((LogbookError, ResultsError), match=match):
        book.bench.look(load, word, **more)
    assert not book.kept()


def test_a_load_cured_on_counts_with_the_time_it_really_got(book: Logbook) -> None:
    book.record(2, {"peel": 4}, actual={"cure time": 61})
    book.bench.look(1, "grainy", cured_on="15 s")
    # Its look is open until somebody looks again.
    assert "cure_look" not in book.results()
    book.bench.look(1, "grainy", cured_on=30)
    book.bench.look(1, "good")
    results = book.results()
    assert looks_of(book) == ["good"] * 4 + [""] * 4
    assert results["cure time_actual"].tolist()[:4] == [105.0, 61.0, 115.0, 105.0]
    assert results["cure time_actual"].isna().tolist()[4:] == [True] * 4
    assert book.bench.looks()["cured_on"].tolist() == [45.0]
    assert fit(book.session, results).posterior.data.is_cure_look.sum() == 1


def test_the_cure_mark_and_the_rest_start_anew_when_a_load_is_cured_on(book, clock: Clock) -> None:
    book.bench.mark("cured", load=1)
    clock.go(seconds=20)
    assert book.warnings(1) == []
    book.bench.look(1, "grainy", cured_on=15)
    clock.go(seconds=16)
    (warning,) = book.warnings(1)
    assert warning.what == "rest"
    assert warning.clears_at == clock.now + timedelta(seconds=4)


def test_a_grainy_load_is_warned_of_until_it_is_cured_on(book: Logbook, clock: Clock) -> None:
    book.bench.look(1, "grainy")
    (warning,) = book.warnings(4)
    assert (warning.what, warning.clears_at) == ("grainy", None)
    assert "Cure it on before pressing" in warning.says
    assert book.warnings(5) == []
    book.bench.look(1, "grainy", cured_on=15)
    clock.go(minutes=1)
    assert book.warnings(4) == []
    book.bench.look(1, "blistered")
    assert [one.what for one in book.warnings(4)] == ["browned"]
    book.take_back(book.kept("cure look")[-1].id)
    assert book.warnings(4) == []


def test_a_photo_lies_with_the_first_press_of_the_load(book: Logbook, tmp_path: Path) -> None:
    from dtfexp.book.store.photos import photos

    (tmp_path / "a.jpg").write_bytes(PICTURE)
    book.bench.look(2, "good", photo=tmp_path / "a.jpg")
    (photo,) = photos(book)
    assert (photo.press, photo.read()) == (5, PICTURE)


@pytest.mark.parametrize("name", ["results.csv", "results.xlsx"])
def test_looks_go_out_and_come_back_and_say_nothing_twice(book, new_book, tmp_path, name) -> None:
    book.bench.look(1, "grainy", cured_on=15)
    book.bench.look(1, "good")
    book.bench.look(2, "browned")
    book.record(1, {"peel": 4})
    book.export(tmp_path / "out")
    other = new_book()
    assert other.import_results(tmp_path / "out" / name) == 8
    columns = ["press", "peel", "cure_look", "cure time_actual"]
    pd.testing.assert_frame_equal(other.results()[columns], book.results()[columns])
    for one in (book, other):
        assert one.import_sheet(tmp_path / "out" / name).added == 0
    # Cured on since the sheet was written: its older cure time is nobody's reading.
    book.bench.look(1, "grainy", cured_on=15)
    assert book.import_sheet(tmp_path / "out" / name).added == 0
    assert book.results()["cure time_actual"].tolist()[0] == 90.0


def test_the_whole_book_is_restored_with_its_looks(book: Logbook, tmp_path: Path) -> None:
    book.bench.look(1, "grainy", cured_on=15)
    book.bench.look(1, "good")
    book.export(tmp_path / "out")
    with Logbook.restore(tmp_path / "out" / "logbook.json", tmp_path / "b.dtfbook") as again:
        pd.testing.assert_frame_equal(again.results(), book.results())


def sheet(path: Path, cells: dict[int, object]) -> Path:
    made = openpyxl.Workbook()
    made.active.append(["Press", "Powder side"])
    for press, cell in cells.items():
        made.active.append([press, cell])
    made.save(path)
    return path


def test_a_sheet_says_it_in_the_usual_words(book: Logbook, tmp_path: Path) -> None:
    taken = book.import_sheet(
        sheet(tmp_path / "a.xlsx", {1: "Orange peel", 2: None, 5: "yellowed"})
    )
    assert (taken.rows, taken.added, taken.unchanged) == (3, 2, 0)
    assert looks_of(book) == ["good"] * 4 + ["browned"] * 4


def test_a_sheet_older_than_the_book_changes_no_look(book: Logbook, tmp_path: Path) -> None:
    old = sheet(tmp_path / "a.xlsx", {1: "grainy"})
    book.import_results(old)
    book.bench.look(1, "good")
    taken = book.import_sheet(old)
    assert taken.added == 0
    assert "says 'grainy' for oven load 1 as was said before" in taken.remarks[-1]
    assert looks_of(book)[0] == "good"


@pytest.mark.parametrize(
    ("cells", "match"),
    [
        ({1: "wobbly"}, "row 2, column 'Powder side': got 'wobbly'; accepted grainy"),
        ({1: "good", 3: "dull"}, "row 3, .*'grainy' for oven load 1, and row 2 says 'good'"),
    ],
)
def test_a_sheet_with_another_word_or_two_looks_is_refused(book, tmp_path, cells, match) -> None:
    with pytest.raises(ResultsError, match=match):
        book.import_results(sheet(tmp_path / "a.xlsx", cells))
    assert not book.kept()
