"""The pass rate on a grid of set-points, measured against what is asked of a window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.maths.prediction.pass_probability import PassPosterior, probit

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

#: The excess of a set-point that the session forbids.
_FORBIDDEN = -1e9


@dataclass(frozen=True)
class Demand:
    """What every set-point of a window must do: let a new press pass as often as ``pass_rate`` in
    expectation; with ``confidence``, truly reach that rate with such a probability."""

    pass_rate: float
    confidence: float | None = None

    def excess(self, passing: PassPosterior) -> Array:
        """How far each set-point (M,) stands above what is asked, probit scale; 0 just meets it.
        METHODS.md, equation (24)."""
        if self.confidence is None:
            return probit(passing.expected()) - probit(np.array(self.pass_rate))
        return probit(passing.chance_at_least(self.pass_rate)) - probit(np.array(self.confidence))

    def excess_at(self, fit: FittedModel, frame: pd.DataFrame, fabric: str) -> Array:
        """:meth:`excess` at set-points of one fabric; far below 0 where the session forbids."""
        allowed = fit.session.permits(frame, fabric)
        return np.where(allowed, self.excess(fit.pass_posterior(frame, fabric)), _FORBIDDEN)


@dataclass(frozen=True)
class PassMap:
    """A grid with the excess over what is asked, the expected pass rate, and a cautious one: the
    posterior mean less one standard deviation (probit scale).  All in the grid's shape."""

    grid: grids.Grid
    excess: Array
    expected: Array
    lower_sd: Array


def pass_map(
    fit: FittedModel, fabric: str, grid: grids.Grid, demand: Demand, *, keep: bool = False
) -> PassMap:
    """The map of one grid.  keep: asking something else of the same grid is nearly free."""
    frame = grid.frame()
    key = (*(tuple(axis) for axis in grid.axes), *sorted(grid.words.items()))
    passing = (
        fit.cached_pass_posterior(frame, fabric, key) if keep else fit.pass_posterior(frame, fabric)
    )
    # What the session forbids is no set-point: it can be neither target nor part of a box.
    allowed = fit.session.permits(frame, fabric).reshape(grid.shape)
    excess = demand.excess(passing).reshape(grid.shape)
    return PassMap(
        grid,
        np.where(allowed, excess, _FORBIDDEN),
        allowed * passing.expected().reshape(grid.shape),
        allowed * passing.lower_sd().reshape(grid.shape),
    )
