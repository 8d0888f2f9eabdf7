"""Windows of a width asked for, and how sure a whole window is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Fit, SessionError, Window, fit, next_presses, plan
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.model.posterior_surfaces import pass_rate_surfaces
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.facts import chance_better, target_facts
from dtfexp.dialin.window.pass_map import PassMap
from dtfexp.dialin.window.simultaneous_confidence import _box_points
from dtfexp.dialin.window.window_box import best_box
from dtfexp.maths.boxes.box import Box, largest_box
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import joint_posterior
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given
from tests.dialin.bench import FOUR, graded


@pytest.fixture(scope="module")
def known() -> Fit:
    return fit(FOUR, graded(FOUR, plan(FOUR, 26).runs, width=1.6))


def test_a_window_can_be_asked_to_be_wide_in_one_setting(known: Fit) -> None:
    plain = known.window("cotton")
    assert plain.found and plain.low and plain.high
    half = 0.5 * (plain.high["press time"] - plain.low["press time"]) + 0.5
    wide = known.window("cotton", at_least={"press time": half})
    assert wide.found and wide.low and wide.high
    assert wide.high["press time"] - wide.low["press time"] >= 2 * half - 1e-9
    assert known.window("cotton") is plain


def test_a_width_that_no_proven_window_has_is_told_apart_from_none_proven(known: Fit) -> None:
    window = known.window("cotton", at_least={"press time": 8, "cure time": 45})
    assert not window.found and window.low is None
    assert "as wide as was asked" in window.reason


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"press time": 9}, "'press time': got 9; accepted a half-width up to 8"),
        ({"press time": 0}, "half-width"),
        ({"press time": "5"}, "'5'"),
        ({"mood": 1}, "mood"),
    ],
)
def test_a_width_that_fits_nowhere_is_refused(known: Fit, asked: dict, told: str) -> None:
    with pytest.raises(SessionError, match=told):
        known.window("cotton", at_least=asked)


def _all_at_once(fitted: Fit, window: Window, draws: int = 400) -> tuple[float, float]:
    """Chance that the poorest spot of the window keeps its rate, and that all keep it at once."""
    post, spots = fitted.posterior, _box_points(fitted, window)
    fabric = np.full(len(spots), fitted.coding.fabric_index(window.fabric))
    exact = fitted.coding.points(spots, fabric, spread=False)
    averaged = predict(post, fitted.coding.points(spots, fabric))
    rng = np.random.default_rng(0)
    alone, whole = np.zeros(len(spots)), 0.0
    for j, weight in enumerate(post.weight):
        joint = joint_posterior(post, exact, j)
        size = joint.mean.size
        value, vector = np.linalg.eigh(joint.covariance.reshape(size, size))
        root = vector * np.sqrt(np.maximum(value, 0.0))
        fields = (rng.normal(size=(draws, size)) @ root.T).reshape(draws, *joint.mean.shape)
        press = new_press_effects_at(post, j, averaged.mean[j], averaged.input_noise[j])
        kept = pass_rate_given(post, j, averaged.mean[j] + fields, press) >= window.required
        alone += weight * kept.mean(axis=0)
        whole += weight * float(kept.all(axis=1).mean())
    return float(alone.min()), whole


def test_the_whole_window_is_less_sure_than_each_set_point(known: Fit) -> None:
    """Against draws from the exact joint posterior of all spots, at every scale setting: an own
    way to the same share.  Each is known to 0.03 or better; three times that."""
    window = known.window("cotton")
    alone, whole = _all_at_once(known, window)
    assert known.whole_confidence(window) == pytest.approx(whole, abs=0.09)
    assert known.whole_confidence(window) < alone
    # Corners included: the spots reach every end of the box.
    spots = _box_points(known, window)
    for name in ("cure temperature", "press time"):
        assert np.isin([window.low[name], window.high[name]], spots[name]).all()


def test_no_window_is_not_sure_at_all(known: Fit) -> None:
    assert known.whole_confidence(known.window("cotton", pass_rate=0.9999)) == 0.0


def test_what_is_forbidden_is_in_no_window_no_target_and_no_next_batch(known: Fit) -> None:
    free = known.window("cotton")
    cut = 0.5 * (free.low["press time"] + free.high["press time"])
    session = replace(FOUR, forbidden=({"press time": f"> {cut:g}"},))
    allowed = known.results[known.results["press time"] <= cut]
    window = fit(session, allowed).window("cotton")
    assert window.target["press time"] <= cut
    assert not window.found or window.high["press time"] <= cut
    more = next_presses(session, allowed, 4).runs
    assert session.permits(more).all()
    assert fit(session, known.results).window("cotton").high["press time"] <= cut


def test_a_window_is_twice_the_spread_wide_where_it_can_be() -> None:
    """By hand: cure 100 to 112 in steps of 2 (spread 3), time 0 to 100 in steps of 10 (unit 10).
    A strip hardly more than one spread wide (104 to 108) and 100 s long is the largest: 4/3 x 10
    against 8/3 x 4 of 100 to 108 by 40 s; but this one is twice the spread wide, and wins.  Alone,
    the strip is better than nothing."""
    factors = (
        Factor("cure", 100, 112, "°C", 2, "cure", spread=3),
        Factor("time", 0, 100, "", 10),
    )
    axes = (np.arange(100.0, 113, 2), np.arange(0.0, 101, 10))
    strip = np.zeros((7, 11))
    strip[2:5, :] = 1.0
    both = strip.copy()
    both[:4, :5] = 1.0

    def best(chance: np.ndarray) -> Box | None:
        grid = grids.Grid(factors, axes, {})
        return best_box(PassMap(grid, chance - 0.9, np.ones(chance.shape, dtype=bool)), {})

    assert best(both) == largest_box(
        both > 0, axes, [3.0, grids.width_unit(factors[1])], [6.0, 0.0]
    )
    assert (best(both).lo, best(both).hi) == ((0, 0), (4, 4))
    assert (best(strip).lo, best(strip).hi) == ((2, 0), (4, 10))


@pytest.mark.parametrize(("presses", "found"), [(3, False), (4, True)])
def test_no_window_on_fewer_than_four_presses(presses: int, found: bool) -> None:
    """However little is asked for: three presses lean on the prior alone."""
    results = plan(FOUR, 4).runs.head(presses).assign(peel=5, wash=5)
    window = fit(FOUR, results).window("cotton", pass_rate=0.2, confidence=0.2)
    assert window.found is found


def test_an_edge_is_named_only_where_the_presses_show_it(known: Fit) -> None:
    window = known.window("cotton")
    named = 0
    for row in window.edges.to_dict("records"):
        factor, low = known.session.factor(row["factor"]), row["side"] == "low"
        reach = max(factor.spread, factor.grid_step) * (-1 if low else 1)
        at = float(np.clip(row["alone"] + reach, factor.low, factor.high))
        beyond = pd.DataFrame([window.target | {factor.name: at}])
        passing = known.pass_posterior(beyond, "cotton")
        assert row["alone"] == window.alone[factor.name][0 if low else 1]
        assert (row["alone"] <= row["value"]) if low else (row["alone"] >= row["value"])
        if row["stopped_by"] in ("peel", "wash"):
            assert passing.expected()[0] < 0.9
            assert row["certainty"] == pytest.approx(1 - passing.chance_at_least(0.9)[0])
            assert row["certainty"] >= 0.8
            named += 1
        elif row["stopped_by"] == "other settings":
            assert at in (factor.low, factor.high) and passing.expected()[0] >= 0.9
        elif row["stopped_by"] == "not known":
            assert 1 - passing.chance_at_least(0.9)[0] < 0.8
        else:
            assert row["value"] in (factor.low, factor.high)
    assert named


def test_what_a_setting_may_do_alone_ends_where_its_curve_crosses(known: Fit) -> None:
    window = known.window("cotton")
    for name, (low, high) in window.alone.items():
        factor = known.session.factor(name)
        at = np.array([low, high, low - factor.grid_step / 5, high + factor.grid_step / 5])
        settings = pd.DataFrame([window.target] * 4).assign(**{name: at})
        rate = known.pass_rate(settings, "cotton")["pass_rate"].to_numpy()
        assert (rate[:2] >= 0.9 - 1e-3).all(), name
        for k, end in ((2, factor.low), (3, factor.high)):
            assert rate[k] < 0.9 or at[k - 2] == end, name


def test_the_presses_behind_a_window_are_counted(known: Fit) -> None:
    window = known.window("cotton")
    inside = np.ones(len(known.results), dtype=bool)
    for name in window.target:
        inside &= known.results[name].between(window.low[name], window.high[name]).to_numpy()
    assert (window.presses, window.presses_inside) == (26, int(inside.sum()))
    at = (known.results[list(window.target)] == pd.Series(window.target)).all(axis=1)
    assert window.presses_at_target == int(at.sum())


def test_what_a_change_from_today_would_gain(known: Fit) -> None:
    """Against draws of the two set-points together, in an own way; 0.03 each, three times that."""
    window = known.window("cotton")
    usual = {f.name: f.usual for f in FOUR.factors}
    rate = known.pass_rate(pd.DataFrame([usual]), "cotton")["pass_rate"][0]
    assert window.usual_pass_rate == pytest.approx(rate)
    assert window.stay is (window.target == usual)
    far = usual | {"press time": 21.0, "cure time": 100.0}
    told = known.pass_rate(pd.DataFrame([far]), "cotton").iloc[0]
    facts = target_facts(known, "cotton", far, Demand(told["pass_rate"]))
    assert [facts["pass_rate"], facts["pass_rate_low"]] == pytest.approx(told[["pass_rate", "low"]])
    assert facts["usual_pass_rate"] == pytest.approx(rate) and not facts["stay"]
    # A rate asked that is the expected one there is reached about as often as not.
    assert 0.3 < facts["confidence"] < 0.7 and facts["gain_chance"] < 0.1
    for one, other in ((usual, far), (usual, usual | {"press time": 18.0})):
        drawn = pass_rate_surfaces(known, pd.DataFrame([one, other]), "cotton", 400)
        told = chance_better(known, "cotton", one, other)
        assert told == pytest.approx((drawn[:, 0] > drawn[:, 1]).mean(), abs=0.09)
        assert told == pytest.approx(1 - chance_better(known, "cotton", other, one), abs=0.02)
    assert chance_better(known, "cotton", usual, far) > 0.9


def test_what_is_promised_and_what_is_only_expected(known: Fit) -> None:
    window = known.window("cotton")
    said = "Anywhere inside, at least 90 of 100 new presses are expected to pass."
    assert window.promise == said and window.proven
    assert known.window("cotton", pass_rate=0.95).promise.startswith("Anywhere inside, at least 95")
    assert f"about {int(100 * window.pass_rate)} of 100" in window.expectation
    first = replace(window, core_low=None, core_high=None, presses_at_target=0)
    assert first.pass_rate_low > 0.91 and "at least about 90 of 100" in first.expectation
    lower = replace(first, pass_rate_low=0.847)
    assert "at least about 84 of 100" in lower.expectation
    pressed = replace(first, presses_at_target=1)
    assert f"at least about {int(100 * first.pass_rate_low)} of 100" in pressed.expectation
    assert "not proven" in first.expectation and "not yet pressed" in first.expectation
