"""The parts of the rule by which a target is placed, each by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from dtfexp import Factor
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.lines import Line, inwards, line_of
from dtfexp.dialin.window.pass_map import PassMap
from dtfexp.dialin.window.stand import (
    _centre_of_mass,
    _in_the_middle,
    _kept_range,
    _standing_steps,
    _with_usual_settings,
)
from dtfexp.dialin.window.window_box import MappedBox, surroundings
from dtfexp.maths.boxes.box import Box
from tests.dialin.test_window_box import ASKED, TWO, Surface, session_of

CURE = Factor("cure", 100, 160, "°C", 1, "cure", spread=3, usual=125)
PRESSURE = Factor("pressure", levels=("light", "medium", "firm"), ordered=True, usual="medium")
SESSION = session_of(CURE, PRESSURE)
SURFACE = Surface(SESSION, lambda x: x[:, 0])


def box(excess: list[list[float]]) -> MappedBox:
    """A box over 100, 110 and 130 °C and all three words."""
    axes = (np.array([100.0, 110.0, 130.0]), np.arange(3.0))
    values = np.array(excess)
    mapped = PassMap(grids.Grid((CURE, PRESSURE), axes, {}), values, np.ones((3, 3), dtype=bool))
    low, high = np.array([100.0, 0.0]), np.array([130.0, 2.0])
    return MappedBox(mapped, Box((0, 0), (2, 2), 1.0), low, high, mapped)


@pytest.mark.parametrize(
    ("firm", "word"),
    [(0.0, "medium"), (1.2, "medium"), (1.3, "firm")],
)
def test_of_ordered_words_the_best_unless_todays_comes_within_a_fifth(firm, word) -> None:
    """Cells are 5, 15 and 10 wide of 30.  With 1 all over, the centre of mass is
    (5 * 100 + 15 * 110 + 10 * 130) / 30 = 115; today's word stays while it has four fifths of the
    best one's mass: 1 against 1.2, not against 1.3."""
    found = _centre_of_mass(SURFACE, "cotton", box([[1.0, 1.0, firm]] * 3))
    assert found["cure"] == pytest.approx(115.0) and found["pressure"] == word


def test_without_any_excess_the_middle_of_the_axis_serves() -> None:
    found = _centre_of_mass(SURFACE, "cotton", box([[0.0] * 3] * 3))
    assert found["cure"] == pytest.approx((100 + 110 + 130) / 3)


def test_an_end_of_the_range_is_no_edge_to_keep_away_from() -> None:
    """A quarter of a window 20 wide; its own ends where the range ends."""
    cure = TWO.factors[0]  # 105 to 145 °C
    assert _kept_range(cure, 105.0, 125.0, Surface(TWO, None), "cotton") == (105.0, 120.0)
    assert _kept_range(cure, 125.0, 145.0, Surface(TWO, None), "cotton") == (130.0, 145.0)


@pytest.mark.parametrize(
    ("falls_low", "falls_high", "inside", "outside"),
    [
        # 110 to 130: the middle half is 115 to 125.
        (True, True, (115.0, 125.0), (114.9, 125.1)),
        # One spread (3) more where the range ends: 110 to 133, middle half 115.75 to 127.25 ...
        (True, False, (115.75, 127.25), (115.6, 127.4)),
        # ... and 107 to 130: 112.75 to 124.25.
        (False, True, (112.75, 124.25), (112.6, 124.4)),
    ],
)
def test_the_middle_half_of_what_a_setting_may_do(falls_low, falls_high, inside, outside) -> None:
    places = np.array([110.0, 130.0])
    line = Line(CURE, places, np.ones(2), 110.0, 130.0, falls_low, falls_high)
    assert all(_in_the_middle(line, place) for place in inside)
    assert not any(_in_the_middle(line, place) for place in outside)


def test_the_middle_of_a_line_by_hand() -> None:
    """A triangle from 110 to 120, of height 1 there and 0 at 110: its centre of mass lies two
    thirds of the way.  Where the range ends at 120 it goes on at that height for one spread, 3:
    (5 * 350 / 3 + 3 * 121.5) / 8."""
    places, excess = np.array([100.0, 110.0, 120.0]), np.array([-1.0, 0.0, 1.0])
    line = line_of(CURE, places, excess, 120.0)
    assert (line.low, line.falls_low) == (110.0, True)
    assert (line.high, line.falls_high) == (120.0, False)
    assert line.middle() == pytest.approx((5 * 350 / 3 + 3 * 121.5) / 8)
    ended = Line(CURE, places, excess, 110.0, 120.0, True, True)
    assert ended.middle() == pytest.approx(350 / 3)
    turned = line_of(CURE, places, -excess, 100.0)
    assert turned.middle() == pytest.approx((5 * 310 / 3 + 3 * 98.5) / 8)
    flat = Line(CURE, places, np.zeros(3), 110.0, 120.0, True, True)
    assert flat.middle() == 115.0


