"""The cumulative (ordered) likelihood: a grade is a latent quality cut at ordered thresholds.

Source: McCullagh 1980, J. R. Statist. Soc. B 42:109; the parallel-slopes model with link F,
P(grade <= k) = F(cut_k - eta).  The probit link is the one the field model uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import log_expit, log_ndtr

Array = NDArray[np.float64]
Link = Literal["probit", "logit"]
_LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)


def log_normal_interval(lower: Array, upper: Array) -> Array:
    """Return log(Phi(upper) - Phi(lower)), elementwise, without cancellation in either tail.

    Shapes broadcast; ``lower < upper`` is required, infinite ends are allowed.
    """
    # Both ends right of zero: mirror, so that the difference is taken in the left tail.
    flip = lower > 0
    low = np.where(flip, -upper, lower)
    high = np.where(flip, -lower, upper)
    log_high = log_ndtr(high)
    log_low = log_ndtr(low)
    gap = np.minimum(log_low - log_high, -1e-300)
    return np.asarray(log_high + np.log(-np.expm1(gap)))


def interval_moments(
    mean: Array, variance: Array, lower: Array, upper: Array, noise: Array
) -> tuple[Array, Array, Array]:
    """Return log Z and its first two derivatives in ``mean`` for an interval grade.

    Z = P(lower < f + e <= upper) with f ~ N(mean, variance), e ~ N(0, noise^2). Returns (log Z,
    dlogZ, d2logZ), all of the shape of ``mean``. Source: Rasmussen & Williams 2006, eq. 3.82 for
    the probit, here for an interval as in Chu & Ghahramani 2005, sec. 2. METHODS.md, equation (8).
    """
    scale = np.sqrt(noise**2 + variance)
    a = (lower - mean) / scale
    b = (upper - mean) / scale
    log_z = log_normal_interval(a, b)
    ratio_a = np.exp(-0.5 * a * a - _LOG_ROOT_2PI - log_z)  # phi(a) / Z; zero at infinite ends
    ratio_b = np.exp(-0.5 * b * b - _LOG_ROOT_2PI - log_z)
    first = (ratio_a - ratio_b) / scale
    a_term = np.where(np.isfinite(a), a, 0.0) * ratio_a
    b_term = np.where(np.isfinite(b), b, 0.0) * ratio_b
    second = (a_term - b_term) / scale**2 - first**2
    return log_z, first, np.minimum(second, -1e-12)


def _log_interval(lower: Array, upper: Array, link: Link) -> Array:
    if link == "probit":
        return log_normal_interval(lower, upper)
    flip = lower > 0
    low, high = np.where(flip, -upper, lower), np.where(flip, -lower, upper)
    gap = np.minimum(log_expit(low) - log_expit(high), -1e-300)
    return np.asarray(log_expit(high) + np.log(-np.expm1(gap)))


def _log_density(x: Array, link: Link) -> Array:
    if link == "probit":
        return np.asarray(-0.5 * x * x - _LOG_ROOT_2PI)
    return np.asarray(log_expit(x) + log_expit(-x))


@dataclass(frozen=True)
class CumulativeLinkMode:
    """Posterior mode of a cumulative-link model: ``slopes`` (p,), ``cuts`` (k-1,), ``log_lik``."""

    slopes: Array
    cuts: Array
    log_lik: float


def cumulative_mode(
    design: Array,
    grade: NDArray[np.int_],
    n_grades: int,
    *,
    link: Link = "probit",
    slope_sd: float = np.inf,
    step_prior: tuple[float, float] | None = None,
    offset: Array | None = None,
    extra_variance: Array | None = None,
) -> CumulativeLinkMode:
    """Return the posterior mode of slopes and cuts.

    P(grade <= k) = F(cut_k - offset - design @ slopes).

    ``design`` (n, p); ``grade`` (n,) of 0..n_grades-1. ``slope_sd`` is the sd of a normal prior on
    each slope (infinite: maximum likelihood). ``step_prior`` = (mean, sd) of the log distance
    between neighbouring cuts (None: flat). ``extra_variance`` (n,) widens the probit for an
    uncertain offset. Cuts are searched as a first cut and logarithms of steps, so they stay
    ordered. The value and the gradient are exact; L-BFGS finds the mode. METHODS.md, equation (9).
    """
    n, p = design.shape
    eta0 = np.zeros(n) if offset is None else offset
    scale = np.ones(n) if extra_variance is None else np.sqrt(1.0 + extra_variance)
    n_steps = n_grades - 2

    def unpack(theta: Array) -> tuple[Array, Array, Array]:
        steps = np.exp(theta[p + 1 :])
        return theta[:p], steps, theta[p] + np.concatenate(([0.0], np.cumsum(steps)))

    def objective(theta: Array) -> tuple[float, Array]:
        slopes, steps, cuts = unpack(theta)
        eta = eta0 + design @ slopes
        a, b = _edges_for(cuts, grade, eta, scale)
        log_p = _log_interval(a, b, link)
        # In logs: far out density and probability round to zero, their ratio does not.
        p_a = np.exp(_log_density(a, link) - log_p) / scale
        p_b = np.exp(_log_density(b, link) - log_p) / scale
        value = -log_p.sum()
        by_cut = np.zeros(n_grades + 1)
        np.add.at(by_cut, grade + 1, p_b)
        np.add.at(by_cut, grade, -p_a)
        cut_gradient = by_cut[1:-1]
        gradient = np.empty_like(theta)
        gradient[:p] = -design.T @ (p_a - p_b)
        gradient[p] = -cut_gradient.sum()
        above = np.cumsum(cut_gradient[::-1])[::-1]
        gradient[p + 1 :] = -above[1:] * steps
        if np.isfinite(slope_sd):
            value += 0.5 * np.sum((slopes / slope_sd) ** 2)
            gradient[:p] += slopes / slope_sd**2
        if step_prior is not None:
            gap = (theta[p + 1 :] - step_prior[0]) / step_prior[1]
            value += 0.5 * np.sum(gap**2)
            gradient[p + 1 :] += gap / step_prior[1]
        return float(value), gradient

    start = np.zeros(p + 1 + n_steps)
    start[p] = -0.5 * n_steps
    found = minimize(
        objective, start, jac=True, method="L-BFGS-B",
        options={"maxiter": 500, "ftol": 1e-14, "gtol": 1e-9},
    )  # fmt: skip
    slopes, _, cuts = unpack(found.x)
    a, b = _edges_for(cuts, grade, eta0 + design @ slopes, scale)
    return CumulativeLinkMode(slopes, cuts, float(_log_interval(a, b, link).sum()))


def _edges_for(
    cuts: Array, grade: NDArray[np.int_], eta: Array, scale: Array
) -> tuple[Array, Array]:
    edges = np.concatenate(([-np.inf], cuts, [np.inf]))
    return (edges[grade] - eta) / scale, (edges[grade + 1] - eta) / scale
