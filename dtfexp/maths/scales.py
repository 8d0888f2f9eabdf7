"""Priors of the scale parameters and the weighted set of scales the fit integrates over.

The scales are few, so they are integrated and not plugged in: a low-discrepancy set of prior
points, then three sets ever closer to where the evidence is, weighted together by the balance
heuristic.  No random numbers are used.  Sources: Rue, Martino & Chopin 2009, J. R. Statist. Soc. B
71:319 (integrating over few hyperparameters); Veach & Guibas 1995 (balance heuristic); Cornuet,
Marin, Mira & Robert 2012, Scand. J. Statist. 39:798 (adaptive multiple importance sampling; from
memory); Sobol 1967.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
# Sets of points beside the prior's own: with one, as few as five points carried the weight.
_ADAPTED = 3
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
    points = normal_points(n_points, dim)
    log_seen = log_evidence(points)
    proposals: list[tuple[Array, Array]] = [(np.zeros(dim), np.eye(dim))]
    for stage in range(_ADAPTED):
        log_weight = _log_weight(points, log_seen, proposals)
        if stage == 0:
            # Few of the first points lie near the evidence: let the others have a say as well.
            log_weight = log_weight / max(1.0, np.ptp(log_seen) / 30.0)
        centre, chol = _proposal(points, _normalised(log_weight))
        proposals.append((centre, chol))
        # Mirrored every other time, so that a stage adds new directions.
        mirror = 1.0 - 2.0 * (stage % 2)
        fresh = centre + mirror * normal_points(n_points, dim) @ chol.T
        points = np.vstack([points, fresh])
        log_seen = np.concatenate([log_seen, log_evidence(fresh)])
    weight = _normalised(_log_weight(points, log_seen, proposals))
    effective = float(1.0 / np.sum(weight**2))
    return (*_thin(points, weight, keep), effective)


def _proposal(points: Array, weight: Array) -> tuple[Array, Array]:
    """Centre and Cholesky factor of the Gaussian that the weighted points suggest."""
    dim = points.shape[1]
    centre = weight @ points
    spread = (weight[:, None] * (points - centre)).T @ (points - centre)
    # Few points carry the weight: hold the proposal wide where they cannot tell its width.
    effective = float(1.0 / np.sum(weight**2))
    trust = effective / (effective + 4.0)
    wide = trust * spread + (1.0 - trust) * 0.5 * np.eye(dim) + 0.05 * np.eye(dim)
    return centre, np.asarray(np.linalg.cholesky(wide), dtype=np.float64)


def _log_weight(points: Array, log_seen: Array, proposals: Sequence[tuple[Array, Array]]) -> Array:
    """Evidence times prior over the mixture of all proposals (balance heuristic), in logs."""
    log_prior = -0.5 * np.sum(points**2, axis=1)
    log_density = []
    for centre, chol in proposals:
        white = np.linalg.solve(chol, (points - centre).T)
        log_density.append(-0.5 * np.sum(white**2, axis=0) - np.log(np.diag(chol)).sum())
    return np.asarray(log_seen + log_prior - np.logaddexp.reduce(log_density, axis=0))


def _normalised(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _thin(points: Array, weight: Array, keep: int) -> tuple[Array, Array]:
    """Few points that keep centre and spread: systematic resampling, then moments matched.

    The kept points are moved and stretched, coordinate by coordinate, until their mean and sd are
    those of all points; without that, so few would scatter about both.
    """
    order = np.argsort(-weight, kind="stable")
    ticks = (np.arange(keep) + 0.5) / keep
    chosen = order[np.searchsorted(np.cumsum(weight[order]), ticks).clip(0, len(order) - 1)]
    index, count = np.unique(chosen, return_counts=True)
    kept, share = points[index], count / count.sum()
    middle, spread = _moments(points, weight)
    own_middle, own_spread = _moments(kept, share)
    stretch = np.clip(spread / np.maximum(own_spread, 1e-9), 0.5, 2.0)
    return np.asarray(middle + stretch * (kept - own_middle)), np.asarray(share)


def _moments(points: Array, weight: Array) -> tuple[Array, Array]:
    mean = weight @ points
    return np.asarray(mean), np.asarray(np.sqrt(weight @ (points - mean) ** 2))
