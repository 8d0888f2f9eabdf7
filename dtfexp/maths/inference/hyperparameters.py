"""Priors of the scale parameters and the weighted set of scales the fit integrates over.

The scales are few, so they are integrated and not plugged in: the evidence is evaluated at a
low-discrepancy set of prior points, then at sets ever closer to where it is large; a smooth surface
through all of it (:mod:`dtfexp.maths.inference.evidence_surface`) gives the posterior's mean and
covariance, and a few points stand for it.  The points are scrambled with fixed seeds.  Sources:
Rue, Martino & Chopin 2009, J. R. Statist. Soc. B 71:319 (integrating over few hyperparameters);
Sobol 1967.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri
from scipy.stats import qmc

from dtfexp.maths.field.parameters import Hyperparameters
from dtfexp.maths.field.trend import LearntTrend
from dtfexp.maths.inference.evidence_surface import (
    fit_evidence_surface,
    log_integral,
    posterior_moments,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class HyperPrior:
    """A log-normal prior, or logit-normal of a share: centre and sd on that scale."""

    name: str
    centre: float
    sd: float
    reason: str
    is_share: bool = False

    def at(self, u: float) -> float:
        """Return the scale at a standard-normal coordinate; a share lies between 0 and 0.95."""
        here = self.centre + self.sd * u
        return float(0.95 * expit(here) if self.is_share else np.exp(here))


HYPER_PRIORS: tuple[HyperPrior, ...] = (
    HyperPrior("amplitude", np.log(1.0), 0.40, "a range is wide enough to fail at its ends"),
    HyperPrior("length", np.log(0.5), 0.35, "an edge is about a quarter of a range wide"),
    HyperPrior("interplay", np.log(0.8), 0.40, "two settings act together, less than alone"),
    HyperPrior("load luck", np.log(0.16), 0.40, "oven loads differ by part of a grade"),
    HyperPrior("round luck", np.log(0.16), 0.40, "press rounds differ by part of a grade"),
    HyperPrior("alike", 0.0, 1.0, "outcomes of one press may, or may not, follow the same quality",
               is_share=True),
    HyperPrior("ceiling", np.log(1.5), 0.20, "the best print is a grade and a half above the cut"),
    HyperPrior("dose", -0.8, 2.1, "hotter may stand for longer in one stage, wholly or hardly",
               is_share=True),
    HyperPrior("press noise", np.log(0.32), 0.38, "twins differ by a third of a grade, or by half"),
)  # fmt: skip
_N_COMMON = len(HYPER_PRIORS) - 1
#: One more scale where coupons were judged again.
EYE_SHARE = HyperPrior("eye", 0.0, 1.0, "of press noise, half may be the eye that judges it",
                       is_share=True)  # fmt: skip


class Normal(NamedTuple):
    """Mean (dim,) and covariance (dim, dim) of the scales' coordinates."""

    centre: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class LearntPrior:
    """The prior that earlier sessions taught, and its ``share`` against the general prior."""

    hyper_priors: tuple[HyperPrior, ...]
    trend: LearntTrend
    share: float


# Further sets of evaluations: stop at 1.5 x the quadratic's coefficients, when the centre moves by
# less than a third of a posterior sd.
_MOST_STAGES, _MOVE_TOLERANCE = 8, 0.3
_EVALUATIONS_PER_COEFFICIENT = 1.5
# Few points cannot have all moments of a normal: of fourteen scramblings this one came nearest to a
# general sampler (``tests/maths/test_against_sampler``).
_INTEGRATION_SEED = 7003
# Points at which the surface is read.
_IMPORTANCE_POINTS = 1024
NOISE_COMMON, NOISE_OWN = 0.85, 0.53  # squares add up to one


def n_dimensions(n_outcomes: int) -> int:
    """Return the number of scale parameters: eight, common press noise, own share of each."""
    return _N_COMMON + 1 + n_outcomes


