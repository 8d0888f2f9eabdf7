"""A plan keeps to the bench: counts, steps, ranges, limits, loads, rounds, seeds."""

from __future__ import annotations

import inspect

import numpy as np
import pandas as pd
import pytest

from dtfexp import PlanError, Session, SessionError, next_presses, plan
from tests.dialin.bench import FOUR, HALF, ONE, SESSIONS, WORDS, graded


def holds_to_the_bench(session: Session, runs: pd.DataFrame, first: int = 1) -> None:
    columns = ["press", "fabric", "oven_load", "press_round", *(f.name for f in session.factors)]
    assert list(runs.columns) == columns + ["block"] * ("block" in runs)
    assert list(runs["press"]) == list(range(first, first + len(runs)))
    for factor in session.factors:
        for value, fabric in zip(runs[factor.name], runs["fabric"], strict=True):
            assert value in session.allowed(factor, fabric)
    cure = [f.name for f in session.factors if f.stage == "cure"]
    hard = [f.name for f in session.factors if f.stage == "press" and f.hard_to_change]
    for group, names in (("oven_load", cure), ("press_round", hard)):
        if names:
            assert (runs.groupby(group)[names].nunique() <= 1).all().all()
    assert runs["oven_load"].value_counts().max() <= session.coupons_per_load
    assert runs["press_round"].value_counts().max() <= session.presses_per_round


@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
@pytest.mark.parametrize("presses", [1, 2, 3, 5, 10, 14, 26, 61])
def test_a_first_look_makes_exactly_the_presses_asked_for(session: Session, presses: int) -> None:
    made = plan(session, presses)
    assert len(made.runs) == presses
    holds_to_the_bench(session, made.runs)


def test_a_first_look_is_compact_round_the_usual_settings() -> None:
    runs = plan(FOUR, 10).runs
    for factor in FOUR.factors:
        low, high = factor.bounds
        assert runs[factor.name].nunique() == 3
        assert (runs[factor.name] == factor.usual).sum() == 2
        assert runs[factor.name].min() > low
        assert runs[factor.name].max() < high
    assert runs.drop(columns=["press", "oven_load", "press_round"]).duplicated().sum() == 1


def test_a_plan_without_room_for_all_corners_stays_closer() -> None:
    """Six presses on four settings: five of the eight corners, at 0.7 of their distance (to half a
    step of the dial)."""
    few, all_corners = plan(FOUR, 6).runs, plan(FOUR, 9).runs
    for factor in FOUR.factors:
        usual = float(factor.usual)
        near, far = ((runs[factor.name] - usual).abs().max() for runs in (few, all_corners))
        assert near == pytest.approx(0.7 * far, abs=factor.grid_step)
        assert near < far


def test_the_heat_limit_moves_the_plan_down() -> None:
    runs = plan(HALF, 12).runs
    limit = HALF.fabric("nylon").limit_in("°F")
    assert limit is not None
    nylon = runs[runs["fabric"] == "nylon"]["press temperature"]
    assert nylon.max() <= limit
    assert nylon.nunique() == 3  # both sides of the centre are still pressed


@pytest.mark.parametrize("design", ["auto", "full factorial", "fraction"])
def test_the_same_seed_gives_the_same_plan(design: str) -> None:
    one, two = (plan(FOUR, 20, design=design, seed=3).runs for _ in range(2))
    pd.testing.assert_frame_equal(one, two)
    holds_to_the_bench(FOUR, one)
    assert len(one) <= 20


def test_another_seed_gives_another_order() -> None:
    orders = {tuple(plan(FOUR, 20, seed=s).runs["cure time"]) for s in range(6)}
    assert len(orders) > 1


def test_a_fraction_is_balanced_and_names_what_it_mixes() -> None:
    made = plan(FOUR, 8, design="fraction", reach=1.0)
    for factor in FOUR.factors:
        assert sorted(made.runs[factor.name].value_counts()) == [4, 4]
        assert set(made.runs[factor.name]) == set(factor.bounds)
    # 2^(4-1) with D = ABC mixes pairs of pairs (Box, Hunter & Hunter 2005; from memory)
    assert sum("cure temperature with cure time" in note for note in made.notes) == 1


