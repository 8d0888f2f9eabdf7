"""The deviation of a machine from its set-point: quadrature nodes and single draws.

Without measurements the deviation is uniform within the spread; a measured map replaces it. The
mean of the map's spots is removed: plans and presses are given as set-points, and a constant offset
of the display moves none of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor

Array = NDArray[np.float64]

# Gauss-Legendre, for means over an interval (Abramowitz & Stegun 1964, eq. 25.4.29; from memory).
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)
#: Weights (5,) of the nodes of every factor.
SPREAD_WEIGHTS: Array = 0.5 * _WEIGHTS


def spread_nodes(factor: Factor) -> Array:
    """Return nodes (5,) around a set-point with ``SPREAD_WEIGHTS``, in the factor's unit.

    Spots of a map are cut into five parts of these weights, coldest first, each at its mean, then
    scaled to the standard deviation of the spots, with mean zero. METHODS.md, section 6.
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
    """Return ``count`` deviations from a set-point, in the factor's unit."""
    if factor.spots:
        return rng.choice(_centred_spots(factor), count)
    return factor.spread * rng.uniform(-1.0, 1.0, count)


def _centred_spots(factor: Factor) -> Array:
    spots = np.array(factor.spots)
    return np.asarray(spots - spots.mean())
