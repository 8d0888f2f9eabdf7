"""What effect a plan can see: standard errors, degrees of freedom and power at the right stratum.

The variance of an estimate c'b is v = c'(X' V^-1 X)^-1 c with V made of press noise, load luck and
round luck, which have to be estimated too. How well they can be, by restricted likelihood, gives
the degrees of freedom 2 v^2 / var(v) (Satterthwaite 1946, Biometrics Bulletin 2:110; Giesbrecht &
Burns 1985, Biometrics 41:477); in a balanced plan these are the exact ones of the stratum. Power
follows from the noncentral t or F.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import f as f_distribution
from scipy.stats import ncf, nct
from scipy.stats import t as t_distribution

from dtfexp.maths.terms import inverse

Array = NDArray[np.float64]

_LEAST_DF = 0.5
"""Fewer degrees of freedom than this (after rounding of pooled ones) count as none."""


@dataclass(frozen=True, eq=False)
class Known:
    """How well the terms of a model (p) and the kinds of luck (q) would be known.

    covariance (p, p) of the estimates, in units of the noise variance; slopes (q, p, p), its change
    with each variance; luck (q, q), covariance of the estimated variances, infinite ones left out
    and named by told (q,) False.
    """

    covariance: Array
    slopes: Array
    luck: Array
    told: NDArray[np.bool_]

    def variance(self, contrast: Array) -> float:
        """Variance of contrast (p,) times the estimates."""
        return float(contrast @ self.covariance @ contrast)

    def df(self, contrast: Array) -> float:
        """Degrees of freedom of that variance; 0 when what it rests on cannot be estimated."""
        v = self.variance(contrast)
        slope = np.einsum("p,qpr,r->q", contrast, self.slopes, contrast)
        if np.any(np.abs(slope[~self.told]) > 1e-9 * v):
            return 0.0
        spread = float(slope[self.told] @ self.luck @ slope[self.told])
        df = 2.0 * v**2 / spread if spread > 0 else 0.0
        return df if df >= _LEAST_DF else 0.0


def known(x: Array, parts: list[Array], ratios: list[float]) -> Known:
    """What model columns x (n, p), of full rank, would tell.

    parts: one (n, n) matrix per kind of luck, the noise's identity first; ratios: the variances
    assumed, the noise's 1 first. A kind of luck that no press can show is told False.
    """
    v = sum((r * part for r, part in zip(ratios, parts, strict=True)), np.zeros_like(parts[0]))
    precision = inverse(v)
    covariance = inverse(x.T @ precision @ x)
    to_b = covariance @ x.T @ precision
    slopes = np.array([to_b @ part @ to_b.T for part in parts])
    p = precision - precision @ x @ to_b
    through = [p @ part for part in parts]
    fisher = 0.5 * np.array([[np.sum(a * b.T) for b in through] for a in through])
    told = np.diag(fisher) > 1e-9
    # A variance that only ever shows together with another one is not told by itself.
    while told.any():
        value, vector = np.linalg.eigh(fisher[np.ix_(told, told)])
        if value[0] > 1e-8 * value[-1]:
            break
        places = np.flatnonzero(told)
        told[places[int(np.argmax(np.abs(vector[:, 0]) * (places > 0)))]] = False
    luck = inverse(fisher[np.ix_(told, told)]) if told.any() else np.zeros((0, 0))
    return Known(covariance, slopes, luck, told)


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


def least_shift(df: float, power: float = 0.8, level: float = 0.05) -> float:
    """Standard errors that a t test sees with ``power``; infinity without degrees of freedom."""
    if df <= 0:
        return float(np.inf)
    start = float(t_distribution.isf(level / 2.0, df))
    high = start + float(t_distribution.ppf(power, df)) + 1.0
    while power_t(high, df, level) < power:
        high *= 1.5
    return float(brentq(lambda s: power_t(s, df, level) - power, 0.0, high, xtol=1e-8))


def least_noncentrality(
    df: float, df_error: float, power: float = 0.8, level: float = 0.05
) -> float:
    """Noncentrality that an F test sees with ``power``; infinity without degrees of freedom."""
    if df_error <= 0:
        return float(np.inf)
    high = 10.0
    while power_f(high, df, df_error, level) < power:
        high *= 2.0
    return float(brentq(lambda s: power_f(s, df, df_error, level) - power, 0.0, high, xtol=1e-8))
