"""What effect a plan can see: standard errors and degrees of freedom at the right stratum, power.

A setting that is the same for a whole oven load is tested against how much loads differ, with as
many degrees of freedom as there are loads beyond the terms they have to tell; so with rounds; the
rest is tested against what is left between presses. In balanced plans this is exact (Yates 1935, J.
R. Statist. Soc. Suppl. 2:181; Kempthorne 1952, The Design and Analysis of Experiments), in others
close. Power follows from the noncentral t or F.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import f as f_distribution
from scipy.stats import ncf, nct
from scipy.stats import t as t_distribution

from dtfexp.maths.linear.model_terms import inverse

Array = NDArray[np.float64]

_TINY = 1e-8


def estimate_covariance(x: Array, v: Array) -> Array:
    """(X' V^-1 X)^-1 of model columns x (n, p), of full rank, in units of the noise variance."""
    return inverse(x.T @ inverse(v) @ x)


def degrees_of_freedom(x: Array, groups: list[Array]) -> list[float]:
    """For each model column (p,) of x (n, p), the degrees of freedom of what it is tested against.

    groups: one array of codes (n,) per kind of luck. A column that is constant inside the groups of
    a kind is tested against what they show beyond all columns: rank [X, Z] - rank X. Where there
    are two such kinds, the fewer count. All other columns are tested against what neither
    columns nor groups explain, and where that is nothing, against the groups that show most: they
    differ more than presses do, so this promises too little rather than too much.
    """
    own = np.linalg.matrix_rank(x) if x.size else 0
    each = [_indicators(codes) for codes in groups]
    spare = [int(np.linalg.matrix_rank(np.hstack([x, z]))) - own for z in each]
    left = len(x) - int(np.linalg.matrix_rank(np.hstack([x, *each])))
    out = []
    for column in x.T:
        inside = [s for z, s in zip(each, spare, strict=True) if _constant_inside(column, z)]
        out.append(float(min(inside) if inside else left or max(spare, default=0)))
    return out


def _indicators(codes: NDArray[Any]) -> Array:
    return np.asarray(codes[:, None] == np.unique(codes)[None, :], dtype=float)


def _constant_inside(column: Array, z: Array) -> bool:
    means = z @ ((z.T @ column) / z.sum(axis=0))
    return bool(np.abs(column - means).max() < _TINY * max(1.0, float(np.abs(column).max())))


def power_t(shift: float, df: float, level: float = 0.05) -> float:
    """Chance that a two-sided t test sees an effect of ``shift`` standard errors; both tails."""
    if df <= 0:
        return 0.0
    limit = float(t_distribution.isf(level / 2.0, df))
    found = float(nct.sf(limit, df, shift) + nct.cdf(-limit, df, shift))
    # The noncentral t of scipy gives up far out, where the power is one.
    return min(max(found, 0.0), 1.0) if np.isfinite(found) else 1.0


def power_f(noncentrality: float, df: float, df_error: float, level: float = 0.05) -> float:
    """Chance that an F test of ``df`` columns together sees a noncentrality (sum of squares)."""
    if df_error <= 0:
        return 0.0
    limit = float(f_distribution.isf(level, df, df_error))
    found = float(ncf.sf(limit, df, df_error, noncentrality))
    return min(max(found, 0.0), 1.0) if np.isfinite(found) else 1.0


def smallest_detectable_shift(df: float, power: float = 0.8, level: float = 0.05) -> float:
    """Standard errors that a t test sees with ``power``; infinity without degrees of freedom."""
    if df <= 0:
        return float(np.inf)
    start = float(t_distribution.isf(level / 2.0, df))
    high = start + float(t_distribution.ppf(power, df)) + 1.0
    while power_t(high, df, level) < power:
        high *= 1.5
    return float(brentq(lambda s: power_t(s, df, level) - power, 0.0, high, xtol=1e-8))


def smallest_detectable_noncentrality(
    df: float, df_error: float, power: float = 0.8, level: float = 0.05
) -> float:
    """Noncentrality that an F test sees with ``power``; infinity without degrees of freedom."""
    if df_error <= 0:
        return float(np.inf)
    high = 10.0
    while power_f(high, df, df_error, level) < power:
        high *= 2.0
    return float(brentq(lambda s: power_f(s, df, df_error, level) - power, 0.0, high, xtol=1e-8))
