"""Windows on invented pass-rate surfaces in closed form, against a look at every set-point."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Outcome, Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window import facts, located, window_box
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.lines import lines_through
from dtfexp.dialin.window.pass_map import PassMap, pass_map
from dtfexp.dialin.window.proven import proven_core
from dtfexp.dialin.window.stand import standing_place
from dtfexp.dialin.window.window_box import MappedBox
from dtfexp.maths.boxes.box import Box, largest_box
from dtfexp.maths.prediction.pass_probability import PassPosterior

ASKED = Demand(0.9)
NEEDED = 1.2815515655446004  # Phi^-1(0.9), Abramowitz & Stegun table 26.5 (from memory)


@dataclass
class Surface:
    """Stands in for a fit: the pass rate is Phi(height) at settings (M, axes), known to ``sd``."""

    session: Session
    height: Callable[[np.ndarray], np.ndarray]
    sd: float = 1e-4

    def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
        x = [[grids.as_axis(f, v) for v in settings[f.name]] for f in self.session.factors]
        mean = self.height(np.array(x, dtype=float).T)
        return PassPosterior(mean[None], np.full((1, len(mean)), self.sd), np.ones(1))

    def rate_excess(self, x: np.ndarray) -> np.ndarray:
        return self.height(x) - NEEDED


def session_of(*factors: Factor, **more: Any) -> Session:
    return Session("closed form", factors, (Outcome("peel"),), **({"fabrics": ("cotton",)} | more))


def found_box(surface: Surface, fabric: str = "cotton") -> MappedBox | None:
    """What ``find_window`` does for one choice of words."""
    words = grids.word_choices(surface.session, fabric)[0]
    grid = grids.grid(surface.session, fabric, words, window_box.FIRST_BUDGET)
    coarse, _ = pass_map(surface, fabric, grid, ASKED)
    where = window_box.surroundings(surface.session, fabric, coarse)
    region, _ = window_box.map_of_surroundings(surface, fabric, where, ASKED)
    return window_box.refined_box(surface, fabric, region, ASKED, {})


def dome(
    rng: np.random.Generator, session: Session, steepest: float = 9.0
) -> Callable[[np.ndarray], np.ndarray]:
    """A tilted, lopsided dome with its top somewhere in the range."""
    axes = [grids.full_axis(session, f, "cotton") for f in session.factors]
    low, high = np.array([a[0] for a in axes]), np.array([a[-1] for a in axes])
    centre = low + rng.uniform(0.25, 0.75, len(axes)) * (high - low)
    turn = np.eye(len(axes)) + rng.normal(0, 0.25, (len(axes), len(axes)))
    steep, lean = rng.uniform(steepest / 3.0, steepest, len(axes)), rng.uniform(0.6, 1.6, len(axes))

    def height(x: np.ndarray) -> np.ndarray:
        z = (x - centre) / (high - low) @ turn
        z = np.where(z > 0, z * lean, z)
        return 2.6 - (steep * z**2 * 3.0).sum(axis=1)

    return height


TWO = session_of(
    Factor("cure", 105, 145, "°C", 5, "cure", spread=3, usual=125),
    Factor("dwell", 8, 24, "s", 1, spread=0.5, usual=15),
)
FOUR = session_of(
    Factor("cure", 105, 150, "°C", 1, "cure", spread=3, usual=125),
    Factor("cure time", 30, 120, "s", 5, "cure", spread=2, usual=60),
    Factor("heat", 135, 185, "°C", 1, spread=3, usual=160),
    Factor("dwell", 6, 26, "s", 1, spread=0.5, usual=15),
)


@pytest.mark.parametrize("seed", range(6))
def test_the_box_is_the_largest_of_a_dense_grid(seed: int) -> None:
    surface = Surface(TWO, dome(np.random.default_rng(seed), TWO))
    found = found_box(surface)
    # Every tenth of a step of both settings, which is how finely edges are told.
    axes = [np.arange(105, 145.01, 0.5), np.arange(8, 24.01, 0.1)]
    mesh = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
    excess = surface.rate_excess(mesh)
    steps = [f.settings() for f in TWO.factors]
    best = largest_box(
        (excess >= 0).reshape(81, 161), axes, [3.0, 0.5], [6.0, 1.0], None, steps, [3.0, 0.5]
    )
    width = (found.high - found.low) / [3.0, 0.5]
    assert np.prod(width) >= 0.98 * best.size
    inside = ((mesh >= found.low - 1e-9) & (mesh <= found.high + 1e-9)).all(axis=1)
    assert inside.sum() > 20
    assert excess[inside].min() >= -1e-3


@pytest.mark.parametrize("seed", range(4))
def test_no_set_point_of_a_box_of_four_settings_falls_short(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    surface = Surface(FOUR, dome(rng, FOUR))
    found = found_box(surface)
    x = found.low + rng.random((20_000, 4)) * (found.high - found.low)
    corners = np.array(list(product(*zip(found.low, found.high, strict=True))))
    assert surface.rate_excess(np.vstack([x, corners])).min() >= -5e-3
    # The largest box of a search on an even grid all over is hardly larger.
    axes = [np.linspace(f.low, f.high, 16) for f in FOUR.factors]
    mesh = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
    good = (surface.rate_excess(mesh) >= 0).reshape((16,) * 4)
    unit = [3.0, 2.0, 3.0, 0.5]
    best = largest_box(good, axes, unit)
    size = float(np.prod((found.high - found.low) / unit))
    assert best is not None and size >= 0.95 * best.size
    # No edge can move out by three tenths of a step.
    for k, factor in enumerate(FOUR.factors):
        for end, side in ((found.low, -1), (found.high, 1)):
            moved = end[k] + side * 0.3 * factor.grid_step
            if factor.low <= moved <= factor.high:
                face = x.copy()
                face[:, k] = moved
                face = np.vstack([face, np.where(np.arange(4) == k, moved, corners)])
                assert surface.rate_excess(face).min() < 0.02, (factor.name, side)


def test_what_a_finer_grid_finds_bad_is_in_no_box(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ditch three degrees wide that the first grid steps over."""
    factors = (
        Factor("cure", 100, 160, "°C", 1, "cure", spread=3, usual=125),
        Factor("dwell", 8, 24, "s", 1, spread=0.5, usual=15),
    )
    surface = Surface(
        session_of(*factors),
        lambda x: (
            2.0 - 3.0 * np.exp(-(((x[:, 0] - 133.5) / 2.0) ** 2)) - 0.02 * (x[:, 1] - 16) ** 2
        ),
    )
    monkeypatch.setattr(window_box, "FIRST_BUDGET", 48)
    monkeypatch.setattr(window_box, "SECOND_BUDGET", 80)
    grid = grids.grid(surface.session, "cotton", {}, window_box.FIRST_BUDGET)
    coarse, _ = pass_map(surface, "cotton", grid, ASKED)
    rough = window_box.best_box(coarse, {})
    ends = [grid.axes[0][k] for k in (rough.lo[0], rough.hi[0])]
    assert ends[0] < 133.5 < ends[1]  # the first grid does step over it
    found = found_box(surface)
    assert found.high[0] < 133.5 or found.low[0] > 133.5


