"""The terminal answers: status, undo, record, note, export, and what ``next`` refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from dtfexp import Fabric, Factor, Logbook, Outcome, Session, plan
from dtfexp.book.bench.changes import WHAT
from dtfexp.book.status import press_list, status
from dtfexp.describe.errors import LogbookError
from dtfexp.shop import cli
from dtfexp.shop.cli import main
from dtfexp.shop.steps import next_form


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """One setting in °F, two fabrics, six planned presses; nothing recorded."""
    session = Session(
        "spring",
        [Factor("press temperature", 280, 330, "°F", 5, spread=4, usual=305)],
        [Outcome("peel"), Outcome("wash")],
        ["cotton", Fabric("fleece", 320, "°F")],
    )
    with Logbook.create(tmp_path / "my.dtfbook", session) as book:
        book.add(plan(session, 6))
    return tmp_path / "my.dtfbook"


def said(capsys: pytest.CaptureFixture[str], *argv: object) -> str:
    assert main([str(part) for part in argv]) == 0, capsys.readouterr().err
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *argv: object) -> str:
    assert main([str(part) for part in argv]) == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert error.count("\n") == 1
    return error


def grade_all(path: Path, peel: int = 4) -> None:
    with Logbook.open(path) as book:
        for press in book.runs()["press"]:
            book.record(int(press), {"peel": peel, "wash": peel})


def test_status_before_the_first_grade_fits_nothing(path: Path, capsys, monkeypatch) -> None:
    monkeypatch.setattr("dtfexp.dialin.fit.fit", lambda *_: pytest.fail("fitted"))
    told = said(capsys, "status", path)
    assert "6 planned, not pressed yet: 1-6" in told
    assert "cotton: no grade yet." in told
    assert "Next: Make and grade presses 1-6.\n      dtfexp sheet" in told
    assert "At the bench now:\n   - warm up oven" in told and "   - cure load 1 (coupon" in told


def test_status_of_a_half_graded_book_names_every_press_once(
    path: Path, capsys, monkeypatch
) -> None:
    with Logbook.open(path, by="Ana") as book:
        book.record(1, {"peel": 4, "wash": 5})
        book.record(2, {"peel": 3})
        book.record(3, note="film torn")
        book.exclude(4, "coupon lost")
        now = status(book)
        fitted = book.bench.fitted()
        windows = {one.fabric: fitted.window(one.fabric) for one in now.verdicts}
    assert now.groups == [
        ("planned, not pressed yet", (5, 6)),
        ("waiting for wash", (2,)),
        ("waiting for peel, wash", (3,)),
        ("graded", (1,)),
        ("left out of the fit", (4,)),
    ]
    assert now.next_step == (
        "Make and grade presses 5-6. Still to grade: wash of press 2; peel, wash of press 3."
    )
    monkeypatch.chdir(path.parent)
    told = said(capsys, "status", path.name)
    assert max(map(len, told.splitlines())) <= 80
    for fabric, window in windows.items():
        assert f"{fabric}: no window yet. {window.reason}" in " ".join(told.split())


def test_a_verdict_is_the_window_in_its_own_sentence_and_says_what_is_next(path: Path) -> None:
    grade_all(path, peel=5)
    with Logbook.open(path) as book:
        good = status(book)
        fitted = book.bench.fitted()
        assert good.step == "next"
        for one in good.verdicts:
            window = fitted.window(one.fabric)
            state = "window found, may still move" if window.cautious else "window found"
            told = f"{state}. {window.expectation}"
            assert one.sentence == (told if window.found else f"no window yet. {window.reason}")
        for press in book.runs()["press"]:
            book.record(int(press), {"peel": 1, "wash": 1})
        bad = status(book)
    assert (bad.step, bad.next_step) == (
        "describe", "First see to what stands in the way on cotton and fleece."
    )  # fmt: skip
    assert all("before pressing more" in one.sentence for one in bad.verdicts)


def test_a_plan_is_taken_back_and_its_numbers_are_not_used_again(path: Path, capsys) -> None:
    told = said(capsys, "undo", path, "--by", "Ana")
    assert "presses 1-6, is taken back" in told
    with Logbook.open(path) as book:
        assert len(book.history()) == 6
        assert set(book.history()["by"]) == {"Ana"}
        assert book.taken_back() == tuple(range(1, 7))
        assert not len(book.waiting())
    assert "6 plan taken back: 1-6" in said(capsys, "status", path)
    assert "no plan stands" in refused(capsys, "undo", path)
    told = said(capsys, "next", path, "--presses", "4")
    assert "ompact first look" in told
    with Logbook.open(path) as book:
        assert book.waiting()["press"].tolist() == [7, 8, 9, 10]
    assert Logbook.check(path) == []


def test_a_plan_that_has_begun_is_not_taken_back(path: Path, capsys) -> None:
    with Logbook.open(path) as book:
        load = int(book.runs()["oven_load"].iloc[0])
        look = book.bench.look(load, "good")
        with pytest.raises(LogbookError, match=f"oven load {load} has a"):
            book.undo_plan()
        book.take_back(look)
        book.record(5, {"peel": 4})
    before = path.read_bytes()
    assert "has begun: press 5 has entries" in refused(capsys, "undo", path)
    assert path.read_bytes() == before
    assert "restores it" in said(capsys, "undo", path, "--press", "5")
    with Logbook.open(path) as book:
        assert book.results()["peel"].isna().all()


def test_next_adds_nothing_to_a_plan_that_still_waits_unless_told(path: Path, capsys) -> None:
    before = path.read_bytes()
    error = refused(capsys, "next", path, "--presses", "2")
    assert "planned already and not pressed yet: presses 1-6;" in error
    assert "--anyway" in error and "dtfexp undo" in error
    assert path.read_bytes() == before
    assert said(capsys, "next", path, "--presses", "2", "--anyway")
    with Logbook.open(path) as book:
        assert len(book.runs()) == 8
        book.record(1, {"peel": 4})
    assert "not pressed yet: presses 2-8;" in refused(capsys, "next", path, "--presses", "2")
    with Logbook.open(path) as book:
        book.record(7, {"peel": 4})
    # The last plan has begun: it is no longer offered to take it back.
    assert "dtfexp undo" not in refused(capsys, "next", path, "--presses", "2")


def test_the_form_says_of_when_the_reason_of_planned_presses_is(path: Path) -> None:
    """The report beside it knows the grades since, so the reason alone would contradict it."""
    with Logbook.open(path) as book:
        added = book.plans().iloc[-1]
        book.record(1, {"peel": 4})
        lines = next_form(book, 0).desk.state()["sections"][0]["lines"]
    assert lines[0].startswith("As it stood when they were planned, on ")
    assert f"{added['time']:%Y-%m-%d}" in lines[0] and lines[1] == added["reason"]


def test_next_and_report_end_with_the_verdicts_of_status(path: Path, capsys) -> None:
    grade_all(path)
    verdicts = said(capsys, "status", path).split("\n\n", 2)[2]
    told = said(capsys, "report", path, "--out", path.parent / "r")
    assert told.endswith(verdicts)
    told = said(capsys, "next", path, "--presses", "3")
    start = verdicts.index("Next: ")
    assert verdicts[:start] in told
    assert told[told.index("Next: ") :].startswith("Next: Make and grade presses 7-9.")


def test_one_press_is_recorded_with_all_checks(path: Path, capsys) -> None:
    with Logbook.open(path) as book:
        row = book.runs().iloc[0]
    number, fabric, reached = row["press"], row["fabric"], row["press temperature"] + 3
    told = said(
        capsys, "record", path, number, "Peel=4", f"press_temperature={reached:g} F", "--by", "Ana",
        "--note", "first", "--defect", "white haze",
    )  # fmt: skip
    assert told.startswith(f"Press {number}, {fabric}: peel 4; ")
    assert ".\nIt still waits for wash.\n6 " in told
    with Logbook.open(path) as book:
        now = book.results().set_index("press").loc[number]
        assert (now["peel"], now["press temperature_actual"]) == (4, reached)
        assert (now["note"], now["defects"]) == ("first", "white haze")
        assert book.history()["by"].tolist() == ["Ana"]
    before = path.read_bytes()
    for wrong, word in [
        (("99", "peel=4"), "press 99 is not in the book"),
        (("1", "peel=9"), "got '9'"),
        (("1", "pel=4"), "did you mean 'peel'?"),
        (("1", "peel"), "NAME=VALUE"),
        (("1",), "nothing to record"),
        (("1", "peel=4", "peel=5"), "'peel' is given twice"),
        (("1", "press temperature=150 F"), "--accept"),
    ]:
        assert word in refused(capsys, "record", path, *wrong)
    assert path.read_bytes() == before
    assert said(capsys, "record", path, "1", "press temperature=265 F", "--accept")
    told = said(capsys, "record", path, number, "peel=2")
    assert "It was recorded before (peel 4): what is new counts" in told
    assert f"dtfexp undo {path} --press {number}" in told


def test_a_change_is_noted_listed_and_taken_back(path: Path, capsys) -> None:
    assert cli.CHANGES == WHAT
    assert "No change is noted." in said(capsys, "note", path)
    grade_all(path)
    told = said(capsys, "note", path, "Powder", "--day", "2026-05-01", "--by", "Ana")
    assert told.startswith("2026-05-01: powder changed after press 6 (noted by Ana).")
    assert "a day noted: 2026-05-01" in refused(
        capsys, "note", path, "powder", "--day", "2026-05-02", "--undo"
    )
    assert "accepted one of oven" in refused(capsys, "note", path, "paint")
    assert "No change is noted." in said(capsys, "note", path, "powder", "--undo")
    assert "there is none" in refused(capsys, "note", path, "powder", "--undo")


def test_everything_is_exported(path: Path, capsys) -> None:
    told = said(capsys, "export", path, "--out", path.parent / "sheets")
    assert {Path(line).name for line in told.splitlines()} >= {"results.csv", "logbook.json"}


def test_a_logbook_that_is_not_there_says_how_to_make_it(tmp_path: Path, capsys) -> None:
    for command in ("status", "undo", "note"):
        error = refused(capsys, command, tmp_path / "nofile.dtfbook")
        assert "make it with 'dtfexp plan'" in error


def test_press_numbers_in_few_words() -> None:
    assert press_list([7, 2, 1, 3, 9, 10]) == "1-3, 7, 9-10"
    assert press_list([]) == ""


def test_a_reading_past_the_limit_is_said_and_counts_until_the_press_is_measured(
    path: Path, capsys
) -> None:
    with Logbook.open(path) as book:
        row = book.runs().set_index("fabric").loc["fleece"].iloc[0]
    press, dial = int(row["press"]), float(row["press temperature"])
    # Three °C more than the spread of 4 °F are what the reading itself may be off by.
    within = said(capsys, "record", path, press, f"press temperature={dial + 9:g}", "peel=4")
    assert "hotter" not in within and "PAST" not in within
    told = said(capsys, "record", path, press, "press temperature=322 F", "--accept")
    assert "PAST THE LIMIT: press temperature reached 322 °F, and fleece takes 320 °F" in told
    assert f"read {322 - dial - 4:g} °F hotter at a press than allowed for" in told
    assert "DO NOT PRESS" in told
    assert "hotter at a press" in " ".join(said(capsys, "status", path).split())
    with Logbook.open(path) as book:
        factor = book.bench.measured_session().factor("press temperature")
        assert factor.hottest(dial) == pytest.approx(322)
        for other in book.waiting()["press"]:
            book.record(int(other), {"peel": 4, "wash": 4})
    told = said(capsys, "next", path, "--presses", "4", "--fabrics", "fleece")
    assert f"set {320 - (322 - dial):g} °F or less" in told
    with Logbook.open(path) as book:
        assert book.runs()["press temperature"].iloc[-4:].max() <= 320 - (322 - dial)
        # As measured now counts, and no more what was read before.
        book.bench.check("press temperature", 300, 301)
        assert book.bench.measured_session().factor("press temperature").hottest(300) == 305
        assert book.bench.true_settings().hotter_lines(book.session) == []


def test_what_undo_takes_back_of_a_press_is_said(path: Path, capsys) -> None:
    said(capsys, "record", path, "1", "peel=4", "--note", "first")
    told = said(capsys, "record", path, "1", "--note", "second", "--defect", "white haze")
    assert told.startswith("Press 1, ") and "peel 4; white haze; note 'second'." in told
    assert "recorded before (note 'first')" in told
    undo = ("undo", path, "--press", "1")
    assert "no longer white haze and note 'second'; again note 'first'." in said(capsys, *undo)
    assert "no longer note 'first'; again white haze and note 'second'." in said(capsys, *undo)
