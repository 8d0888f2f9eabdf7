"""Priors of the scale parameters and the weighted set of scales the fit integrates over.

The scales are few, so they are integrated and not plugged in: a low-discrepancy set of prior
points, then a second set where the evidence is, weighted together by the balance heuristic.
No random numbers are used.  Sources: Rue, Martino & Chopin 2009, J. R. Statist. Soc. B 71:319
(integrating over few hyperparameters); Veach & Guibas 1995 (balance heuristic); Sobol 1967.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri
from scipy.stats import qmc

from dtfexp.maths.field import Scales

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ScalePrior:
    """A log-normal prior (``alike``: logit-normal): centre and sd on the log (logit) scale."""

    name: str
    centre: float
    sd: float
    reason: str


SCALE_PRIORS: tuple[ScalePrior, ...] = (
    ScalePrior("amplitude", np.log(1.0), 0.40, "a range is wide enough to fail at its ends"),
    ScalePrior("length", np.log(0.5), 0.35, "an edge is about a quarter of a range wide"),
    ScalePrior("interplay", np.log(0.8), 0.40, "two settings act together, less than alone"),
    ScalePrior("load luck", np.log(0.15), 0.40, "oven loads differ by part of a grade"),
    ScalePrior("round luck", np.log(0.15), 0.40, "press rounds differ by part of a grade"),
    ScalePrior("alike", 0.0, 1.0, "outcomes of one press may, or may not, follow the same quality"),
    ScalePrior("ceiling", np.log(1.5), 0.20, "the best print is a grade and a half above the cut"),
    ScalePrior("press noise", np.log(0.32), 0.28, "twins differ by about a third of a grade"),
)  # fmt: skip
_N_COMMON = len(SCALE_PRIORS) - 1
_NOISE_COMMON, _NOISE_OWN = 0.85, 0.53  # squares add up to one


def n_dimensions(n_outcomes: int) -> int:
    """Number of scale parameters: seven, the common press noise, and each outcome's own share."""
    return _N_COMMON + 1 + n_outcomes


def to_scales(u: Array, n_outcomes: int, priors: tuple[ScalePrior, ...] = SCALE_PRIORS) -> Scales:
    """Standard-normal coordinates (n_dimensions,) to scales."""

    def log_normal(k: int, value: float) -> float:
        return float(np.exp(priors[k].centre + priors[k].sd * value))

    return Scales(
        amplitude=log_normal(0, u[0]),
        length=max(log_normal(1, u[1]), 0.2),
        interplay=log_normal(2, u[2]),
        load_sd=log_normal(3, u[3]),
        round_sd=log_normal(4, u[4]),
        alike=float(0.95 * expit(priors[5].centre + priors[5].sd * u[5])),
        ceiling=log_normal(6, u[6]),
        # One bench, one grader: the outcomes' noises differ less than benches do.
        noise=np.array(
            [
                log_normal(7, _NOISE_COMMON * u[_N_COMMON] + _NOISE_OWN * own)
                for own in u[_N_COMMON + 1 : _N_COMMON + 1 + n_outcomes]
            ]
        ),
    )


@cache
def _normal_points(n: int, dim: int) -> tuple[tuple[float, ...], ...]:
    points = qmc.Sobol(dim, scramble=False).random(2 * n)[1 : n + 1]
    return tuple(map(tuple, ndtri(np.clip(points, 1e-3, 1 - 1e-3))))


def normal_points(n: int, dim: int) -> Array:
    """The first ``n`` Sobol points (the origin among them) as standard normals, (n, dim)."""
    return np.array(_normal_points(n, dim))


def integrate(
    log_evidence: Callable[[Array], Array], dim: int, n_points: int, keep: int
) -> tuple[Array, Array, float]:
    """Weighted scale points: (points (k, dim), weights (k,), effective number before thinning).

    ``log_evidence`` takes (n, dim) standard-normal coordinates and returns (n,).
    """
    first = normal_points(n_points, dim)
    log_first = log_evidence(first)
    weight = _normalised(log_first / max(1.0, np.ptp(log_first) / 30.0))
    centre = weight @ first
    spread = (weight[:, None] * (first - centre)).T @ (first - centre)
    # Few points carry the weight: hold the proposal wide where they cannot tell its width.
    effective = float(1.0 / np.sum(weight**2))
    trust = effective / (effective + 4.0)
    proposal = trust * spread + (1.0 - trust) * 0.5 * np.eye(dim) + 0.05 * np.eye(dim)
    chol = np.linalg.cholesky(proposal)
    second = centre + normal_points(n_points, dim) @ chol.T
    log_second = log_evidence(second)
    points = np.vstack([first, second])
    log_prior = -0.5 * np.sum(points**2, axis=1)
    white = np.linalg.solve(chol, (points - centre).T)
    log_proposal = -0.5 * np.sum(white**2, axis=0) - np.log(np.diag(chol)).sum()
    log_mixture = np.logaddexp(log_prior, log_proposal)
    weight = _normalised(np.concatenate([log_first, log_second]) + log_prior - log_mixture)
    effective = float(1.0 / np.sum(weight**2))
    return (*_thin(points, weight, keep), effective)


def _normalised(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _thin(points: Array, weight: Array, keep: int) -> tuple[Array, Array]:
    """Systematic resampling along the first principal order: few points that keep the spread."""
    order = np.argsort(-weight, kind="stable")
    ticks = (np.arange(keep) + 0.5) / keep
    chosen = order[np.searchsorted(np.cumsum(weight[order]), ticks).clip(0, len(order) - 1)]
    index, count = np.unique(chosen, return_counts=True)
    return points[index], count / count.sum()
