"""Power of a plan: standard errors and degrees of freedom in the right stratum.

A setting that is constant within an oven load is tested against the variation between loads, with
the degrees of freedom of loads beyond the terms estimated between them; so with rounds; all others
are tested against the residual between presses. In balanced plans this is exact (Yates 1935, J. R.
Statist. Soc. Suppl. 2:181; Kempthorne 1952, The Design and Analysis of Experiments), in others
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

_TINY = 1e-7


def estimate_covariance(x: Array, v: Array) -> Array:
    """Return (X' V^-1 X)^-1 of full-rank columns x (n, p), in units of the noise variance."""
    return inverse(x.T @ inverse(v) @ x)


def degrees_of_freedom(x: Array, groups: list[Array]) -> list[float]:
    """Return the error degrees of freedom of each model column (p,) of x (n, p).

    ``groups``: one array of codes (n,) per kind of batch effect. A column constant within the
    groups of a kind is tested against rank [X, Z] - rank X, the groups beyond all columns; with two
    such kinds, the smaller counts. All other columns are tested against the residual of columns and
    groups, and where that is empty, against the groups with the most degrees of freedom, which is
    conservative.
    """
    own = np.linalg.matrix_rank(x) if x.size else 0
    each = [np.equal.outer(codes, np.unique(codes)).astype(float) for codes in groups]
    spare = [int(np.linalg.matrix_rank(np.hstack([x, z]))) - own for z in each]
    left = len(x) - int(np.linalg.matrix_rank(np.hstack([x, *each])))
    out = []
    for column in x.T:
        inside = [
            s for codes, s in zip(groups, spare, strict=True) if constant_within(column, codes)
        ]
        out.append(float(min(inside) if inside else left or max(spare, default=0)))
    return out


def constant_within(x: Array, codes: NDArray[Any]) -> bool:
    """Return whether columns (n, ...) are constant within each group of presses, codes (n,)."""
    return all(np.ptp(x[codes == code], axis=0).max(initial=0.0) < _TINY for code in set(codes))


def power_t(shift: float, df: float, level: float = 0.05) -> float:
    """Return the power of a two-sided t test for ``shift`` standard errors, both tails.

    METHODS.md, section 15.
    """
    if df <= 0:
        return 0.0
    limit = float(t_distribution.isf(level / 2.0, df))
    found = float(nct.sf(limit, df, shift) + nct.cdf(-limit, df, shift))
    # scipy's noncentral t fails far out, where the power is one.
    return min(max(found, 0.0), 1.0) if np.isfinite(found) else 1.0


def power_f(noncentrality: float, df: float, df_error: float, level: float = 0.05) -> float:
    """Return the power of an F test of ``df`` columns for a noncentrality (sum of squares)."""
    if df_error <= 0:
        return 0.0
    limit = float(f_distribution.isf(level, df, df_error))
    found = float(ncf.sf(limit, df, df_error, noncentrality))
    return min(max(found, 0.0), 1.0) if np.isfinite(found) else 1.0


def smallest_detectable_shift(df: float, power: float = 0.8, level: float = 0.05) -> float:
    """Return the detectable shift of a t test, in standard errors; infinite without df."""
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
    """Return the detectable noncentrality of an F test; infinite without df."""
    if df_error <= 0:
        return float(np.inf)
    high = 10.0
    while power_f(high, df, df_error, level) < power:
        high *= 2.0
    return float(brentq(lambda s: power_f(s, df, df_error, level) - power, 0.0, high, xtol=1e-8))
