"""The look of the cure in a results frame: words understood, and what the fit makes of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, ResultsError, SessionError, fit, plan
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.cure_look import LOOKS, parse_look
from dtfexp.dialin.encode.results import check_results
from tests.dialin.bench import FOUR, graded

RESULTS = graded(FOUR, plan(FOUR, 12, seed=3).runs)
FABRIC = FOUR.fabrics[0].name
PLACES = pd.DataFrame({f.name: np.full(5, f.usual, dtype=object) for f in FOUR.factors})
PLACES["cure temperature"] = np.linspace(110.0, 145.0, 5)
PLACES["cure time"] = np.linspace(45.0, 100.0, 5)


def rates(results: pd.DataFrame) -> np.ndarray:
    return fit(FOUR, results).pass_rate(PLACES, FABRIC)["pass_rate"].to_numpy()


@pytest.mark.parametrize(
    ("cell", "word"),
    [
        ("grainy", "grainy"), ("Dull, sandy", "grainy"), ("not melted", "grainy"),
        ("still a bit grainy in places", "grainy"), ("under-cured", "grainy"),
        ("good", "good"), ("OK", "good"), ("melted, glossy, orange-peel", "good"),
        ("orange peel", "good"), ("Blistered", "browned"), ("slightly yellowed", "browned"),
        ("brown and blistered", "browned"),
    ],
)  # fmt: skip
def test_the_usual_wordings_are_understood(cell: str, word: str) -> None:
    assert parse_look(cell) == word
    assert [parse_look(one) for one in LOOKS] == list(LOOKS)


@pytest.mark.parametrize(
    "cell", ["no blisters", "not grainy", "glossy but brown", "odd", "good?? maybe", "", 3, None]
)
def test_what_says_nothing_or_two_things_is_refused(cell: object) -> None:
    with pytest.raises(ValueError):
        parse_look(cell)


def test_a_word_not_understood_names_row_column_and_what_is_accepted() -> None:
    looked = RESULTS.assign(cure_look="wobbly")
    with pytest.raises(ResultsError, match=r"row 1 .*'cure_look': got 'wobbly'; accepted"):
        check_results(FOUR, looked)


def test_a_load_has_one_look_and_blanks_are_filled_from_it() -> None:
    several = RESULTS["oven_load"].value_counts().idxmax()
    mine = np.flatnonzero(RESULTS["oven_load"] == several)
    looked = RESULTS.assign(cure_look=None)
    looked.loc[mine[1], "cure_look"] = "Sandy"
    checked = check_results(FOUR, looked)
    assert (checked["cure_look"] == np.where(RESULTS["oven_load"] == several, "grainy", "")).all()
    looked.loc[mine[0], "cure_look"] = "ok"
    with pytest.raises(ResultsError, match=f"oven load {several}.*one look"):
        check_results(FOUR, looked)


def test_the_name_is_kept_for_the_column() -> None:
    with pytest.raises(SessionError, match="reserved for a column of the results"):
        Session("s", [Factor("Cure_Look", 1, 5)], FOUR.outcomes, FOUR.fabrics)


def test_without_looks_every_answer_is_the_same_to_the_last_bit() -> None:
    plain = rates(RESULTS)
    assert (rates(RESULTS.assign(cure_look="")) == plain).all()
    assert (rates(RESULTS.assign(cure_look=None)) == plain).all()
    assert (rates(RESULTS.assign(cure_look="grainy")) != plain).any()


def test_grainy_speaks_for_more_cure_and_browned_for_less() -> None:
    """Of hardly anything known, one and the same load called this or that."""
    few = RESULTS.head(2)
    sides = {}
    for word in ("", *LOOKS):
        found = fit(FOUR, few.assign(cure_look=word))
        sides[word] = found.failure_sides(PLACES, FABRIC)["under-cured"].to_numpy()[2]
    assert sides["grainy"] > max(sides[""], sides["good"]) + 0.1
    assert sides["browned"] < min(sides[""], sides["good"]) - 0.05


def test_the_order_of_rows_changes_no_answer() -> None:
    words = [LOOKS[load % 3] for load in RESULTS["oven_load"]]
    looked = RESULTS.assign(cure_look=words)
    mixed = looked.sample(frac=1.0, random_state=1)
    assert rates(mixed) == pytest.approx(rates(looked), abs=1e-6)


def test_looks_of_presses_left_out_do_not_count() -> None:
    looked = RESULTS.assign(cure_look="grainy", excluded=True)
    assert (rates(looked) == rates(RESULTS.assign(excluded=True))).all()


def test_looks_count_before_any_grade_is_known() -> None:
    ungraded = RESULTS.assign(peel=np.nan, wash=np.nan)
    up, down = (rates(ungraded.assign(cure_look=word)) for word in ("grainy", "browned"))
    assert up[-1] > down[-1]
    assert up[0] < down[0]


def test_looks_that_contradict_the_grades_carry_nothing_off() -> None:
    """Every load was called grainy, and the grades say that the middle is right."""
    results = graded(FOUR, plan(FOUR, 20, seed=5).runs, width=1.3)
    line = PLACES.iloc[[0] * 17].assign(
        **{"cure temperature": np.linspace(105, 145, 17), "cure time": np.geomspace(30, 120, 17)}
    )
    best, high = {}, {}
    for word in ("", "grainy"):
        rate = fit(FOUR, results.assign(cure_look=word)).pass_rate(line, FABRIC)["pass_rate"]
        best[word], high[word] = int(np.argmax(rate)), float(np.max(rate))
    assert abs(best["grainy"] - best[""]) <= 2
    assert high["grainy"] > high[""] - 0.05
