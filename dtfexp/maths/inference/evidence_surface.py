"""A smooth surrogate of the log evidence over the hyperparameters.

Each evaluation is a whole run of expectation propagation, so few are made. The log evidence is
smooth and nearly quadratic. A Gaussian process passes through the evaluations, with constant,
linear, quadratic and smooth parts. Its mean gives mean and covariance of the hyperparameters.
Sources: Rasmussen & Ghahramani 2003, Bayesian Monte Carlo, NIPS 15:505 (an integral from a
process through its integrand); Rue, Martino & Chopin 2009, J. R. Statist. Soc. B 71:319, sec. 6.5
(a quadratic surface over the scale parameters); both from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Surface = Callable[[Array], Array]

# Variances of the parts, in squared nats, and length of the smooth one, in prior sds of a
# hyperparameter. Wide: halving or doubling the last two hardly changed a moment.
_CONSTANT, _LINEAR, _QUADRATIC, _SMOOTH, _REACH = 100.0, 4.0, 1.0, 4.0, 3.0
# Evidence is accurate to a few hundredths of a nat; far below the best the fit may be looser.
_ROUNDING, _NEAR, _SLACK = 0.03, 8.0, 0.1


def fit_evidence_surface(points: Array, log_seen: Array) -> Surface:
    """Return the surface through log evidence (n,) at coordinates (n, dim).

    Coordinates are standard normal under the hyperpriors. METHODS.md, section 5.
    """
    log_posterior = log_seen - 0.5 * np.sum(points**2, axis=1)
    best = int(np.argmax(log_posterior))
    below = log_posterior[best] - log_posterior
    noise = _ROUNDING + _SLACK * np.maximum(0.0, below - _NEAR)
    covariance = _covariance(points, points) + np.diag(noise**2)
    weight = np.linalg.solve(covariance, log_seen - log_seen[best])

    def surface(at: Array) -> Array:
        return np.asarray(log_seen[best] + _covariance(at, points) @ weight)

    return surface


def _covariance(a: Array, b: Array) -> Array:
    """Return the surface's prior covariance: Rasmussen & Williams 2006, sec. 4.2.1 and 4.2.2."""
    dot = a @ b.T
    square = np.sum(a**2, axis=1)[:, None] + np.sum(b**2, axis=1)[None, :] - 2.0 * dot
    smooth = _SMOOTH * np.exp(-0.5 * square / _REACH**2)
    return np.asarray(_CONSTANT + _LINEAR * dot + _QUADRATIC * dot**2 + smooth)


def posterior_moments(
    surface: Surface, centre: Array, covariance: Array, normals: Array
) -> tuple[Array, Array]:
    """Return mean (dim,) and covariance (dim, dim) of the coordinates under prior times surface.

    Importance sampling (Robert & Casella 2004, Monte Carlo Statistical Methods, sec. 3.3; memory)
    at ``normals`` (n, dim), moved to the present Gaussian approximation; then again at the result.
    No weight counts more than the twentieth largest. A small effective sample is shrunk towards the
    prior. METHODS.md, section 5.
    """
    dim = len(centre)
    for _ in range(2):
        at = centre + normals @ np.linalg.cholesky(covariance).T
        log_weight = surface(at) - 0.5 * np.sum(at**2, axis=1) + 0.5 * np.sum(normals**2, axis=1)
        log_weight = np.minimum(log_weight, np.sort(log_weight)[-20])
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        centre = weight @ at
        spread = (weight[:, None] * (at - centre)).T @ (at - centre)
        effective = 1.0 / np.sum(weight**2)
        trust = min(1.0, effective / (10.0 * dim))
        covariance = trust * spread + (1.0 - trust) * 0.6 * np.eye(dim)
    return centre, covariance


def log_integral(surface: Surface, centre: Array, covariance: Array, normals: Array) -> float:
    """Return the log of the evidence integrated over the prior of the coordinates.

    By the same importance sampling, at the Gaussian approximation that the moments ended with.
    METHODS.md, equation (39).
    """
    root = np.linalg.cholesky(covariance)
    at = centre + normals @ root.T
    log_weight = surface(at) - 0.5 * np.sum(at**2, axis=1) + 0.5 * np.sum(normals**2, axis=1)
    log_weight = np.minimum(log_weight, np.sort(log_weight)[-20])
    top = log_weight.max()
    inside = float(np.log(np.mean(np.exp(log_weight - top))))
    return float(top) + inside + float(np.log(np.diag(root)).sum())
