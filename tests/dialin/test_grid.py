"""Grids of set-points: thinned where steps are fine, never between two words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Outcome, Session, fit, plan
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.grid import grid
from tests.dialin.bench import FOUR, graded

SESSION = Session(
    "Invented words",
    [
        Factor("cure temperature", 110, 155, "°C", 5, "cure", spread=3, usual=125),
        Factor("cure time", 30, 120, "s", 5, "cure", spread=3, usual=60),
        Factor("press temperature", 125, 175, "°C", 5, "press", spread=3, usual=150),
        Factor("press time", 6, 24, "s", 1, "press", spread=1, usual=15),
        Factor("pressure", levels=("light", "medium", "firm"), ordered=True, usual="medium"),
    ],
    [Outcome("peel")],
    ["cotton"],
)


@pytest.mark.parametrize("budget", [40_000, 12_000, 1_500, 100])
def test_every_word_stays_and_so_do_the_ends_of_a_range(budget: int) -> None:
    found = grid(SESSION, "cotton", {}, budget)
    frame = found.frame()
    assert len(frame) <= budget
    assert list(dict.fromkeys(frame["pressure"])) == ["light", "medium", "firm"]
    for factor in SESSION.factors[:-1]:
        assert (frame[factor.name].min(), frame[factor.name].max()) == factor.bounds


@pytest.mark.parametrize("usual", [145, 147.5])
def test_before_any_press_nothing_is_known_better_than_what_the_shop_runs(usual: float) -> None:
    """The prior is best near the usual settings; a heat limit is kept, a dial's step too."""
    factors = list(SESSION.factors)
    factors[2] = Factor("press temperature", 125, 175, "°C", 5, "press", spread=3, usual=usual)
    session = replace(SESSION, factors=factors, fabrics=["cotton", Fabric("nylon", 143)])
    ungraded = fit(session, plan(session, 4).runs.assign(peel=float("nan")))
    for fabric, hottest in (("cotton", 145.0), ("nylon", 140.0)):
        window = ungraded.window(fabric)
        assert not window.found and window.target["pressure"] == "medium"
        own = pd.DataFrame([grids.usual_set_point(session, fabric)])
        assert own["press temperature"].item() == hottest
        known = ungraded.pass_rate(pd.DataFrame([window.target]), fabric)["pass_rate"].item()
        assert known >= ungraded.pass_rate(own, fabric)["pass_rate"].item() - 1e-9
        assert window.pass_rate == pytest.approx(known, abs=1e-9)


def test_close_to_a_box_every_step_is_looked_at() -> None:
    fine = [replace(f, step=1) if f.is_numeric else f for f in SESSION.factors]
    session = replace(SESSION, factors=fine)
    coarse = grid(session, "cotton", {}, 2000)
    ends = [(float(a[1]), float(a[2])) for a in coarse.axes]
    near = grids.refined_near_edges(session, "cotton", coarse, ends, 10**7)
    for factor, axis, old, (low, high) in zip(
        session.factors[:4], near.axes, coarse.axes, ends, strict=False
    ):
        assert low in axis and high in axis
        reach = float(np.diff(old).max())
        assert axis.min() == max(low - reach, factor.low)
        assert axis.max() == min(high + reach, factor.high)
        # Within one of the grid's spacings of an edge no step is left out.
        steps = np.arange(factor.low, factor.high + 1)
        close = steps[np.minimum(np.abs(steps - low), np.abs(steps - high)) <= reach]
        assert set(close) <= set(axis)
    few = grids.refined_near_edges(session, "cotton", coarse, ends, 3000)
    assert len(few.frame()) <= 3000
    assert all(set(f) <= set(n) for f, n in zip(few.axes, near.axes, strict=True))
    # A part of the range stays that part: beyond it nothing is known, of a word or a number.
    part = replace(coarse, axes=tuple(axis[:2] for axis in coarse.axes))
    whole = [(float(axis[0]), float(axis[-1])) for axis in part.axes]
    near = grids.refined_near_edges(session, "cotton", part, whole, 10**7)
    assert [(axis.min(), axis.max()) for axis in near.axes] == whole


def test_no_edge_of_a_window_could_stand_a_step_farther_out() -> None:
    session = replace(FOUR, factors=[replace(f, step=1) for f in FOUR.factors])
    known = fit(session, graded(session, plan(session, 26).runs, width=1.6))
    window = known.window("cotton")
    assert window.found and window.low and window.high
    inside = {}
    for factor in session.factors:
        low, high = window.low[factor.name], window.high[factor.name]
        inside[factor.name] = np.unique(np.append(np.arange(low, high, 2.0), high))
    pushed = 0
    for factor in session.factors:
        for edge, step in ((window.low, -1.0), (window.high, 1.0)):
            beyond = edge[factor.name] + step
            if factor.low <= beyond <= factor.high:
                slab = np.meshgrid(*(inside | {factor.name: np.array([beyond])}).values())
                frame = pd.DataFrame({n: v.ravel() for n, v in zip(inside, slab, strict=True)})
                rate = known.pass_rate(frame, "cotton")["pass_rate"]
                assert rate.min() < 0.9 + 1e-9, (factor.name, beyond)
                pushed += 1
    assert pushed >= 5


def test_without_a_window_nothing_pressed_or_next_to_the_target_is_known_better() -> None:
    session = replace(FOUR, factors=[replace(f, step=1) for f in FOUR.factors])
    best = [replace(f, usual=u) for f, u in zip(session.factors, (131, 74, 299, 18), strict=True)]
    truth = replace(session, factors=best)
    results = graded(truth, plan(session, 14, seed=3).runs, seed=3, width=0.8)
    known = fit(session, results)
    window = known.window("cotton", pass_rate=0.98)
    assert not window.found
    beside = [window.target | {f.name: window.target[f.name] + s} for f in session.factors
              for s in (-1.0, 1.0) if f.low <= window.target[f.name] + s <= f.high]  # fmt: skip
    others = pd.concat([pd.DataFrame(beside), results[[f.name for f in session.factors]]])
    rates = known.pass_rate(others, "cotton")["pass_rate"]
    assert window.pass_rate >= 0.5 and rates.max() <= window.pass_rate + 2e-3
