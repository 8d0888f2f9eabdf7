"""Each stage fails on two sides, and the fit and the defects say on which."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import ResultsError, fit, plan
from dtfexp.dialin.signs.defect_words import defect_words, signs_of
from tests.dialin.bench import CURE, FOUR, HALF, ONE, PRESS, WORDS, graded

USUAL = {f.name: f.usual for f in FOUR.factors}
SIDES = ("under-cured", "over-cured", "under-pressed", "over-pressed")


def corners() -> pd.DataFrame:
    """Too little and too much of cure, then of press, the other stage as usual."""
    low = {f.name: f.bounds[0] for f in FOUR.factors}
    high = {f.name: f.bounds[1] for f in FOUR.factors}
    rows = []
    for stage in ("cure", "press"):
        names = [f.name for f in FOUR.factors if f.stage == stage]
        rows += [USUAL | {n: side[n] for n in names} for side in (low, high)]
    return pd.DataFrame(rows, index=list(SIDES))


@pytest.fixture(scope="module")
def results() -> pd.DataFrame:
    return graded(FOUR, plan(FOUR, 26).runs, width=1.0)


def test_the_corners_of_a_bench_that_is_best_in_the_middle(results: pd.DataFrame) -> None:
    sides = fit(FOUR, results).failure_sides(corners(), "cotton")
    for looks in SIDES:
        assert sides.loc[looks, looks] > 0.8, looks
        assert sides.loc[looks, "looks"] == looks
    for pair in (("under-cured", "over-cured"), ("under-pressed", "over-pressed")):
        assert sides[list(pair)].sum(axis=1).to_numpy() == pytest.approx(np.ones(4))
    assert "peeled too early" not in sides  # this session varies no peel setting
    assert (sides["defects"] == "").all()


def test_a_good_place_holds(results: pd.DataFrame) -> None:
    easy = results.assign(peel=5, wash=5)
    sides = fit(FOUR, easy).failure_sides(pd.DataFrame([USUAL]), "cotton")
    assert sides["looks"].tolist() == ["holds"]


def test_defects_speak_where_the_grades_cannot() -> None:
    """All presses failed at one set-point: the grades do not say which way to move."""
    runs = pd.DataFrame([USUAL] * 4).assign(
        press=range(1, 5), fabric="cotton", oven_load=1, press_round=1, peel=2, wash=1
    )
    here = pd.DataFrame([USUAL])
    silent = fit(FOUR, runs).failure_sides(here, "cotton").iloc[0]
    assert silent["looks"] == "cannot tell yet"
    grainy = runs.assign(defects=["grainy underside", "", "Grainy  underside; white haze", None])
    told = fit(FOUR, grainy).failure_sides(here, "cotton").iloc[0]
    assert told["looks"] == "under-cured"
    assert told["under-cured"] > silent["under-cured"] + 0.2
    assert told["under-pressed"] == pytest.approx(silent["under-pressed"])
    assert told["defects"] == "grainy underside; white haze"
    stuck = runs.assign(defects="film hard to separate")
    assert fit(FOUR, stuck).failure_sides(here, "cotton")["looks"].tolist() == ["over-pressed"]
    far = pd.DataFrame([USUAL | {CURE.name: 145, PRESS.name: 340}])
    assert fit(FOUR, grainy).failure_sides(far, "cotton")["defects"].tolist() == [""]
    left_out = grainy.assign(excluded=True)
    assert fit(FOUR, left_out).failure_sides(here, "cotton")["defects"].tolist() == [""]


@pytest.mark.parametrize("session", [ONE, WORDS, HALF], ids=lambda s: s.name)
def test_any_session_and_nothing_pressed_gets_an_answer(session) -> None:
    usual = pd.DataFrame([{f.name: f.usual for f in session.factors}], index=["a"])
    for fabric in session.fabrics:
        sides = fit(session, pd.DataFrame()).failure_sides(usual, fabric)
        assert sides.index.tolist() == ["a"]
        assert not sides.isna().any().any()
    assert len(fit(session, pd.DataFrame()).failure_sides(usual.head(0), fabric)) == 0


def test_a_setting_that_is_none_is_refused() -> None:
    with pytest.raises(ResultsError, match="row 1, column 'cure temperature'"):
        fit(ONE, pd.DataFrame()).failure_sides(
            pd.DataFrame({"cure temperature": ["hot"]}), "cotton"
        )


def test_defects_are_read_however_they_are_written() -> None:
    assert defect_words(" Bubbles ;white haze, ") == ["bubbles", "white haze"]
    assert defect_words(["b", "a"]) == ["a", "b"]
    assert defect_words(None) == defect_words(float("nan")) == []
    assert {(s, side) for s, side, _ in signs_of("parts lifted with the film")} == {
        ("press", "low"), ("cure", "low"),
    }  # fmt: skip
    assert signs_of("white haze") == ()
