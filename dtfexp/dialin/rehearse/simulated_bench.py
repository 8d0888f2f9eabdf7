"""A simulated bench with a known truth: it presses, grades, and gives its true window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.machine_spread import spread_draws
from dtfexp.dialin.encode.measured_scale import value_of_latent
from dtfexp.dialin.experience.learnt_prior import learnt_prior
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.pass_map import pass_map
from dtfexp.dialin.window.window_box import (
    FIRST_BUDGET,
    MappedBox,
    map_of_surroundings,
    refined_box,
    surroundings,
)
from dtfexp.maths.field.points import Points
from dtfexp.maths.prediction.pass_probability import PassPosterior, probit
from dtfexp.maths.prediction.simulated_field import SimulatedField, posterior_draw, prior_draw

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

# Anchors for one factor, the factor of four for each further one, and the maximum. The residual sd
# of the field between them is under 0.02 grades at usual lengths, 0.25 at the shortest, 6 factors.
ANCHORS, MOST_ANCHORS = 64, 512
# Set-points of a box at which its share of good ones is counted.
COUNTED = 3000
# Of a pass rate that is known (probit scale).
_KNOWN_SD = 1e-4


@dataclass(frozen=True)
class TrueWindow:
    """The largest box of settings that truly keep the pass rate.

    ``low``, ``high``: setting -> value; ``size``: product of the widths in multiples of spread.
    """

    low: dict[str, Any]
    high: dict[str, Any]
    size: float


@dataclass(frozen=True)
class SimulatedBench:
    """One drawn bench of a session."""

    session: Session
    field: SimulatedField

    def pass_rate(self, settings: pd.DataFrame, fabric: str) -> Array:
        """Return the true pass rate (M,) of a new press at checked settings of one fabric."""
        coding = Coding(self.session)
        index = np.full(len(settings), coding.fabric_index(fabric))
        return self.field.pass_rate(coding.points(settings, index))

    def press(self, runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
        """Return ``runs`` with a grade for every outcome that can fail; others stay empty."""
        coding = Coding(self.session)
        reached = runs.copy()
        for factor in self.session.factors:
            if factor.is_numeric:
                off = spread_draws(factor, len(runs), rng)
                reached[factor.name] = runs[factor.name].astype(float) + off
        index = np.array([coding.fabric_index(name) for name in runs["fabric"]], dtype=int)
        at = coding.points(reached, index, spread=False)
        load, round_ = (runs[c].to_numpy(dtype=int) for c in ("oven_load", "press_round"))
        seen = self.field.simulate_presses(at, load, round_, rng)
        out = runs.assign(**{o.name: np.nan for o in self.session.outcomes})
        for o, described in enumerate(coding.outcomes):
            out[described.name] = self._graded(described, o, seen[:, o])
        return out

    def _graded(self, outcome: Outcome, o: int, seen: Array) -> Array:
        scale = self.field.graded[o]
        if scale is not None:
            return np.asarray(outcome.grades, dtype=float)[np.searchsorted(scale.cuts, seen)]
        return value_of_latent(outcome, seen)

    def pass_posterior(self, settings: pd.DataFrame, fabric: str) -> PassPosterior:
        """Return the true pass rate as a posterior without uncertainty."""
        known = probit(self.pass_rate(settings, fabric))
        return PassPosterior(known[None], np.full((1, len(known)), _KNOWN_SD), np.ones(1))

    def cached_pass_posterior(
        self, settings: pd.DataFrame, fabric: str, key: tuple[Any, ...]
    ) -> PassPosterior:
        """Return ``pass_posterior``; a bench keeps nothing."""
        return self.pass_posterior(settings, fabric)

    def window(self, fabric: str, pass_rate: float) -> TrueWindow | None:
        """Return the true window of a fabric, found as a fit finds its own: between dial steps too.

        None when no box is twice the spread wide.
        """
        demand, found = Demand(pass_rate), []
        choices = grids.word_choices(self.session, fabric)
        for words in choices:
            budget = max(FIRST_BUDGET // len(choices), 300)
            coarse, _ = pass_map(
                self, fabric, grids.grid(self.session, fabric, words, budget), demand
            )
            # A coarse grid may miss a narrow window, so look closer in any case.
            where = surroundings(self.session, fabric, coarse)
            region, _ = map_of_surroundings(self, fabric, where, demand)
            box = refined_box(self, fabric, region, demand, {})
            if box is not None and self._is_wide(box, fabric):
                low, high = box.ends(self.session)
                found.append(TrueWindow(low, high, box_size(self.session, low, high)))
        return max(found, key=lambda one: one.size, default=None)

    def _is_wide(self, box: MappedBox, fabric: str) -> bool:
        """Return whether a box is twice the spread wide in every setting that has a range."""
        return all(
            not factor.is_numeric
            or len(grids.full_axis(self.session, factor, fabric)) < 2
            or high - low >= 2.0 * factor.spread - 1e-6
            for factor, low, high in zip(box.mapped.grid.factors, box.low, box.high, strict=True)
        )

    def good_share(
        self, fabric: str, low: dict[str, Any], high: dict[str, Any], pass_rate: float
    ) -> float:
        """Return the share of a box's set-points that truly keep the pass rate."""
        ranged = {f.name: f for f in grids.ranged_factors(self.session)}
        within = {
            n: (grids.as_axis(f, low[n]), grids.as_axis(f, high[n])) for n, f in ranged.items()
        }
        fixed = {f.name: low[f.name] for f in self.session.factors if f.name not in ranged}
        frame = grids.grid(self.session, fabric, fixed, COUNTED, within).frame()
        return float(np.mean(self.pass_rate(frame, fabric) >= pass_rate))