def test_a_line_crosses_where_the_excess_is_nought_and_holds_its_own_place() -> None:
    """From 0.5 at 110 to -1.5 at 114 it falls below a quarter of the way on, at 111; the place
    asked for is added, read from the line between its neighbours."""
    places, excess = np.array([100.0, 110.0, 114.0, 120.0]), np.array([-0.5, 0.5, -1.5, 2.0])
    line = line_of(CURE, places, excess, 108.0)
    assert line.places.tolist() == [100.0, 108.0, 110.0, 114.0, 120.0]
    assert line.at(108.0) == pytest.approx(0.3)
    assert (line.low, line.high) == (pytest.approx(105.0), pytest.approx(111.0))
    assert line.falls_low and line.falls_high
    below = line_of(CURE, places, excess, 100.0)
    assert (below.low, below.high, below.falls_low, below.falls_high) == (100.0, 100.0, True, True)


def test_ends_are_told_in_tenths_of_a_step_rounded_inwards() -> None:
    assert inwards(CURE, 110.04, 129.98) == (110.1, 129.9)
    assert inwards(CURE, 110.1, 129.9) == (110.1, 129.9)
    # Steps are counted from the low end of the range.
    odd = Factor("dwell", 10.05, 20, "s", 1, spread=1, usual=15.05)
    assert inwards(odd, 12.0, 17.99) == (12.05, 17.95)


def test_where_to_look_closely_is_what_is_good_round_the_largest_box() -> None:
    """Good from 110 to 130 °C; 30 steps of the first grid are 2 °C apart, and one is added to
    either side.  Where nothing is good, the place with the highest excess is looked at."""
    session = session_of(CURE)
    coarse = grids.grid(session, "cotton", {}, 31)
    assert np.diff(coarse.axes[0]).tolist() == [2.0] * 30
    x = coarse.axes[0]
    ones = np.ones(31, dtype=bool)
    found = surroundings(session, "cotton", PassMap(coarse, 1.0 - ((x - 120) / 10) ** 2, ones))
    low, high = found.within["cure"]
    assert (low, high) == (pytest.approx(108.0, abs=0.6), pytest.approx(132.0, abs=0.6))
    assert found.size == pytest.approx(20.0 / 3.0, abs=0.4)
    nothing = surroundings(session, "cotton", PassMap(coarse, -1.0 - np.abs(x - 120), ones))
    assert nothing.within["cure"] == (118.0, 122.0) and nothing.size == 0.0


def test_todays_values_stay_but_for_the_one_that_costs() -> None:
    """A dip of the pass rate at 15 s, today's dwell: today's 125 °C is kept and 15 s is not."""
    surface = Surface(TWO, lambda x: 2.0 - 0.5 * np.exp(-(((x[:, 1] - 15.0) / 0.4) ** 2)))
    bounds = {"cure": (105.0, 145.0), "dwell": (8.0, 24.0)}
    at = {"cure": 120.0, "dwell": 13.0}
    assert _with_usual_settings(surface, "cotton", at, bounds, ASKED) == at | {"cure": 125.0}


def test_a_target_may_stand_a_spread_from_the_edges_and_not_a_step_nearer() -> None:
    """A window from 12 to 16 s, a quarter of it and the spread both 1 s: steps from 13 to 15 s."""
    dwell = Factor("dwell", 10, 20, "s", 0.05, spread=1, usual=15)
    steps = _standing_steps(dwell, 12.0, 16.0, Surface(session_of(dwell), None), "cotton")
    assert (steps[0], steps[-1], len(steps)) == (pytest.approx(13.0), pytest.approx(15.0), 41)


@pytest.mark.parametrize(("loss", "cure"), [(0.004, 125.0), (0.006, 120.0)])
def test_todays_setting_stays_while_the_pass_rate_is_lower_by_at_most_0_005(loss, cure) -> None:
    """A pass rate of 0.96 at 120 °C and ``loss`` less at today's 125 °C."""
    surface = Surface(TWO, lambda x: norm.ppf(0.96 - loss * (x[:, 0] - 120.0) / 5.0))
    bounds = {"cure": (105.0, 145.0), "dwell": (8.0, 24.0)}
    at = {"cure": 120.0, "dwell": 15.0}
    assert _with_usual_settings(surface, "cotton", at, bounds, ASKED)["cure"] == cure


def test_a_demand_is_met_from_its_own_number_on() -> None:
    """Without a confidence the expected rate decides, with one the probability alone."""
    assert Demand(0.9).is_met(0.9, 0.0) and not Demand(0.9).is_met(0.899, 1.0)
    sure = Demand(0.9, 0.8)
    assert sure.is_met(0.5, 0.8) and not sure.is_met(1.0, 0.799)
