"""The line from set to reached, its intervals, and what the fit is given."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import linregress

from dtfexp import Factor, Outcome, Session
from dtfexp.dialin.encode.calibrations import Calibrations, fit_calibration_line, press_readings

PRESS = Factor("press temperature", 300, 340, "°F", step=5, spread=4)


def session() -> Session:
    return Session("s", [PRESS], [Outcome("peel")], ["cotton"])


def test_the_line_agrees_with_another_library() -> None:
    rng = np.random.default_rng(3)
    x = np.repeat([300.0, 320.0, 340.0], 4)
    y = -12 + 1.02 * x + rng.normal(0, 2, 12)
    found, other = fit_calibration_line("t", x, y), linregress(x, y)
    assert found.slope == pytest.approx(other.slope, rel=1e-9)
    assert found.intercept == pytest.approx(other.intercept, rel=1e-9)
    assert math.sqrt(found.covariance[1][1]) == pytest.approx(other.stderr, rel=1e-9)
    assert math.sqrt(found.covariance[0][0]) == pytest.approx(other.intercept_stderr, rel=1e-9)
    assert found.df == 10


def test_the_ends_of_what_to_set_are_where_the_average_may_just_be_it() -> None:
    x, y = [300, 310, 320, 330, 340], [288, 301, 309, 321, 330]
    found = fit_calibration_line("t", x, y)
    dial = found.setting_for(312)
    assert found.mean_reached(dial.value).value == pytest.approx(312)
    assert found.mean_reached(dial.low).high == pytest.approx(312)
    assert found.mean_reached(dial.high).low == pytest.approx(312)
    assert dial.low < dial.value < dial.high


def test_nine_of_ten_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(20260503)
    x = np.array([300.0, 300, 320, 320, 340, 340])
    runs, held_reach, held_set = 600, 0, 0
    for _ in range(runs):
        found = fit_calibration_line("t", x, -10 + x + rng.normal(0, 3, len(x)))
        reach, dial = found.mean_reached(335), found.setting_for(325)
        held_reach += reach.low <= 325 <= reach.high
        held_set += dial.low <= 335 <= dial.high
    error = 3.5 * math.sqrt(0.9 * 0.1 / runs)
    assert abs(held_reach / runs - 0.9) < error
    assert abs(held_set / runs - 0.9) < error


def test_few_readings_give_an_offset_and_say_what_they_do_not_know() -> None:
    one = fit_calibration_line("t", [320], [311])
    assert one.mean_reached(300).value == 291
    assert math.isnan(one.mean_reached(300).low)
    assert math.isnan(one.setting_for(311).low)
    two = fit_calibration_line("t", [300, 340], [290, 334])
    assert (two.slope, two.intercept) == (1.0, pytest.approx(-8))
    assert two.mean_reached(300).low < 292 < two.mean_reached(300).high
    same = fit_calibration_line("t", [320, 320, 320], [310, 312, 311])
    assert (same.slope, same.df) == (1.0, 2)
    odd = fit_calibration_line("t", [300, 320, 340], [340, 320, 300])
    assert odd.slope == 1.0, "a display that runs backwards is no calibration"


def test_a_display_that_is_always_off_shifts_nothing(monkeypatch) -> None:
    frame = pd.DataFrame(
        {
            "press": [1, 2, 3],
            "press temperature": [300.0, 320.0, 340.0],
            "press temperature_actual": [290.0, np.nan, 320.0],
        }
    )
    true = Calibrations(
        {PRESS.name: fit_calibration_line(PRESS.name, [300, 320, 340], [290, 310, 330])}
    )
    told = true.results(frame)["press temperature_actual"]
    # Press 1 was read as the line says, press 3 was 10 ° cooler than the machine always is.
    assert told.iloc[0] == pytest.approx(300)
    assert math.isnan(told.iloc[1])
    assert told.iloc[2] == pytest.approx(330)
    assert frame["press temperature_actual"].iloc[0] == 290, "the frame given is left alone"
    assert true.setting_for(PRESS, 317.4).value == 325
    assert true.setting_for(PRESS, 500).value == 340
    assert Calibrations().setting_for(PRESS, 317).value == 315


def test_a_measured_spread_stands_in_for_the_described_one() -> None:
    true = Calibrations(
        {PRESS.name: fit_calibration_line(PRESS.name, [300, 320, 340], [290, 312, 334])},
        {PRESS.name: 6.6},
    )
    assert true.session(session()).factors[0].spread == pytest.approx(6.0), "told in set-points"
    assert Calibrations().session(session()) == session()
    assert Calibrations({}, {PRESS.name: 900.0}).session(session()).factors[0].spread == 40


def test_the_spots_of_a_map_stand_in_for_an_even_spread() -> None:
    lines = {PRESS.name: fit_calibration_line(PRESS.name, [300, 320, 340], [290, 312, 334])}
    spots = {PRESS.name: [-6.6, 0.0, 6.6]}
    told = Calibrations(lines, {PRESS.name: 6.6}, spots).session(session()).factors[0]
    assert told.spots == pytest.approx((-6.0, 0.0, 6.0)), "told in set-points"
    # Wider than the range: no map of a bench that can be set.
    far = Calibrations({}, {PRESS.name: 900.0}, {PRESS.name: [-900.0, 900.0]})
    assert far.session(session()).factors[0].spots == ()
    # One spot alone lies farther off than the range, which is 40, though the spread is less.
    corner = Calibrations({}, {PRESS.name: 25.0}, {PRESS.name: [5.0] * 9 + [-45.0]})
    told = corner.session(session()).factors[0]
    assert (told.spread, told.spots) == (25.0, ())


def test_readings_of_presses_are_a_calibration_only_when_most_have_one() -> None:
    frame = pd.DataFrame(
        {"press": range(1, 9), "press temperature": 320.0, "press temperature_actual": np.nan}
    )
    frame.loc[:2, "press temperature_actual"] = 300.0
    assert press_readings(session(), frame) == {}
    frame.loc[:3, "press temperature_actual"] = 311.0
    assert press_readings(session(), frame) == {PRESS.name: [(320.0, 311.0)] * 4}


def test_a_reading_is_told_by_the_slope_as_well() -> None:
    frame = pd.DataFrame({"press": [1, 2], "press temperature_actual": [312.0, 323.0]})
    true = Calibrations(
        {PRESS.name: fit_calibration_line(PRESS.name, [300, 320, 340], [290, 312, 334])}
    )
    told = true.results(frame)["press temperature_actual"]
    assert told.tolist() == pytest.approx([320, 330])
