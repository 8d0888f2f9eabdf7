"""The fit and the window keep their promises on any data a bench may bring."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import Fit, ResultsError, Session, SessionError, fit, next_presses, plan
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import Coding
from tests.dialin.bench import FOUR, HALF, ONE, PRESS, SESSIONS, WORDS, graded


def settings_of(session: Session, fabric: str) -> pd.DataFrame:
    words = grids.word_choices(session, fabric)[0]
    return grids.grid(session, fabric, words, 40).frame()


def sound(session: Session, results: pd.DataFrame) -> Fit:
    """An answer for every fabric: finite, ordered, on the steps, inside the limits."""
    fitted = fit(session, results)
    for fabric in session.fabrics:
        rates = fitted.pass_rate(settings_of(session, fabric.name), fabric)
        assert list(rates.columns) == ["pass_rate", "low", "high"]
        assert np.isfinite(rates.to_numpy()).all()
        assert ((rates["low"] <= rates["pass_rate"]) & (rates["pass_rate"] <= rates["high"])).all()
        assert ((rates >= 0) & (rates <= 1)).all().all()
        window = fitted.window(fabric)
        assert list(window.target) == [f.name for f in session.factors]
        assert window.reason.endswith(".")
        assert "\n" not in window.reason
        for factor in session.factors:
            allowed = session.allowed(factor, fabric)
            assert window.target[factor.name] in allowed
            if window.low is not None and window.high is not None:
                low, high, here = (
                    grids.as_axis(factor, end[factor.name])
                    for end in (window.low, window.high, window.target)
                )
                ends = [grids.as_axis(factor, allowed[k]) for k in (0, -1)]
                if factor.is_numeric or factor.ordered:
                    assert ends[0] <= low <= here <= high <= ends[1]
        assert window.found is (window.low is not None) is (window.high is not None)
    return fitted


KINDS = ("as they fell", "all best", "all worst", "all accepted", "separated")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
def test_any_grades_get_an_answer(session: Session, kind: str) -> None:
    results = graded(session, plan(session, 12).runs)
    for o in session.outcomes:
        if kind == "separated":
            first = session.factors[0]
            hot = Coding(session).code(first, results[first.name].to_numpy()) > 0
            results[o.name] = np.where(hot, o.best, o.worst)
        elif kind != "as they fell":
            results[o.name] = {"all best": o.best, "all worst": o.worst}.get(kind, o.accept)
    sound(session, results)


@pytest.mark.parametrize("presses", [0, 1, 2])
@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
def test_hardly_any_press_is_enough_for_an_answer(session: Session, presses: int) -> None:
    results = graded(session, plan(session, 3).runs).head(presses)
    window = sound(session, results).window(session.fabrics[0])
    assert not window.found  # nothing is promised on so little
    assert "press" in window.reason


def test_no_columns_at_all() -> None:
    sound(FOUR, pd.DataFrame())


def test_missing_grades_count_for_the_grades_there_are() -> None:
    results = graded(FOUR, plan(FOUR, 14).runs)
    half = results.copy()
    half["wash"] = half["wash"].astype(float)
    half.loc[half.index[::2], "wash"] = np.nan
    halved = sound(FOUR, half)
    at = pd.DataFrame([{f.name: f.usual for f in FOUR.factors}])
    full_rate, half_rate, none = (
        fitted.pass_rate(at, "cotton").iloc[0]
        for fitted in (fit(FOUR, results), halved, fit(FOUR, half.assign(wash=np.nan)))
    )
    width = [r["high"] - r["low"] for r in (full_rate, half_rate, none)]
    assert width[0] < width[2]


def test_excluded_presses_and_unknown_columns_do_not_count() -> None:
    results = graded(FOUR, plan(FOUR, 12).runs)
    spoiled = results.head(3).copy()
    spoiled["press"] += 100
    spoiled[["peel", "wash"]] = 1
    both = pd.concat([results.assign(excluded=False), spoiled.assign(excluded=True)])
    at = pd.DataFrame([{f.name: f.usual for f in FOUR.factors}])
    alone = fit(FOUR, results.assign(weather="rain")).pass_rate(at, "cotton")
    pd.testing.assert_frame_equal(alone, fit(FOUR, both).pass_rate(at, "cotton"))


def test_what_was_really_reached_stands_in_for_the_setting() -> None:
    """A bench whose oven runs 10 °C cool: readings move the good place by as much."""
    results = graded(ONE, plan(ONE, 30).runs, width=0.3)
    read = results.assign(**{"cure temperature_actual": results["cure temperature"] - 10.0})
    grid = pd.DataFrame({"cure temperature": np.arange(105.0, 146.0, 1.0)})
    best = [
        grid["cure temperature"][fit(ONE, r).pass_rate(grid, "cotton")["pass_rate"].idxmax()]
        for r in (results, read)
    ]
    assert best[0] - best[1] == pytest.approx(10, abs=4)


def test_blocks_are_a_further_luck() -> None:
    results = graded(FOUR, plan(FOUR, 16).runs)
    sound(FOUR, results.assign(block=np.where(results["press"] <= 8, "monday", "tuesday")))


def test_the_answer_is_the_same_every_time() -> None:
    results = graded(HALF, plan(HALF, 12).runs)
    one, two = (fit(HALF, results).window("nylon") for _ in range(2))
    assert (one.target, one.low, one.high, one.pass_rate) == (
        two.target, two.low, two.high, two.pass_rate,
    )  # fmt: skip


def test_fahrenheit_and_celsius_give_the_same_answer() -> None:
    """The same bench told in the other unit, at settings that are whole in both."""
    from dtfexp import Factor, Outcome

    def told(unit: str, low: float, high: float, usual: float, step: float, spread: float):
        press = Factor("press", 280, 340, "°F", 5, usual=310) if unit == "°F" else PRESS
        press = Factor("heat", low, high, unit, step, usual=usual, spread=spread)
        return Session("t", (press,), (Outcome("peel"),), ("cotton",))

    celsius, fahrenheit = told("°C", 140, 170, 155, 5, 5), told("°F", 284, 338, 311, 9, 9)
    runs = plan(celsius, 12).runs
    results = graded(celsius, runs, width=0.5)
    other = results.assign(heat=results["heat"] * 9 / 5 + 32)
    a, b = fit(celsius, results).window("cotton"), fit(fahrenheit, other).window("cotton")
    assert a.found == b.found
    assert b.target["heat"] == pytest.approx(a.target["heat"] * 9 / 5 + 32)
    assert b.pass_rate == pytest.approx(a.pass_rate, abs=1e-9)


@pytest.fixture(scope="module")
def known():
    """A wide good place and enough presses to find it."""
    return fit(FOUR, graded(FOUR, plan(FOUR, 40).runs, width=2.5))


def test_every_set_point_of_the_window_keeps_the_promise(known) -> None:
    window = known.window("cotton")
    assert window.found
    assert window.low is not None
    assert window.high is not None
    axes = [np.linspace(window.low[f.name], window.high[f.name], 4) for f in FOUR.factors]
    spots = pd.DataFrame(list(itertools.product(*axes)), columns=list(window.target))
    assert (known.pass_rate(spots, "cotton")["pass_rate"] >= 0.90 - 2e-3).all()
    sure = known.window("cotton", confidence=0.90)
    corners = pd.DataFrame(
        list(itertools.product(*[(sure.low[n], sure.high[n]) for n in sure.low])),
        columns=list(window.target),
    )
    chance = known.pass_posterior(corners, "cotton").chance_at_least(0.90)
    assert (chance >= 0.90 - 1e-9).all()
    assert window.pass_rate == pytest.approx(
        known.pass_rate(pd.DataFrame([window.target]), "cotton")["pass_rate"][0], abs=1e-9
    )


def test_margins_count_spreads_to_each_edge(known) -> None:
    window = known.window("cotton")
    for factor in FOUR.factors:
        unit = factor.spread or factor.grid_step
        low, high = window.margin[factor.name]
        target = window.target[factor.name]
        assert low == pytest.approx((target - window.low[factor.name]) / unit)
        assert high == pytest.approx((window.high[factor.name] - target) / unit)
        assert float(window.margin[factor.name]) == min(low, high)


def test_a_harder_demand_never_widens_the_window(known) -> None:
    def volume(**demand: float) -> float:
        window = known.window("cotton", **demand)
        if not window.found:
            return 0.0
        return float(np.prod([window.high[n] - window.low[n] + 1e-3 for n in window.low]))

    easy, usual, hard = volume(pass_rate=0.7), volume(), volume(pass_rate=0.97)
    assert easy >= usual >= hard
    assert volume(confidence=0.6) >= volume(confidence=0.9) >= volume(confidence=0.99)


def test_edges_name_what_stops_them(known) -> None:
    edges = known.window("cotton").edges
    assert len(edges) == 2 * len(FOUR.factors)
    names = {"peel", "wash", "range of the plan", "heat limit", "other settings", "not known"}
    assert set(edges["stopped_by"]) <= names
    cure = edges[(edges["factor"] == "cure temperature")].set_index("side")["looks"]
    assert dict(cure) == {"low": "under-cured", "high": "over-cured"}


def test_no_window_says_what_stands_in_the_way() -> None:
    results = graded(FOUR, plan(FOUR, 26).runs)
    results[["peel", "wash"]] = 2
    window = fit(FOUR, results).window("cotton")
    assert not window.found
    assert window.low is None
    assert window.high is None
    assert set(window.target) == {f.name for f in FOUR.factors}
    assert window.pass_rate < 0.2


@pytest.mark.parametrize("demand", [{"pass_rate": 1.0}, {"pass_rate": 0}, {"confidence": 90}])
def test_a_demand_out_of_range_is_refused(demand: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        fit(ONE, pd.DataFrame()).window("cotton", **demand)


def test_bad_settings_name_row_and_column() -> None:
    fitted = fit(WORDS, pd.DataFrame())
    with pytest.raises(ResultsError, match=r"row 2, column 'peel method'.*'lukewarm'.*hot"):
        fitted.pass_rate(
            pd.DataFrame({"peel method": ["hot", "lukewarm"], "pressure": ["firm", "firm"]}),
            "cotton",
        )
    with pytest.raises(ResultsError, match="'pressure' is missing"):
        fitted.pass_rate(pd.DataFrame({"peel method": ["hot"]}), "cotton")
    with pytest.raises(SessionError, match="velvet"):
        fitted.window("velvet")


def test_describe_lists_data_and_priors() -> None:
    text = fit(FOUR, graded(FOUR, plan(FOUR, 10).runs)).describe()
    assert "  wrong grades: 1." in text and "[2.0%, as if from 100 grades:" in text
    for word in ("10 graded presses", "20 grades", "load luck", "press noise, wash"):
        assert word in text


def test_a_block_that_nobody_told_is_no_block() -> None:
    """A blank is not a lot of its own: such presses share no luck, and none is added."""
    results = graded(FOUR, plan(FOUR, 12).runs)
    at = pd.DataFrame([{f.name: f.usual for f in FOUR.factors}])
    plain = fit(FOUR, results).pass_rate(at, "cotton")
    blank = fit(FOUR, results.assign(block=None)).pass_rate(at, "cotton")
    pd.testing.assert_frame_equal(plain, blank)
    half = fit(FOUR, results.assign(block=["monday"] * 4 + [None] * 8)).posterior.data
    assert set(half.block[half.press >= 4]) == {-1}
    assert set(half.block[half.press < 4]) == {0}


def test_settings_are_coded_once_for_each_fit() -> None:
    fitted = fit(FOUR, graded(FOUR, plan(FOUR, 4).runs))
    assert fitted.coding is fitted.coding


def test_a_fit_that_has_not_settled_says_so() -> None:
    fitted = fit(ONE, graded(ONE, plan(ONE, 8).runs))
    post = fitted.posterior
    assert post.settled
    assert "not settled" not in fitted.describe() + repr(fitted)
    cut_short = replace(post.sites, converged=np.zeros(len(post.integration_points), dtype=bool))
    doubtful = replace(fitted, posterior=replace(post, sites=cut_short))
    assert "not settled" in doubtful.describe()
    assert "not settled" in repr(doubtful)


def test_the_latest_fit_is_given_again_only_for_the_same_presses_and_priors(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Other tests make every fit anew (tests/conftest.py).
    monkeypatch.undo()
    results = graded(ONE, plan(ONE, 6).runs)
    first = fit(ONE, results)
    assert fit(ONE, results.copy()) is first
    assert fit(ONE, results, prior_width={"slope": 1.0}) is first
    outcome = ONE.outcomes[0].name
    assert fit(ONE, results.assign(**{outcome: 1 - results[outcome]})) is not first
    first = fit(ONE, results)
    assert fit(ONE, results, prior_width={"slope": 1.5}) is not first
    first = fit(ONE, results)
    assert fit(ONE.altered(name="another"), results) is not first
    first = fit(ONE, results)
    assert next_presses(ONE, results, 2).fit is first