def simulate_bench(
    session: Session, fabrics: list[str], start: FittedModel | None, rng: np.random.Generator
) -> SimulatedBench:
    """Return a bench from the prior, experience included, or from the posterior of ``start``."""
    coding = Coding(session)
    anchors = _anchor_points(coding, fabrics)
    if start is None:
        learnt = learnt_prior(session)
        drawn = prior_draw(coding.shape, coding.graded, anchors, rng, learnt)
        return SimulatedBench(session, drawn)
    return SimulatedBench(session, posterior_draw(start.posterior, anchors, rng))


def box_size(session: Session, low: dict[str, Any], high: dict[str, Any]) -> float:
    """Return the product of a box's widths in multiples of spread; one setting counts as 1."""
    size = 1.0
    for factor in grids.ranged_factors(session):
        if factor.is_numeric and len(factor.settings()) < 2:
            continue
        width = grids.as_axis(factor, high[factor.name]) - grids.as_axis(factor, low[factor.name])
        size *= width / grids.width_unit(factor)
    return size


def _anchor_points(coding: Coding, fabrics: list[str]) -> Points:
    """Return settings spread evenly over all that the machines may reach, alike for each fabric."""
    factors = coding.session.factors
    count = min(ANCHORS * 4 ** (len(factors) - 1), MOST_ANCHORS)
    # A power of two, as the points of Sobol want.
    unit = qmc.Sobol(len(factors), scramble=True, seed=3).random(count)
    columns: dict[str, Any] = {}
    for factor, u in zip(factors, unit.T, strict=True):
        if factor.is_numeric:
            low, high = factor.bounds[0] - factor.spread, factor.bounds[1] + factor.spread
            columns[factor.name] = low + u * (high - low)
        else:
            place = (u * len(factor.levels)).astype(int)
            columns[factor.name] = np.array(factor.levels, dtype=object)[place]
    frame = pd.DataFrame(columns)
    index = np.repeat([coding.fabric_index(name) for name in fabrics], len(frame))
    return coding.points(pd.concat([frame] * len(fabrics), ignore_index=True), index, spread=False)
