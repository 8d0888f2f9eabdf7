"""Grids of set-points: thinned where steps are fine, never between two words."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Outcome, Session, fit, plan
from dtfexp.dialin import grid as grids
from dtfexp.dialin.grid import grid

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
    session = replace(SESSION, factors=factors, fabrics=["cotton", Fabric("nylon", 140)])
    ungraded = fit(session, plan(session, 4).runs.assign(peel=float("nan")))
    for fabric, hottest in (("cotton", 145.0), ("nylon", 140.0)):
        window = ungraded.window(fabric)
        assert not window.found and window.target["pressure"] == "medium"
        own = pd.DataFrame([grids.usual(session, fabric)])
        assert own["press temperature"].item() == hottest
        known = ungraded.pass_rate(pd.DataFrame([window.target]), fabric)["pass_rate"].item()
        assert known >= ungraded.pass_rate(own, fabric)["pass_rate"].item() - 1e-9
        assert window.pass_rate == pytest.approx(known, abs=1e-9)
