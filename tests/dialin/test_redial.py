"""Dialling in again: what is carried over, how far it has moved, and what is pressed first."""

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Outcome, PlanError, Session, fit, plan, redial
from dtfexp.dialin.recalibrate.change import CHANGES
from dtfexp.dialin.recalibrate.shift import Shift
from tests.dialin.bench import CURE_TIME, FOUR, PRESS, PRESS_TIME, graded

TARGET = {"cure temperature": 125.0, "cure time": 60.0, "press temperature": 310.0,
          "press time": 15.0}  # fmt: skip


def drifted(session, runs, degrees, seed=0):
    """Grades of a bench whose oven runs ``degrees`` hotter than its dial."""
    true = runs.assign(**{"cure temperature": runs["cure temperature"] + degrees})
    grades = graded(session, true, seed=seed, width=0.5)
    return runs.assign(peel=grades["peel"], wash=grades["wash"])


@pytest.fixture(scope="module")
def earlier():
    return drifted(FOUR, plan(FOUR, 16).runs, 0.0)


@pytest.mark.parametrize("degrees", [-8.0, 8.0])
def test_four_presses_tell_a_drift_of_the_oven(earlier, degrees):
    first = redial(FOUR, earlier, "cotton", changed="oven", target=TARGET)
    assert first.shifts[0].presses == 0 and "not known yet" in first.sentence
    runs = first.next_presses(4).runs
    now = drifted(FOUR, runs, degrees, seed=1)
    again = redial(FOUR, earlier, "cotton", changed="oven", now=now, target=TARGET)
    (shift,) = again.shifts
    assert shift.mean == pytest.approx(degrees, abs=2 * shift.sd)
    assert shift.sd < 4.0 and shift.mean * degrees > 0
    told = again.fit.describe().replace("\u00a0", " ")
    assert "cure temperature: " in told and "[none, give or take 7 °C: what changed" in told
    assert f" {'hotter' if degrees > 0 else 'cooler'} now, give or take {shift.sd:.2g} °C" in told
    moved = again.on_todays_dial()["cure temperature"] - again.fit.results["cure temperature"]
    assert moved.tolist() == pytest.approx([-shift.mean] * 16 + [0.0] * 4)
    assert ("hotter" if degrees > 0 else "cooler") in again.sentence
    # The best oven setting has moved the other way.
    best = pd.DataFrame([TARGET, TARGET | {"cure temperature": 125.0 - degrees}])
    rates = again.fit.pass_rate(best, "cotton")["pass_rate"]
    assert rates[1] > rates[0] + 0.1
    assert "Since the change" not in fit(FOUR, earlier).describe()


def test_the_first_batch_lies_beside_the_old_target(earlier):
    made = redial(FOUR, earlier, "cotton", changed="oven", target=TARGET).next_presses(6)
    runs = made.runs
    assert runs["press"].tolist() == [17, 18, 19, 20] and "On either side" in made.reason
    assert runs["oven_load"].min() == earlier["oven_load"].max() + 1
    assert sorted(runs["cure temperature"]) == [115.0, 120.0, 130.0, 135.0]
    two = redial(FOUR, earlier, "cotton", changed="oven", target=TARGET).next_presses(2).runs
    assert sorted(two["cure temperature"]) == [115.0, 135.0]
    others = [f.name for f in FOUR.factors if f.name != "cure temperature"]
    assert (runs[others] == pd.Series(TARGET)[others]).all().all()


def test_a_shift_that_is_not_known_widens_what_is_promised(earlier):
    """An unknown shift is integrated over, not set to its mean (nought): the pass rate at the old
    target may be anything between that of a cold and a hot oven."""
    at = pd.DataFrame([TARGET])
    before = fit(FOUR, earlier).pass_rate(at, "cotton").iloc[0]
    now = redial(FOUR, earlier, "cotton", changed="oven").fit.pass_rate(at, "cotton").iloc[0]
    assert now["high"] - now["low"] > before["high"] - before["low"] + 0.1
    assert now["pass_rate"] < before["pass_rate"] - 0.02
    # No doubt about the oven's heat is left where the plan's other stage changed instead.
    assert redial(FOUR, earlier, "cotton", changed="press").shifts[0].factor.stage == "press"


def test_a_drift_in_fahrenheit_is_told_in_fahrenheit(earlier):
    """The press's dial of this session is in °F: the same drift is a larger number there."""
    (press,) = redial(FOUR, earlier, "cotton", changed="press").shifts
    (oven,) = redial(FOUR, earlier, "cotton", changed="oven").shifts
    assert (press.sd, oven.sd) == (pytest.approx(12.6), pytest.approx(7.0))
    made = redial(FOUR, earlier, "cotton", changed="press", target=TARGET).next_presses(2)
    assert sorted(made.runs["press temperature"]) == [290.0, 330.0]


