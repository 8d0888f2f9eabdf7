"""What a machine really does around a set-point: a few weighted places, and single draws.

Without more knowledge all places within the spread are alike; a measured map stands for itself.
What its spots have in common is left out: plans and presses are told as set, and a display that is
off by as much at every press moves none of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor

Array = NDArray[np.float64]

# Gauss-Legendre, for means over an interval (Abramowitz & Stegun 1964, eq. 25.4.29; from memory).
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)
#: Weights (5,) of the places of every factor.
SPREAD_WEIGHTS: Array = 0.5 * _WEIGHTS


def spread_nodes(factor: Factor) -> Array:
    """Places (5,) around a set-point with ``SPREAD_WEIGHTS``, in the factor's unit.

    Spots of a map are cut into five parts of these weights, coldest first, each at its own mean;
    drawn apart a little, so that the standard deviation is that of the spots; their mean is zero.
    """
    if not factor.spots:
        return np.asarray(factor.spread * _NODES)
    spots = np.sort(_centred_spots(factor))
    share = np.linspace(0.0, 1.0, len(spots) + 1)
    summed = np.concatenate(([0.0], np.cumsum(spots))) / len(spots)
    ends = np.concatenate(([0.0], np.cumsum(SPREAD_WEIGHTS)))
    parts = np.diff(np.interp(ends, share, summed)) / SPREAD_WEIGHTS
    narrower = np.sqrt(SPREAD_WEIGHTS @ parts**2)
    return np.asarray(parts * (spots.std() / narrower if narrower > 0 else 1.0))


def spread_draws(factor: Factor, count: int, rng: np.random.Generator) -> Array:
    """``count`` places around a set-point, in the factor's unit."""
    if factor.spots:
        return rng.choice(_centred_spots(factor), count)
    return factor.spread * rng.uniform(-1.0, 1.0, count)


def _centred_spots(factor: Factor) -> Array:
    spots = np.array(factor.spots)
    return np.asarray(spots - spots.mean())