def test_a_full_factorial_has_every_combination() -> None:
    made = plan(WORDS, 9, design="full factorial")
    pairs = set(zip(made.runs["peel method"], made.runs["pressure"], strict=True))
    assert len(pairs) == 9


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: plan(FOUR, 0), ("presses: got 0", "1 to")),
        (lambda: plan(FOUR, 2.5), ("2.5", "whole number")),  # type: ignore[arg-type]
        (lambda: plan(FOUR, True), ("True",)),
        (lambda: plan(FOUR, 10, seed=-1), ("seed: got -1",)),
        (lambda: plan(FOUR, 10, design="magic"), ("magic", "'auto'")),
        (lambda: plan(FOUR, 10, design="full factorial"), ("needs 16", "presses is 10")),
        (lambda: plan(FOUR, 10, design="auto", reach=0.2), ("no option 'reach'",)),
        (lambda: plan(FOUR, 10, design="fraction", reach=2), ("reach: got 2",)),
        (lambda: plan(FOUR, 10, fabrics=[]), ("fabrics is empty", "cotton")),
        (lambda: plan(ONE, 10, design="fraction"), ("2 to 8 factors",)),
    ],
)
def test_what_cannot_be_planned_says_so_in_one_line(call, words: tuple[str, ...]) -> None:
    with pytest.raises(PlanError) as error:
        call()
    assert "\n" not in str(error.value)
    for word in words:
        assert word in str(error.value)


def test_an_unknown_fabric_names_the_known_ones() -> None:
    with pytest.raises(SessionError, match="velvet"):
        plan(FOUR, 10, fabrics=["velvet"])


def test_signatures_are_the_contract() -> None:
    assert list(inspect.signature(plan).parameters)[:5] == [
        "session",
        "presses",
        "fabrics",
        "design",
        "seed",
    ]
    assert list(inspect.signature(next_presses).parameters) == [
        "session",
        "results",
        "presses",
        "fabrics",
        "seed",
    ]


@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
def test_next_presses_goes_on_where_the_results_stop(session: Session) -> None:
    results = graded(session, plan(session, 12).runs)
    before = results.copy()
    more = next_presses(session, results, 4, seed=2)
    again = next_presses(session, results, 4, seed=2)
    pd.testing.assert_frame_equal(more.runs, again.runs)
    pd.testing.assert_frame_equal(results, before)  # its input is not touched
    assert len(more.runs) in (0, 4)
    assert more.reason
    if len(more.runs):
        holds_to_the_bench(session, more.runs, first=13)
        assert more.runs["oven_load"].min() == results["oven_load"].max() + 1
        assert more.runs["press_round"].min() == results["press_round"].max() + 1


def test_next_presses_without_results_is_a_first_look() -> None:
    more = next_presses(FOUR, pd.DataFrame(), 10)
    assert len(more.runs) == 10
    holds_to_the_bench(FOUR, more.runs)


def test_next_presses_stops_when_the_window_is_known() -> None:
    """One setting, plenty of presses: another batch would hardly change anything."""
    results = graded(ONE, plan(ONE, 60).runs, width=4.0)
    more = next_presses(ONE, results, 4)
    assert len(more.runs) == 0
    assert "hardly" in more.reason
    assert list(more.runs.columns)[:4] == ["press", "fabric", "oven_load", "press_round"]


def test_next_presses_learns_from_grades() -> None:
    """Grades that are good only on the hot side draw the next presses there."""
    results = plan(ONE, 8).runs
    results["holds"] = (results["cure temperature"] >= 125).astype(int)
    hot = next_presses(ONE, results, 4).runs["cure temperature"].mean()
    results["holds"] = (results["cure temperature"] <= 125).astype(int)
    cool = next_presses(ONE, results, 4).runs["cure temperature"].mean()
    assert hot > 125 > cool


def test_pending_grades_are_allowed_for() -> None:
    results = graded(FOUR, plan(FOUR, 10).runs)
    results.loc[results.index[-4:], "wash"] = np.nan
    more = next_presses(FOUR, results, 4)
    holds_to_the_bench(FOUR, more.runs, first=11)


def test_a_batch_sets_few_slow_temperatures() -> None:
    results = graded(FOUR, plan(FOUR, 10).runs)
    more = next_presses(FOUR, results, 4).runs
    assert more["cure temperature"].nunique() == 1
    assert more["press temperature"].nunique() == 1
