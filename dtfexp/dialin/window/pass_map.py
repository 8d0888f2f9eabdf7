"""Posterior probabilities of the pass rate on a grid of set-points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ProbabilityMap:
    """A grid with the posterior probability of meeting the rate, the expected pass rate, and a
    cautious one: the posterior mean less one standard deviation (probit scale)."""

    grid: grids.Grid
    chance: Array
    expected: Array
    lower_sd: Array


def probability_map(
    fit: FittedModel, fabric: str, grid: grids.Grid, pass_rate: float, *, keep: bool = False
) -> ProbabilityMap:
    """Posterior probability that the true pass rate is at least ``pass_rate``, on a grid.

    keep: asking for another rate on the same grid is nearly free.
    """
    frame = grid.frame()
    key = (*(tuple(axis) for axis in grid.axes), *sorted(grid.words.items()))
    passing = (
        fit.cached_pass_posterior(frame, fabric, key) if keep else fit.pass_posterior(frame, fabric)
    )
    # What the session forbids is no set-point: it can be neither target nor part of a box.
    allowed = fit.session.permits(frame, fabric).reshape(grid.shape)
    return ProbabilityMap(
        grid,
        allowed * passing.chance_at_least(pass_rate).reshape(grid.shape),
        allowed * passing.expected().reshape(grid.shape),
        allowed * passing.lower_sd().reshape(grid.shape),
    )