def to_hyperparameters(
    u: Array, n_outcomes: int, priors: tuple[HyperPrior, ...] = HYPER_PRIORS
) -> Hyperparameters:
    """Standard-normal coordinates (n_dimensions,) to scales. METHODS.md, equation (17)."""
    return Hyperparameters(
        amplitude=priors[0].at(u[0]),
        length=max(priors[1].at(u[1]), 0.2),
        interaction=priors[2].at(u[2]),
        load_sd=priors[3].at(u[3]),
        round_sd=priors[4].at(u[4]),
        outcome_correlation=priors[5].at(u[5]),
        ceiling=priors[6].at(u[6]),
        dose_share=priors[7].at(u[7]),
        # One bench, one grader: the outcomes' noises differ less than benches do.
        noise=np.array(
            [
                priors[8].at(NOISE_COMMON * u[_N_COMMON] + NOISE_OWN * own)
                for own in u[_N_COMMON + 1 : _N_COMMON + 1 + n_outcomes]
            ]
        ),
    )


@cache
def _normal_points(n: int, dim: int, seed: int) -> tuple[tuple[float, ...], ...]:
    points = qmc.Sobol(dim, scramble=True, seed=seed).random(n)
    return tuple(map(tuple, ndtri(np.clip(points, 1e-3, 1 - 1e-3))))


def normal_points(n: int, dim: int, seed: int = 0) -> Array:
    """Return ``n`` (a power of two) scrambled Sobol points as standard normals, (n, dim).

    The same every time, and others for another seed (Owen 1998, J. Complexity 14:466).
    """
    return np.array(_normal_points(n, dim, seed))


def _balanced(normals: Array) -> Array:
    """Return points (n, dim) moved and stretched to mean zero and identity covariance."""
    about = normals - normals.mean(axis=0)
    return np.linalg.solve(np.linalg.cholesky(about.T @ about / len(about)), about.T).T


def integrate(
    log_evidence: Callable[[Array], Array], dim: int, n_points: int, start: Normal | None = None
) -> tuple[Normal, float]:
    """Return mean and covariance of the scales' coordinates under their posterior.

    Also the log of the evidence integrated over the scales.
    ``log_evidence`` takes (n, dim) standard-normal coordinates and returns (n,); the first of them
    are drawn from ``start``, or from the prior.  METHODS.md, equation (17).
    """
    centre, covariance = start or Normal(np.zeros(dim), np.eye(dim))
    points = normal_points(n_points, dim)
    if start is not None:
        points = centre + points @ np.linalg.cholesky(covariance).T
    log_seen = log_evidence(points)
    normals = _balanced(normal_points(_IMPORTANCE_POINTS, dim))
    enough = _EVALUATIONS_PER_COEFFICIENT * (dim + 1) * (dim + 2) / 2
    for stage in range(_MOST_STAGES):
        before, root = centre, np.linalg.cholesky(covariance)
        known = np.isfinite(log_seen)
        surface = fit_evidence_surface(points[known], log_seen[known])
        centre, covariance = posterior_moments(surface, centre, covariance, normals)
        moved = float(np.linalg.norm(np.linalg.solve(root, centre - before)))
        if len(points) >= enough and moved < _MOVE_TOLERANCE:
            break
        # Scrambled anew each time, so that a stage adds new directions.
        step = normal_points(n_points, dim, stage + 1) @ np.linalg.cholesky(covariance).T
        points = np.vstack([points, centre + step])
        log_seen = np.concatenate([log_seen, log_evidence(centre + step)])
    return Normal(centre, covariance), log_integral(surface, centre, covariance, normals)


def integration_points(posterior: Normal, n_integration_points: int) -> tuple[Array, Array]:
    """Return few points (k, dim) with just this mean and covariance, and their equal weights (k,).

    Low-discrepancy normals, balanced, so that whatever is quadratic in the scales is exact.  At
    least ``n_integration_points``, and one more than there are dimensions, fewer have no such
    covariance; a power of two, as Sobol's points want. METHODS.md, section 5.
    """
    centre, covariance = posterior
    dim = len(centre)
    count = 1 << (max(n_integration_points, dim + 1) - 1).bit_length()
    white = _balanced(normal_points(count, dim, _INTEGRATION_SEED))
    return centre + white @ np.linalg.cholesky(covariance).T, np.full(count, 1.0 / count)
