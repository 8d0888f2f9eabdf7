"""Confirming presses: where they lie, how they are spread, and what is made of them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import PlanError, ResultsError, Window, fit, plan
from dtfexp.dialin.confirm.confirmation import confirmation_plan, corners
from dtfexp.dialin.confirm.terms import Terms
from dtfexp.dialin.confirm.verdict import verdict
from dtfexp.dialin.monitor.watch import usual_failing_share
from dtfexp.dialin.window.window import Margin
from tests.dialin.bench import FOUR, graded

NAMES = [f.name for f in FOUR.factors]
TARGET = {"cure temperature": 125.0, "cure time": 60.0, "press temperature": 310.0,
          "press time": 15.0}  # fmt: skip
LOW = {"cure temperature": 115.0, "cure time": 40.0, "press temperature": 295.0, "press time": 11.0}
HIGH = {"cure temperature": 135.0, "cure time": 80.0, "press temperature": 325.0,
        "press time": 19.0}  # fmt: skip


def window(found=True):
    margin = {n: Margin(2.0, 2.0) for n in NAMES}
    return Window(
        found, "cotton", TARGET, LOW if found else None, HIGH if found else None, 0.96, 0.97,
        margin, "", 0.9, 0.9, pd.DataFrame(), 20,
    )  # fmt: skip


@pytest.fixture(scope="module")
def fitted():
    return fit(FOUR, graded(FOUR, plan(FOUR, 14).runs))


def recorded(fitted, runs, failing=()):
    """The session's results with the confirming presses graded: all pass but ``failing``."""
    made = runs.assign(peel=5.0, wash=4.0)
    made.loc[made.index[list(failing)], "wash"] = 2.0
    return pd.concat([fitted.results, made], ignore_index=True)


def test_the_plan_is_spread_and_numbered_on(fitted):
    made = confirmation_plan(fitted, window(), days=3)
    runs = made.runs
    assert len(runs) == 22 and made.terms == Terms(0.9, 0.9)
    assert runs["press"].tolist() == list(range(15, 37))
    assert runs["oven_load"].min() == fitted.results["oven_load"].max() + 1
    assert runs["press_round"].min() == fitted.results["press_round"].max() + 1
    assert runs.groupby("oven_load").size().max() <= 2
    assert runs.groupby("press_round").size().max() <= 2
    assert runs["confirm_day"].value_counts().tolist() == [8, 7, 7]
    for group in ("oven_load", "press_round"):
        assert (runs.groupby(group)["confirm_day"].nunique() == 1).all()
    assert (runs["confirms"] == "target").sum() == 11
    at_target = runs[runs["confirms"] == "target"][NAMES]
    assert (at_target == pd.Series(TARGET)).all().all()
    # Half way to the edges, never beyond, and both sides of every setting.
    for name in NAMES:
        column = runs[name]
        assert LOW[name] <= column.min() < TARGET[name] < column.max() <= HIGH[name]
    assert set(runs["cure temperature"]) == {120.0, 125.0, 130.0}
    assert set(runs["press time"]) == {13.0, 15.0, 17.0}
    again = confirmation_plan(fitted, window(), days=3).runs
    pd.testing.assert_frame_equal(runs, again)


def test_the_least_trusted_corner_comes_first(fitted):
    found = pd.DataFrame(corners(fitted, window(), 1.0))
    assert set(found["cure temperature"]) == {115.0, 135.0}
    every = pd.DataFrame(
        np.stack(np.meshgrid(*[[LOW[n], HIGH[n]] for n in NAMES]), -1).reshape(-1, 4),
        columns=NAMES,
    )
    rates = fitted.pass_rate(every, "cotton")["pass_rate"]
    least = fitted.pass_rate(found.head(1), "cotton")["pass_rate"].item()
    assert least == pytest.approx(rates.min())
    assert corners(fitted, window(), 0.0) == [] and corners(fitted, window(False), 0.5) == []


def test_without_a_window_the_set_point_alone_is_confirmed(fitted):
    made = confirmation_plan(fitted, window(False), pass_rate=0.8, failures=1)
    assert set(made.runs["confirms"]) == {"target"} and len(made) == 18
    assert any("No window of cotton is proven" in note for note in made.notes)


