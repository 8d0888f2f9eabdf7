"""The pass rate on a grid of set-points, relative to the requirement on a window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import FORBIDDEN, Demand, PassSurface
from dtfexp.maths.prediction.pass_probability import PassPosterior

if TYPE_CHECKING:
    from dtfexp.describe.session import Session

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PassMap:
    """The excess over a requirement on a grid, in the grid's shape, forbidden set-points included.

    ``allowed`` marks the set-points that the session permits.
    """

    grid: grids.Grid
    excess: Array
    allowed: NDArray[np.bool_]

    @property
    def good(self) -> NDArray[np.bool_]:
        """Which set-points a window may hold."""
        return self.allowed & (self.excess >= 0.0)

    def at(self, session: Session, fabric: str, grid: grids.Grid) -> PassMap:
        """Return the map on another grid within this one, by cubic splines through its values.

        The excess is smooth: on simulated benches of four settings a grid of 3000 set-points round
        a window gives it to about 0.01 near 0. METHODS.md, section 8.
        """
        excess = self.excess
        for k, (factor, had, axis) in enumerate(
            zip(grid.factors, self.grid.axes, grid.axes, strict=True)
        ):
            if factor.is_numeric and len(had) > 1:
                spline = make_interp_spline(had, excess, k=min(3, len(had) - 1), axis=k)
                excess = np.asarray(spline(axis))
            else:
                excess = np.take(excess, np.searchsorted(had, axis), axis=k)
        allowed = np.ones(grid.shape, dtype=bool)
        if session.forbidden:
            allowed = grid.permitted(session, fabric)
        return PassMap(grid, excess, allowed)

    def line(self, at: Sequence[float], axis: int) -> Array:
        """Return the excess along one axis of the grid through a place, linear on the others."""
        excess = np.where(self.allowed, self.excess, FORBIDDEN)
        for k in reversed(range(len(self.grid.axes))):
            if k != axis:
                places = self.grid.axes[k]
                high = int(np.clip(np.searchsorted(places, at[k]), 1, max(len(places) - 1, 1)))
                if len(places) == 1:
                    excess = np.take(excess, 0, axis=k)
                    continue
                share = (at[k] - places[high - 1]) / (places[high] - places[high - 1])
                low_side, high_side = (np.take(excess, i, axis=k) for i in (high - 1, high))
                excess = (1.0 - share) * low_side + share * high_side
        return excess


def pass_map(
    fit: PassSurface, fabric: str, grid: grids.Grid, demand: Demand, *, keep: bool = False
) -> tuple[PassMap, PassPosterior]:
    """Return the map of one grid and the posterior it comes from.

    ``keep``: another requirement on the same grid is then nearly free.
    """
    frame = grid.frame()
    key = (*(tuple(axis) for axis in grid.axes), *sorted(grid.words.items()))
    passing = (
        fit.cached_pass_posterior(frame, fabric, key) if keep else fit.pass_posterior(frame, fabric)
    )
    allowed = fit.session.permits(frame, fabric).reshape(grid.shape)
    return PassMap(grid, demand.excess(passing).reshape(grid.shape), allowed), passing