def test_readings_of_what_was_reached_are_not_moved_and_presses_left_out_do_not_count(earlier):
    actual = np.where(earlier["press"] <= 3, earlier["cure temperature"], np.nan)
    read = earlier.assign(**{"cure temperature_actual": actual})
    oven, powder = (redial(FOUR, read, "cotton", changed=what) for what in ("oven", "powder"))
    assert oven.moved.tolist() == [False] * 3 + [True] * 13
    assert powder.moved.all() and oven.shifts[0].presses == powder.shifts[0].presses == 0
    now = drifted(FOUR, redial(FOUR, earlier, "cotton", changed="oven", target=TARGET)
                  .next_presses(4).runs, -8.0)  # fmt: skip
    odd = earlier.assign(excluded=False)
    odd.loc[5, ["excluded", "peel", "wash"]] = [True, 1.0, 1.0]
    without = redial(FOUR, earlier.drop(index=5), "cotton", changed="oven", now=now)
    left_out = redial(FOUR, odd, "cotton", changed="oven", now=now)
    assert left_out.shifts[0].mean == pytest.approx(without.shifts[0].mean, abs=0.05)
    assert "15 earlier presses carried over, 4 made since" in left_out.sentence


def test_another_lot_is_a_guide_that_is_nearly_kept(earlier):
    now = drifted(FOUR, plan(FOUR, 4).runs, -3.0, seed=2)
    known = redial(FOUR, earlier, "cotton", changed="powder", now=now)
    assert [shift.factor.stage for shift in known.shifts] == ["cure", "press"]
    assert "The new powder seems to want" in known.sentence
    assert known.sentence.endswith("The earlier ones are a guide, not a proof.")
    # Both frames number from 1: the earlier presses made room, and none was lost.
    assert known.fit.session == FOUR
    assert known.fit.results["press"].is_unique and len(known.fit.results) == 20
    made = known.next_presses(2)
    assert made.session == FOUR and set(made.runs["fabric"]) == {"cotton"}
    assert made.runs["press"].tolist() == [17, 18]
    at = pd.DataFrame([TARGET])
    with_it, alone = (
        f.pass_rate(at, "cotton").iloc[0] for f in (known.fit, fit(FOUR, now))
    )  # fmt: skip
    # Four presses alone leave far more open than with the earlier session beside them.
    assert with_it["high"] - with_it["low"] < alone["high"] - alone["low"] - 0.1


def test_another_ink_moves_what_the_cure_wants(earlier):
    known = redial(FOUR, earlier, "cotton", changed="ink")
    assert [shift.factor.stage for shift in known.shifts] == ["cure", "press"]
    assert {shift.cause_text for shift in known.shifts} == {"the new ink"}


def test_the_first_presses_of_another_lot_lie_beside_the_target_in_both_temperatures(earlier):
    known = redial(FOUR, earlier, "cotton", changed="film", target=TARGET)
    runs = known.next_presses(4).runs
    beside = {(r["cure temperature"], r["press temperature"]) for r in runs.to_dict("records")}
    assert beside == {(115.0, 310.0), (135.0, 310.0), (125.0, 295.0), (125.0, 325.0)}
    # Planned and not graded: they are on their way, and others are chosen.
    waiting = redial(FOUR, earlier, "cotton", changed="film", now=runs.assign(peel=None, wash=None))
    more = waiting.next_presses(2).runs
    assert more["press"].tolist() == [21, 22]


def test_a_new_fabric_borrows_from_the_others():
    two = Session("two", (CURE_TIME, PRESS, PRESS_TIME), (Outcome("peel"),), ("cotton", "nylon"))
    rows = graded(two, plan(two, 10, fabrics=["cotton"]).runs)
    known = redial(two, rows, "nylon", changed="fabric")
    assert known.fit.session == two and "borrows from the earlier ones" in known.sentence


def test_a_bench_without_that_temperature_has_nothing_to_move():
    time_only = Session("t", (Factor("cure time", 30, 120, "s", 10, "cure"),), (Outcome("peel"),),
                        ("cotton",))  # fmt: skip
    rows = graded(time_only, plan(time_only, 5).runs)
    known = redial(time_only, rows, "cotton", changed="oven")
    assert not known.shifts and "a guide, not a proof" in known.sentence
    (kept,) = known.fit.posterior.prior.change_correlation
    assert kept < min(change.correlation for change in CHANGES.values())


def test_words():
    oven = FOUR.factor("cure temperature")
    assert "8 °C hotter than before, give or take 2.5 °C (by 6 presses)" in Shift(
        oven, 8.04, 2.5, 6
    ).sentence().replace("\u00a0", " ")
    lot = Shift(oven, -3.0, 1.5, 4, "the new powder").sentence().replace("\u00a0", " ")
    assert "The new powder seems to want 3 °C more cure temperature, give or take 1.5 °C" in lot
    with pytest.raises(PlanError, match="changed: got 'mood'; accepted one of oven, press"):
        redial(FOUR, pd.DataFrame(), "cotton", changed="mood")