def test_a_box_that_falls_short_by_a_hair_is_searched_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As where splines flatter every face by 0.02, short by a ten-thousandth at last: no window was
    found with the whole middle at 2.0 over a demand of 1.28."""
    surface = Surface(TWO, lambda x: 2.0 - (np.abs(x - [125, 16]) / [10.0, 4.0]).max(axis=1))
    real = window_box.with_edges

    def flattered(fit: Any, fabric: str, mapped: PassMap, box: Box, *more: Any) -> Any:
        edged, short = real(fit, fabric, mapped, box, *more)
        if edged is None:
            return edged, short
        corners = np.array(list(product(*zip(edged.low, edged.high, strict=True))))
        least = surface.rate_excess(corners).min()
        return (None, 1e-4) if least < 0.02 else (edged, 0.0)

    monkeypatch.setattr(window_box, "with_edges", flattered)
    assert found_box(surface) is not None


def box_of(session: Session, words: dict[str, str], width: float, excess: float) -> MappedBox:
    """A box of one setting, ``width`` wide, at one height all over."""
    axis = np.linspace(100.0, 100.0 + width, 5)
    grid = grids.Grid((session.factors[0],), (axis,), words)
    mapped = PassMap(grid, np.full(5, excess), np.ones(5, dtype=bool))
    box = Box((0,), (4,), width / 3.0)
    return MappedBox(mapped, box, axis[[0]], axis[[-1]], mapped)


def test_of_two_words_the_higher_box_wins_over_one_hardly_wider() -> None:
    session = session_of(
        Factor("cure", 100, 160, "°C", 1, "cure", spread=3, usual=125),
        Factor("film", levels=("hot", "cold"), usual="hot"),
    )

    def chosen(*boxes: tuple[str, float, float]) -> str:
        found = [box_of(session, {"film": w}, width, high) for w, width, high in boxes]
        return located.best_of_words(session, "cotton", found).mapped.grid.words["film"]

    assert chosen(("hot", 22.0, 0.1), ("cold", 20.0, 1.0)) == "cold"
    assert chosen(("hot", 22.0, 1.0), ("cold", 20.0, 1.0)) == "hot"
    # As good as today's: no change; clearly better: a change.
    assert chosen(("hot", 18.0, 1.0), ("cold", 20.0, 1.0)) == "hot"
    assert chosen(("hot", 12.0, 1.0), ("cold", 20.0, 1.0)) == "cold"


LEVELS = (
    TWO,
    FOUR,
    session_of(  # two and three levels of a dial
        Factor("cure", 110, 150, "°C", 20, "cure", spread=3, usual=130),
        Factor("dwell", 10, 20, "s", 10, spread=1, usual=10),
        Factor("heat", 140, 180, "°C", 5, spread=3, usual=160),
    ),
)


@pytest.mark.parametrize("session", LEVELS, ids=["two", "four", "levels"])
@pytest.mark.parametrize("seed", range(5))
def test_a_target_stands_away_from_every_edge_but_range_and_limit(
    session: Session, seed: int
) -> None:
    steepest = 1.0 if session is LEVELS[2] else 9.0
    surface = Surface(session, dome(np.random.default_rng(10 * seed + 7), session, steepest))
    found = found_box(surface)
    assert found is not None
    target = standing_place(surface, "cotton", found, ASKED)
    lines = lines_through(surface, "cotton", target, ASKED, 81)
    for k, factor in enumerate(session.factors):
        at, line = target[factor.name], lines[factor.name]
        assert at in factor.settings()
        down, up = at - found.low[k], found.high[k] - at
        # A spread away; the coarse dial of the third bench has no step that could be.
        least = factor.spread - 1e-6 if session is not LEVELS[2] else 1e-9
        assert down >= least or at == found.low[k] == factor.low
        assert up >= least or at == found.high[k] == factor.settings()[-1]
        # Not in the outer tenth of what the setting may do by itself, where a step lies elsewhere.
        others = [s for s in factor.settings() if line.low < s < line.high]
        middle = [s for s in others if 0.25 <= (s - line.low) / (line.high - line.low) <= 0.75]
        inside = [s for s in middle if found.low[k] < s < found.high[k]]
        if inside and line.falls_low and line.falls_high:
            assert 0.1 <= (at - line.low) / (line.high - line.low) <= 0.9


def test_where_nothing_falls_the_target_is_what_the_shop_runs() -> None:
    surface = Surface(FOUR, lambda x: np.full(len(x), 2.0))
    found = found_box(surface)
    assert (found.low == [f.low for f in FOUR.factors]).all()
    assert standing_place(surface, "cotton", found, ASKED) == {
        f.name: f.usual for f in FOUR.factors
    }
    # A usual setting at the end of the range is not as good as the middle.
    odd = session_of(
        Factor("cure", 105, 150, "°C", 1, "cure", spread=3, usual=105), *FOUR.factors[1:]
    )
    surface = Surface(odd, lambda x: np.full(len(x), 2.0))
    assert 115 <= standing_place(surface, "cotton", found_box(surface), ASKED)["cure"] <= 140


def test_a_target_stands_between_its_falls_not_in_the_middle_of_the_range() -> None:
    """One setting: falls below 120 and above 128 within a range of 100 to 160; usual 125 is as
    good as the middle, usual 121 is not."""
    for usual, wanted in ((125, (125,)), (121, (123, 124, 125))):
        session = session_of(Factor("cure", 100, 160, "°C", 1, "cure", spread=1, usual=usual))
        surface = Surface(session, lambda x: NEEDED + 1.0 - ((x[:, 0] - 124.0) / 4.0) ** 2)
        found = found_box(surface)
        # Edges in tenths of a degree, read to 0.001 probit.
        assert found.low[0] == pytest.approx(120.0, abs=0.11)
        assert found.high[0] == pytest.approx(128.0, abs=0.11)
        assert standing_place(surface, "cotton", found, ASKED)["cure"] in wanted


def test_a_limit_binds_box_and_target() -> None:
    session = session_of(
        Factor("heat", 140, 180, "°C", 1, spread=4, usual=160),
        fabrics=(Fabric("cotton", 158, "°C"),),
    )
    surface = Surface(session, lambda x: 1.0 + 0.05 * (x[:, 0] - 145))
    found = found_box(surface)
    assert found.high[0] == 154.0 == session.highest("heat", "cotton")
    target = standing_place(surface, "cotton", found, ASKED)["heat"]
    assert found.low[0] < target <= 154


def test_forbidden_corners_are_in_no_box() -> None:
    session = session_of(*TWO.factors, forbidden=({"cure": "> 127", "dwell": "> 14"},))
    surface = Surface(session, lambda x: np.full(len(x), 2.0))
    found = found_box(surface)
    assert found.high[0] <= 127 or found.high[1] <= 14


def test_the_core_is_the_part_that_is_proven() -> None:
    """Known to 0.5 on the probit scale: proven where the middle is 0.5 times 1.2816 higher."""
    session = session_of(Factor("cure", 100, 160, "°C", 1, "cure", spread=1, usual=124))
    surface = Surface(session, lambda x: 3.0 - ((x[:, 0] - 124.0) / 8.0) ** 2, sd=0.5)
    found = found_box(surface)
    target = standing_place(surface, "cotton", found, ASKED)
    core = proven_core(surface, "cotton", found, target, 0.9)
    half = 8.0 * np.sqrt(3.0 - 1.5 * NEEDED)
    assert core.low[0] == pytest.approx(124 - half, abs=0.15)
    assert core.high[0] == pytest.approx(124 + half, abs=0.15)
    # Expected: Phi(mean / sqrt(1 + sd^2)) = 0.9.
    wide = 8.0 * np.sqrt(3.0 - NEEDED * np.sqrt(1.25))
    assert found.low[0] == pytest.approx(124 - wide, abs=0.11)
    assert core.low[0] > found.low[0] and core.high[0] < found.high[0]
    nothing = Surface(session, lambda x: 1.6 - ((x[:, 0] - 124.0) / 8.0) ** 2, sd=0.5)
    found = found_box(nothing)
    assert proven_core(nothing, "cotton", found, {"cure": 124.0}, 0.9) is None


def test_a_line_ends_where_the_pass_rate_falls() -> None:
    surface = Surface(TWO, lambda x: 2.2 - 0.02 * (x[:, 0] - 125) ** 2 / 4 - 0.004 * x[:, 1])
    lines = lines_through(surface, "cotton", {"cure": 125.0, "dwell": 15.0}, ASKED, 61)
    cure, dwell = lines["cure"], lines["dwell"]
    half = np.sqrt((2.2 - 0.06 - NEEDED) * 200)
    assert cure.low == pytest.approx(125 - half, abs=0.05) and cure.falls_low
    assert cure.high == pytest.approx(125 + half, abs=0.05) and cure.falls_high
    assert (dwell.low, dwell.high) == (8.0, 24.0)
    assert not (dwell.falls_low or dwell.falls_high)
    assert dwell.told() == (8.0, 24.0)
    # Told inwards, in tenths of a step of 5.
    assert cure.told() == (np.ceil(cure.low * 2) / 2, np.floor(cure.high * 2) / 2)


@dataclass
class Fitted(Surface):
    """The same with what :func:`located.located` asks of a fit besides."""

    presses: int = 10
    _places: dict[Any, Any] = field(default_factory=dict)

    def cached_pass_posterior(self, settings: pd.DataFrame, fabric: str, _: Any) -> PassPosterior:
        return self.pass_posterior(settings, fabric)

    def presses_used(self, fabric: str) -> int:
        return self.presses


HOT_COLD = session_of(
    Factor("cure", 100, 160, "°C", 1, "cure", spread=3, usual=125),
    Factor("film", levels=("hot", "cold"), usual="hot"),
)


@pytest.mark.parametrize(("peak", "reach", "word"), [(0.02, 5.0, "cold"), (0.9, 14.0, "hot")])
def test_every_word_wide_enough_is_looked_at_and_may_win(
    peak: float, reach: float, word: str
) -> None:
    """Hot passes from 110 to 140 °C: just so, where cold passes well on a third of the width; or
    hardly lower than cold at its best, and wider. The product of width and excess decides."""

    def height(x: np.ndarray) -> np.ndarray:
        off, cold = np.abs(x[:, 0] - 125.0), x[:, 1] == 1
        return NEEDED + np.where(cold, 1.0 - off / reach, peak * (1.0 - off / 15.0))

    fitted = Fitted(HOT_COLD, height)
    place = located.located(fitted, "cotton", ASKED, {})  # type: ignore[arg-type]
    assert place.box is not None and place.box.mapped.grid.words == {"film": word}
    assert not place.too_narrow
    assert located.located(fitted, "cotton", ASKED, {}) is place  # type: ignore[arg-type]


def test_too_narrow_is_said_only_where_some_set_point_is_good() -> None:
    """Good from 123 to 127 °C: no box 20 °C wide; nowhere good: none of any width."""
    narrow = Fitted(HOT_COLD, lambda x: NEEDED + 0.4 - 0.2 * np.abs(x[:, 0] - 125.0))
    wide = {"cure": 10.0}
    assert located.located(narrow, "cotton", ASKED, {}).box is not None  # type: ignore[arg-type]
    asked = located.located(narrow, "cotton", ASKED, wide)  # type: ignore[arg-type]
    assert asked.box is None and asked.too_narrow
    never = Fitted(HOT_COLD, lambda x: np.zeros(len(x)))
    for at_least in ({}, wide):
        place = located.located(never, "cotton", ASKED, at_least)  # type: ignore[arg-type]
        assert place.box is None and not place.too_narrow
    few = replace(narrow, presses=3, _places={})
    assert located.located(few, "cotton", ASKED, {}).box is None  # type: ignore[arg-type]


def test_the_lower_end_is_never_above_the_mean(monkeypatch: pytest.MonkeyPatch) -> None:
    """One in 25 that nothing passes: the mean, 0.96 times 0.945, lies below the 5 % quantile."""

    class Skewed(Fitted):
        def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
            mean = np.array([[1.6, 2.5], [-9.0, 2.5]])
            return PassPosterior(mean, np.full((2, 2), 1e-3), np.array([0.96, 0.04]))

        def graded_presses(self, fabric: str) -> pd.DataFrame:
            return pd.DataFrame({"cure": [130.0], "dwell": [15.0]})

    monkeypatch.setattr(facts, "chance_better", lambda *_: 0.25)
    at = {"cure": 130.0, "dwell": 15.0}
    found = facts.target_facts(Skewed(TWO, lambda x: x), "cotton", at, ASKED)  # type: ignore[arg-type]
    assert found["pass_rate_low"] == found["pass_rate"] == pytest.approx(0.96 * 0.9452, abs=1e-4)
    assert (found["gain_chance"], found["presses_at_target"]) == (0.25, 1)