@pytest.mark.parametrize(
    ("failing", "upto", "decision", "said"),
    [
        ((), 22, "confirmed", "22 of 22 confirming presses passed: at least 90 of 100"),
        ((21,), 22, "not confirmed", "21 of 22"),
        ((3,), 6, "not confirmed", "5 of 6"),
        ((), 21, "go on", "21 of 21 confirming presses passed so far: 1 more"),
    ],
)
def test_the_verdict_of_a_success_run(fitted, failing, upto, decision, said):
    runs = confirmation_plan(fitted, window()).runs
    results = recorded(fitted, runs, failing)
    results.loc[results.index[14 + upto :], ["peel", "wash"]] = np.nan
    found = verdict(FOUR, results, "cotton")
    assert found.decision == decision and said in found.reason
    assert (found.tried, found.failed) == (upto, len(failing))
    assert found.low < found.shown < found.passed / found.tried + 1e-12
    assert found.open == 22 - upto


def test_failures_known_early_do_not_count_before_passes(fitted):
    """A sequential verdict waits for washes in their order, or failures would come first."""
    runs = confirmation_plan(fitted, window(), sequential=True).runs
    results = recorded(fitted, runs, range(40, 45))
    results.loc[results.index[14 + 10 :], "wash"] = np.where(
        results["wash"].iloc[14 + 10 :] < 4, 2.0, np.nan
    )
    assert verdict(FOUR, results, "cotton", sequential=True).decision == "go on"
    full = recorded(fitted, runs, range(40, 45))
    early = verdict(FOUR, full, "cotton", sequential=True)
    assert early.decision == "confirmed" and early.tried == 32 == early.passed


def test_a_press_left_out_must_be_made_up(fitted):
    runs = confirmation_plan(fitted, window()).runs
    results = recorded(fitted, runs)
    results["excluded"] = results["press"] == 20
    found = verdict(FOUR, results, "cotton")
    assert found.decision == "go on" and "1 more are needed" in found.reason


def test_only_the_last_confirmation_counts_and_failures_in_one_load_are_named(fitted):
    first = confirmation_plan(fitted, window()).runs
    load = first["oven_load"].mode().iloc[0]
    rows = np.flatnonzero(first["oven_load"] == load)
    results = recorded(fitted, first, rows)
    found = verdict(FOUR, results, "cotton")
    assert found.decision == "not confirmed" and found.failed == len(rows) == 2
    assert any(f"oven load {load}" in note for note in found.notes)
    numbered_on = replace(fitted, results=results)
    again = recorded(numbered_on, confirmation_plan(numbered_on, window()).runs)
    found = verdict(FOUR, again, "cotton")
    assert found.decision == "confirmed" and (found.tried, found.failed) == (22, 0)


def test_failures_feed_the_fit(fitted):
    runs = confirmation_plan(fitted, window()).runs
    at = pd.DataFrame([TARGET])
    confirmed = fit(FOUR, recorded(fitted, runs))
    good = confirmed.pass_rate(at, "cotton")["pass_rate"].item()
    bad = fit(FOUR, recorded(fitted, runs, range(0, 22, 3))).pass_rate(at, "cotton")
    assert bad["pass_rate"].item() < good - 0.1
    # What the watch calls usual is more careful than what is expected, and within its bounds.
    mixed = fit(FOUR, recorded(fitted, runs, (3, 14)))
    told = mixed.pass_rate(at, "cotton")
    usual = usual_failing_share(mixed, TARGET, "cotton")
    assert 1 - told["pass_rate"].item() < usual < 1 - told["low"].item()
    away = TARGET | {"cure temperature": 105.0, "press temperature": 340.0}
    assert usual_failing_share(confirmed, away, "cotton") == 0.30


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"days": 0}, "days: got 0"),
        ({"reach": 1.5}, "reach: got 1.5"),
        ({"pass_rate": 90}, "pass_rate: got 90"),
        ({"failures": 1, "sequential": True}, "leave failures at 0"),
        ({"per_load": "two"}, "per_load: got 'two'"),
    ],
)
def test_what_cannot_be_asked(fitted, options, said):
    with pytest.raises(PlanError) as caught:
        confirmation_plan(fitted, window(), **options)
    assert said in str(caught.value)


def test_no_confirming_press(fitted):
    with pytest.raises(ResultsError, match="no confirming press of cotton"):
        verdict(FOUR, fitted.results, "cotton")
