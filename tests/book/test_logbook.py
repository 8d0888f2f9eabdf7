"""The contract of the logbook: add, record, correct, exclude, and what the frames say."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Logbook, LogbookError, Outcome, PlanError, ResultsError, Session
from dtfexp.dialin.design.plan import Plan
from dtfexp.dialin.encode.results import check_results

HEAD = ["press", "fabric", "oven_load", "press_round"]
FACTORS = ["cure time", "press temperature", "peel wait"]
OUTCOMES = ["peel", "wash", "colour change", "hand"]


def row(book: Logbook, press: int) -> pd.Series:
    return book.results().set_index("press").loc[press]


def test_create_and_open_hold_the_session(tmp_path: Path, session: Session) -> None:
    path = tmp_path / "a.dtfbook"
    with Logbook.create(path, session) as book:
        assert book.session == session
        assert book.path == path
    with Logbook.open(str(path)) as book:
        assert book.session == session
        assert "autumn shirts" in repr(book)


def test_create_never_overwrites(tmp_path: Path, session: Session) -> None:
    path = tmp_path / "a.dtfbook"
    path.write_text("grocery list")
    with pytest.raises(LogbookError, match="is there already") as caught:
        Logbook.create(path, session)
    assert "\n" not in str(caught.value)
    assert path.read_text() == "grocery list"


def test_create_asks_for_a_session(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match=r"session: got 'shirts'; accepted a dtfexp\.Session"):
        Logbook.create(tmp_path / "a.dtfbook", "shirts")  # type: ignore[arg-type]
    assert not (tmp_path / "a.dtfbook").exists()


def test_a_closed_book_says_so(book: Logbook) -> None:
    book.close()
    book.close()
    with pytest.raises(LogbookError, match="is closed; open the logbook again"):
        book.results()


def test_a_book_without_a_plan_has_empty_frames(new_book) -> None:
    book = new_book(presses=0)
    results = book.results()
    assert list(results.columns) == [*HEAD, *FACTORS, *OUTCOMES, "excluded", "defects", "note"]
    assert len(results) == len(book.runs()) == len(book.waiting()) == len(book.plans()) == 0
    assert len(check_results(book.session, results)) == 0
    with pytest.raises(LogbookError, match="no presses yet, add a plan first"):
        book.record(1, {"peel": 4})


def test_runs_are_the_plans_runs_in_order(new_book, plan_of) -> None:
    book = new_book(presses=0)
    plan = plan_of(book.session)
    shuffled = plan.runs.iloc[[3, 0, 7, 1, 2, 6, 5, 4]].reset_index(drop=True)
    assert book.add(Plan(book.session, shuffled, "auto", 0)) == 8
    more = plan_of(book.session, 3, first=9)
    assert book.add(more) == 3
    both = pd.concat([shuffled, more.runs], ignore_index=True)
    pd.testing.assert_frame_equal(book.runs(), both, check_dtype=False)
    assert list(book.results()["press"]) == list(both["press"])


def test_plans_tell_how_each_was_made(new_book, plan_of) -> None:
    book = new_book()
    empty = plan_of(book.session, 3, first=9).runs.iloc[:0]
    assert book.add(Plan(book.session, empty, "next", 1, "More would hardly change it.")) == 0
    plans = book.plans()
    assert list(plans["design"]) == ["fraction", "next"]
    assert list(plans["seed"]) == [7, 1]
    assert list(plans["reason"]) == ["A first look.", "More would hardly change it."]
    assert list(plans["notes"]) == [("Two notes,", "kept."), ()]
    assert list(plans["presses"]) == [8, 0]
    assert list(plans["by"]) == ["Ana", "Ana"]


def test_the_same_plan_twice_makes_no_second_copy(book: Logbook, plan_of) -> None:
    before = book.runs()
    assert book.add(plan_of(book.session)) == 0
    pd.testing.assert_frame_equal(book.runs(), before)
    assert len(book.plans()) == 1


def test_a_plan_whose_numbers_are_taken_is_refused(book: Logbook, plan_of) -> None:
    with pytest.raises(LogbookError, match=r"press 8 is in the book already.*1 to 8") as caught:
        book.add(plan_of(book.session, 4, first=8))
    assert "\n" not in str(caught.value)
    assert len(book.runs()) == 8


def test_a_plan_of_another_session_is_refused(book: Logbook, plan_of) -> None:
    ours = book.session
    other = Session("winter", ours.factors, ours.outcomes, ours.fabrics)
    with pytest.raises(LogbookError, match="session 'winter', and this book is for 'autumn shirts"):
        book.add(plan_of(other))
    newer = Session(ours.name, ours.factors, ours.outcomes, ours.fabrics, coupons_per_load=9)
    with pytest.raises(LogbookError, match="coupons_per_load = 9"):
        book.add(plan_of(newer))
    with pytest.raises(LogbookError, match="accepted a Plan"):
        book.add("plan.csv")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("fabric", "silk", "fabric: got 'silk'"),
        ("press temperature", 322.0, "steps of 5"),
        ("press temperature", 400.0, "300 °F up to 340 °F"),
        ("press temperature", np.nan, "press temperature"),
        ("peel wait", "tepid", "tepid"),
        ("press", 2.5, "press is 2.5"),
        ("oven_load", np.nan, "oven_load"),
    ],
)
def test_a_plan_with_a_wrong_cell_is_refused(new_book, plan_of, column, value, says) -> None:
    book = new_book(presses=0)
    plan = plan_of(book.session)
    runs = plan.runs.copy()
    runs[column] = runs[column].astype(object)
    runs.loc[2, column] = value
    with pytest.raises(LogbookError, match=says):
        book.add(Plan(book.session, runs, "auto", 0))
    assert len(book.runs()) == len(book.plans()) == 0


def test_a_plan_above_a_heat_limit_is_refused(tmp_path: Path, session: Session, plan_of) -> None:
    from dtfexp import Fabric

    limited = Session(
        session.name,
        session.factors,
        session.outcomes,
        [session.fabrics[0], Fabric("nylon shell", heat_limit=155, unit="°C")],
    )
    with Logbook.create(tmp_path / "a.dtfbook", limited) as book:
        with pytest.raises(LogbookError, match=r"2: nylon shell takes 311 °F \(155 °C\) at most"):
            book.add(plan_of(limited))
        assert len(book.runs()) == 0


def test_recorded_grades_come_back(book: Logbook) -> None:
    book.record(3, {"peel": 4, "wash": 4.5, "colour change": 1.2, "hand": "pass"}, note="fine")
    found = row(book, 3)
    assert found[OUTCOMES].tolist() == [4.0, 4.5, 1.2, 1.0]
    assert found["note"] == "fine"
    others = book.results().set_index("press").drop(3)
    assert others[OUTCOMES].isna().all(axis=None)
    assert not book.results()["excluded"].any()


def test_the_latest_word_on_each_outcome_wins_and_all_stay_in_history(book: Logbook) -> None:
    book.record(3, {"peel": 2}, by="Ben", note="by eye")
    book.record(3, {"wash": 4})
    book.record(3, {"peel": 5}, by="Cleo")
    assert row(book, 3)[["peel", "wash", "note"]].tolist() == [5.0, 4.0, "by eye"]
    history = book.history(3)
    assert history["peel"].tolist()[::2] == [2.0, 5.0]
    assert list(history["by"]) == ["Ben", "Ana", "Cleo"]
    assert list(history["entry"]) == [1, 2, 3]
    assert history["id"].is_unique
    assert len(book.history(4)) == 0


def test_none_takes_back_and_nan_says_nothing(book: Logbook) -> None:
    book.record(
        3, {"peel": 4, "wash": 5}, ["streaks"], {"cure time": 62, "peel wait": "cold"}, "note"
    )
    book.record(3, {"peel": np.nan, "wash": pd.NA, "hand": 1})
    assert row(book, 3)["peel"] == 4
    book.record(3, {"peel": None}, None, {"cure time": None}, None)
    found = row(book, 3)
    assert np.isnan(found["peel"])
    assert found["wash"] == 5
    assert found["peel wait_actual"] == "cold"
    assert "cure time_actual" not in book.results()
    assert found["defects"] == found["note"] == ""
    assert book.history(3)["taken_back"].iloc[2] == "cure time_actual, defects, peel, note"


def test_readings_defects_and_block(book: Logbook) -> None:
    assert "press temperature_actual" not in book.results()
    book.record(
        2,
        {"peel": 3},
        defects=("lifted corner", "haze", "haze"),
        actual={"press temperature": "162 C", "cure time": "1,5 min", "peel wait": "Warm"},
        block="roll 7",
    )
    found = row(book, 2)
    assert found["press temperature_actual"] == pytest.approx(323.6)
    assert found["cure time_actual"] == 90
    assert found["peel wait_actual"] == "warm"
    assert found["defects"] == "lifted corner; haze"
    assert found["block"] == "roll 7"
    assert row(book, 1)["block"] == ""


def test_exclude_include_and_redo(book: Logbook) -> None:
    book.record(2, {"peel": 1})
    book.exclude(2, "film slipped", by="Ben")
    assert row(book, 2)["excluded"]
    assert book.history(2)["excluded"].tolist() == ["", "film slipped"]
    book.include(2)
    assert not row(book, 2)["excluded"]
    book.redo(2, "spare coupon")
    assert np.isnan(row(book, 2)["peel"])
    book.record(2, {"peel": 5})
    assert row(book, 2)["peel"] == 5
    assert list(book.history(2)["kind"]) == ["record", "record", "record", "redo", "record"]
    assert row(book, 2)["note"] == ""
    for call in (book.exclude, book.redo):
        with pytest.raises(LogbookError, match="press 2: no reason is given"):
            call(2, "  ")


def test_waiting_lists_what_lacks_a_grade(book: Logbook) -> None:
    book.record(1, {"peel": 4, "wash": 4, "colour change": 0, "hand": 1})
    book.record(2, {"peel": 4, "hand": 1})
    book.exclude(3, "misfed")
    waiting = book.waiting().set_index("press")
    assert list(waiting.index) == [2, 4, 5, 6, 7, 8]
    assert waiting.loc[2, "waiting_for"] == "wash, colour change"
    assert waiting["pressed"].tolist() == [True] + [False] * 5
    assert set(FACTORS) <= set(waiting.columns)


def test_the_same_id_makes_one_entry(book: Logbook) -> None:
    assert book.record(1, {"peel": 4}, id="tap-17") == "tap-17"
    book.record(1, {"peel": 4}, id="tap-17")
    assert len(book.history(1)) == 1
    with pytest.raises(LogbookError, match="entry id 'tap-17' is in the book already with other"):
        book.record(1, {"peel": 5}, id="tap-17")
    with pytest.raises(LogbookError, match="tap-17"):
        book.record(2, {"peel": 4}, id="tap-17")
    assert row(book, 1)["peel"] == 4
    with pytest.raises(LogbookError, match="id is 17"):
        book.record(1, {"peel": 5}, id=17)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("arguments", "error", "says"),
    [
        (
            {"press": 99, "grades": {"peel": 4}},
            LogbookError,
            r"press 99 is not in the book.*1 to 8",
        ),
        ({"press": "3", "grades": {"peel": 4}}, LogbookError, "press is '3'"),
        ({"press": True, "grades": {"peel": 4}}, LogbookError, "press is True"),
        ({"press": 2.5, "grades": {"peel": 4}}, LogbookError, "press is 2.5"),
        ({"press": 0, "grades": {"peel": 4}}, LogbookError, "press is 0"),
        ({"press": 3, "grades": {"peal": 4}}, LogbookError, r"press 3.*'peal'.*'peel'"),
        (
            {"press": 3, "grades": {"peel": 6}},
            ResultsError,
            r"press 3.*'peel'.*got 6.*1, 2, 3, 4, 5",
        ),
        ({"press": 3, "grades": {"peel": 3.5}}, ResultsError, r"'peel'.*3\.5.*1, 2, 3, 4, 5"),
        ({"press": 3, "grades": {"peel": "ok"}}, ResultsError, r"'peel'.*'ok'"),
        ({"press": 3, "grades": {"peel": True}}, ResultsError, r"'peel'.*True"),
        ({"press": 3, "grades": {"peel": np.inf}}, ResultsError, "inf"),
        ({"press": 3, "grades": {"wash": 4.25}}, ResultsError, r"'wash'.*4\.25.*steps of 0\.5"),
        ({"press": 3, "grades": {"colour change": 13}}, ResultsError, r"13.*0 to 12 ΔE"),
        ({"press": 3, "grades": {"hand": 2}}, ResultsError, r"'hand'.*2.*pass"),
        ({"press": 3, "grades": 4}, LogbookError, "grades: got 4"),
        ({"press": 3, "actual": {"oven": 4}}, LogbookError, r"'oven' is not in this session"),
        ({"press": 3, "actual": {"cure time": "12 bar"}}, ResultsError, r"'12 bar'.*number in s"),
        ({"press": 3, "actual": {"cure time": -3}}, ResultsError, "-3"),
        ({"press": 3, "actual": {"press temperature": -500}}, ResultsError, "-500"),
        ({"press": 3, "actual": {"peel wait": "tepid"}}, ResultsError, r"tepid.*hot, warm, cold"),
        ({"press": 3, "note": 5}, ResultsError, "note"),
        ({"press": 3, "note": "x" * 5000}, ResultsError, "5000"),
        ({"press": 3, "defects": ["a, b"]}, ResultsError, "a, b"),
        ({"press": 3, "defects": 7}, ResultsError, "7"),
        ({"press": 3}, LogbookError, "nothing to record"),
        ({"press": 3, "grades": {"peel": np.nan}}, LogbookError, "nothing to record"),
    ],
)
def test_a_wrong_word_is_refused_and_nothing_is_written(book, arguments, error, says) -> None:
    if arguments.get("grades") and isinstance(arguments["grades"], dict):
        # A right grade beside the wrong one must not slip in.
        arguments = arguments | {"grades": {"hand": 1} | arguments["grades"]}
        if says == "nothing to record":
            arguments["grades"].pop("hand")
    with pytest.raises(error, match=says) as caught:
        book.record(**arguments)
    assert "\n" not in str(caught.value)
    assert len(book.history()) == 0


def test_every_entry_has_its_time_with_a_zone(tmp_path: Path, session: Session, plan_of) -> None:
    zone = timezone(timedelta(hours=-6))
    ticks = iter(datetime(2026, 5, 1, 9, 0, second, tzinfo=zone) for second in range(60))
    with Logbook.create(tmp_path / "a.dtfbook", session, clock=lambda: next(ticks)) as book:
        book.add(plan_of(session))
        book.record(1, {"peel": 4})
        at = book.history(1)["time"].iloc[0]
        assert at.isoformat() == "2026-05-01T09:00:02-06:00"
    with Logbook.open(tmp_path / "a.dtfbook") as book:
        book.record(1, {"peel": 5})
        first, second = book.history(1)["time"]
        assert first == at
        assert second.tzinfo is not None
        assert abs(datetime.now(tz=zone) - second) < timedelta(minutes=1)
    with pytest.raises(LogbookError, match="without a zone"):
        Logbook.create(tmp_path / "b.dtfbook", session, clock=lambda: datetime(2026, 5, 1))
    assert not (tmp_path / "b.dtfbook").exists()


def test_results_fit_what_the_fit_checks(book: Logbook) -> None:
    book.record(1, {"peel": 4, "hand": "fail"}, actual={"peel wait": "cold"}, block="day 2")
    book.exclude(2, "misfed")
    checked = check_results(book.session, book.results())
    assert checked["excluded"].tolist() == [False, True] + [False] * 6
    assert checked.loc[0, "peel wait_actual"] == "cold"
    assert checked.loc[0, "hand"] == 0


def test_two_open_books_see_each_other(book: Logbook) -> None:
    with Logbook.open(book.path, by="Ben") as other:
        other.record(1, {"peel": 4})
        assert row(book, 1)["peel"] == 4
        book.record(1, {"peel": 3})
        assert row(other, 1)["peel"] == 3
        assert list(other.history(1)["by"]) == ["Ben", "Ana"]


def test_notes_lose_what_no_sheet_can_hold_and_nothing_else(book: Logbook) -> None:
    book.record(1, note="  glossy\r\nedge\x00\x07 lifted \ud800 5\u00a0°F, «good» \U0001f525\t! ")
    assert row(book, 1)["note"] == "glossy\nedge lifted  5\u00a0°F, «good» \U0001f525\t!"


def test_case_of_names_does_not_matter(book: Logbook) -> None:
    book.record(1, {"Peel": 4}, actual={"Cure Time": 60})
    assert row(book, 1)[["peel", "cure time_actual"]].tolist() == [4.0, 60.0]


def test_a_real_plan_goes_in(tmp_path: Path) -> None:
    from dtfexp import plan

    session = Session(
        "demo",
        [Factor("press temperature", 150, 170, "°C", step=2.5), Factor("press time", 8, 20, "s")],
        [Outcome("peel")],
        ["cotton"],
    )
    made = plan(session, 7, seed=3)
    with Logbook.create(tmp_path / "a.dtfbook", session) as book:
        assert book.add(made) == len(made.runs)
        pd.testing.assert_frame_equal(book.runs(), made.runs, check_dtype=False)
    with pytest.raises(PlanError):
        plan(session, 0)


def test_opening_a_logbook_needs_no_heavy_library() -> None:
    import subprocess
    import sys

    heavy = "{'pandas', 'numpy', 'openpyxl', 'matplotlib'} & set(sys.modules)"
    code = f"import sys, dtfexp.book.logbook; print({heavy})"
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=root, check=True
    )
    assert done.stdout.strip() == "set()"
