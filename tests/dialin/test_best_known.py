"""The set-point to stand at without a window, each rule by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.best_known import best_map, best_set_point
from dtfexp.dialin.window.find_window import _margins
from dtfexp.dialin.window.pass_map import PassMap
from dtfexp.dialin.window.window import Margin
from dtfexp.dialin.window.window_box import MappedBox
from dtfexp.maths.boxes.box import Box
from dtfexp.maths.prediction.pass_probability import PassPosterior
from tests.dialin.test_window_box import session_of

CURE = Factor("cure", 105, 145, "°C", 5, "cure", spread=3, usual=125)
FILM = Factor("film", levels=("matt", "gloss"), usual="matt")
ONE, WORDS = session_of(CURE), session_of(CURE, FILM)


@dataclass
class Known:
    """Stands in for a fit: probit of the pass rate and its sd at each set-point, and presses."""

    session: Session
    mean: Callable[[pd.DataFrame], Any]
    sd: Callable[[pd.DataFrame], Any] = lambda settings: np.full(len(settings), 1e-4)
    pressed: tuple[float, ...] = ()

    def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
        mean, sd = (np.asarray(f(settings), dtype=float)[None] for f in (self.mean, self.sd))
        return PassPosterior(mean, sd, np.ones(1))

    def graded_presses(self, fabric: str) -> pd.DataFrame:
        return pd.DataFrame({"cure": list(self.pressed), "film": ["matt"] * len(self.pressed)})

    def mapped(self, places: list[float], **words: str) -> tuple[PassMap, PassPosterior]:
        grid = grids.Grid((CURE,), (np.array(places),), words)
        passing = self.pass_posterior(pd.DataFrame({"cure": places}), "cotton")
        return PassMap(grid, passing.mean[0], np.ones(len(places), dtype=bool)), passing


def peak(top: float, height: float = 2.0, fall: float = 0.05) -> Callable[[pd.DataFrame], Any]:
    return lambda settings: height - fall * np.abs(settings["cure"] - top)


@pytest.mark.parametrize(
    ("known", "stands_at"),
    [
        # Phi(1.975) - Phi(1.9) = .0046: today's setting is as good as the map's best, 140 °C.
        (Known(ONE, peak(145, 2.0, 0.005)), 125.0),
        # Phi(1.965) - Phi(1.86) = .0067: no longer.
        (Known(ONE, peak(145, 2.0, 0.007)), 145.0),
        # The map steps over the top, which steps of the dial from its best reach ...
        (Known(ONE, peak(135)), 135.0),
        (Known(ONE, peak(105)), 105.0),
        # ... or a press was made there, which is taken at once.
        (Known(ONE, lambda s: np.where(s["cure"] == 115, 2.0, 0.5), pressed=(115.0,)), 115.0),
        (Known(ONE, lambda s: np.where(s["cure"] == 115, 2.0, 0.5)), 125.0),
        # A press at what the dial has not is none to stand at.
        (Known(ONE, lambda s: np.where(s["cure"] == 112, 2.0, 0.5), pressed=(112.0,)), 125.0),
    ],
)
def test_the_best_known_is_todays_the_maps_or_a_presses(known: Known, stands_at: float) -> None:
    found = best_set_point(known, "cotton", known.mapped([110.0, 125.0, 140.0]))
    assert found == {"cure": stands_at}


@pytest.mark.parametrize(("height", "stands_at"), [(0.0, 145.0), (-2.0, 145.0), (-3.0, 125.0)])
def test_the_expected_rate_ranks_where_nothing_passes_yet_too(height, stands_at) -> None:
    """An untested corner of 145 °C, sd 1: expected Phi(h / sqrt 2), .5, .079, .017, its lower end
    Phi(h - 1), .16, .001, .00003; the rest fails at Phi(-1.5) = .067 either way."""
    known = Known(
        ONE,
        lambda s: np.where(s["cure"] == 145, height, -1.5),
        lambda s: np.where(s["cure"] == 145, 1.0, 1e-4),
    )
    found = best_set_point(known, "cotton", known.mapped([105.0, 125.0, 145.0]))
    assert found == {"cure": stands_at}


def test_the_best_of_the_maps_is_the_one_with_the_best_set_point() -> None:
    even, steep = Known(ONE, peak(125, 1.0, 0.0)), Known(ONE, peak(105, 1.2, 0.1))
    maps = [one.mapped([105.0, 125.0, 145.0]) for one in (even, steep)]
    assert best_map(maps) is maps[1]
    forbidden = maps[1][0].allowed.copy()
    forbidden[0] = False
    kept = (PassMap(maps[1][0].grid, maps[1][0].excess, forbidden), maps[1][1])
    assert best_map([maps[0], kept]) is maps[0]


def test_words_of_the_map_hold_for_presses_too() -> None:
    """The press at 115 °C is of matt film; the map is of gloss."""
    known = Known(
        WORDS,
        lambda s: np.where(s["cure"] == 115, 2.0, 0.5) + 0.2 * (s.get("film", "gloss") == "gloss"),
        pressed=(115.0,),
    )
    found = best_set_point(known, "cotton", known.mapped([105.0, 125.0, 145.0], film="gloss"))
    assert found["film"] == "gloss" and found["cure"] != 115.0
    found = best_set_point(known, "cotton", known.mapped([105.0, 125.0, 145.0], film="matt"))
    assert found["cure"] == 115.0


def test_margins_are_distances_to_both_edges_in_spreads() -> None:
    """125 °C in 119 to 137: 2 and 4 spreads of 3."""
    mapped = Known(ONE, peak(125)).mapped([119.0, 137.0])[0]
    box = MappedBox(mapped, Box((0,), (1,), 1.0), np.array([119.0]), np.array([137.0]), mapped)
    assert _margins(box, {"cure": 125.0}, *box.ends(ONE)) == {"cure": Margin(2.0, 4.0)}
