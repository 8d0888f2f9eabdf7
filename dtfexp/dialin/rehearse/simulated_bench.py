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
from dtfexp.maths.boxes.box import Box, largest_box
from dtfexp.maths.field.points import Points
from dtfexp.maths.prediction.simulated_field import SimulatedField, posterior_draw, prior_draw

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

# Anchors for one factor, the factor of four for each further one, and the maximum. The residual sd
# of the field between them is under 0.02 grades at usual lengths, 0.25 at the shortest, 6 factors.
ANCHORS, MOST_ANCHORS = 64, 512
COARSE, FINE = 3000, 3000


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

    def window(self, fabric: str, pass_rate: float) -> TrueWindow | None:
        """Return the true window of a fabric, on a coarse grid and a finer one around it.

        None when no box is twice the spread wide.
        """
        choices = grids.word_choices(self.session, fabric)
        best: TrueWindow | None = None
        for words in choices:
            grid = grids.grid(self.session, fabric, words, max(COARSE // len(choices), 300))
            # A coarse grid may miss a narrow window, so refine around any good point.
            box = self._box(grid, fabric, pass_rate, narrow=True)
            if box is None:
                continue
            within = {
                f.name: (float(axis[max(lo - 1, 0)]), float(axis[min(hi + 1, len(axis) - 1)]))
                for f, axis, lo, hi in zip(grid.factors, grid.axes, box.lo, box.hi, strict=True)
            }
            fine = grids.grid(self.session, fabric, words, FINE, within)
            for one in (grid, fine):
                wide = self._box(one, fabric, pass_rate)
                if wide is not None:
                    found = _true_window(self.session, one, wide)
                    if best is None or found.size > best.size:
                        best = found
        return best

    def _box(
        self, grid: grids.Grid, fabric: str, pass_rate: float, *, narrow: bool = False
    ) -> Box | None:
        rate = self.pass_rate(grid.frame(), fabric).reshape(grid.shape)
        good = grid.permitted(self.session, fabric) & (rate >= pass_rate)
        if not good.any():
            return None
        if not grid.axes:
            return Box((), (), 1.0)
        units = [grids.width_unit(f) for f in grid.factors]
        wide = [
            2.0 * f.spread if f.is_numeric and len(axis) > 1 else 0.0
            for f, axis in zip(grid.factors, grid.axes, strict=True)
        ]
        axes = list(grid.axes)
        box = largest_box(good, axes, units, min_width=wide, prefer=rate)
        if box is None and narrow:
            return largest_box(good, axes, units, prefer=rate)
        return box

    def good_share(
        self, fabric: str, low: dict[str, Any], high: dict[str, Any], pass_rate: float
    ) -> float:
        """Return the share of a box's set-points that truly keep the pass rate."""
        ranged = {f.name: f for f in grids.ranged_factors(self.session)}
        within = {
            n: (grids.as_axis(f, low[n]), grids.as_axis(f, high[n])) for n, f in ranged.items()
        }
        fixed = {f.name: low[f.name] for f in self.session.factors if f.name not in ranged}
        frame = grids.grid(self.session, fabric, fixed, COARSE, within).frame()
        return float(np.mean(self.pass_rate(frame, fabric) >= pass_rate))


def simulate_bench(
    session: Session, fabrics: list[str], start: FittedModel | None, rng: np.random.Generator
) -> SimulatedBench:
    """Return a bench from the prior, or from the posterior of ``start``."""
    coding = Coding(session)
    anchors = _anchor_points(coding, fabrics)
    if start is None:
        return SimulatedBench(session, prior_draw(coding.shape, coding.graded, anchors, rng))
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


def _true_window(session: Session, grid: grids.Grid, box: Box) -> TrueWindow:
    low, high = grid.setting(box.lo), grid.setting(box.hi)
    return TrueWindow(low, high, box_size(session, low, high))


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
