"""Grids of set-points: thinned where steps are fine, never between two words."""

from __future__ import annotations

import pytest

from dtfexp import Factor, Outcome, Session, fit, plan
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


def test_before_any_press_the_usual_word_is_the_best_known() -> None:
    """The prior is best near the usual settings, so no other word can be."""
    window = fit(SESSION, plan(SESSION, 4).runs.assign(peel=float("nan"))).window("cotton")
    assert not window.found and window.target["pressure"] == "medium"
