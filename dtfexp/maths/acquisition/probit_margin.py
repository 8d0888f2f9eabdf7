"""The joint posterior of the margin of the pass rate over the required one.

On the probit scale the margin is nearly Gaussian and, near its mean, linear in the fields; its
joint posterior has a covariance in closed form, and draws of the whole map are cheap (delta method;
Rasmussen & Williams 2006, eq. 2.25-2.26 for the field).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field import field
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import mean_covariance_and_input_noise
from dtfexp.maths.inference.single_thread import single_threaded
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given, probit

Array = NDArray[np.float64]

# Relevant directions of a smooth field over a few settings.
_DIRECTIONS = 200


@single_threaded
def slopes(post: Posterior, cells: Points) -> tuple[Array, list[Array]]:
    """Return slopes (E, O) of the probit pass rate in the fields, and whitened cross-covariances.

    ``post`` at one set of hyperparameters
    (:func:`dtfexp.maths.inference.infer.at_central_hyperparameters`).
    """
    mean, base, input_noise = mean_covariance_and_input_noise(post, cells, 0)
    press = new_press_effects_at(post, 0, mean, input_noise)

    def margin(latent: Array) -> Array:
        return probit(pass_rate_given(post, 0, latent, press))

    slope = np.empty_like(mean)
    for o in range(post.shape.n_outcomes):
        step = np.zeros(post.shape.n_outcomes)
        step[o] = 0.2
        slope[:, o] = (margin(mean + step) - margin(mean - step)) / 0.4
    return slope, post.whitened_cross_by_point(base, 0)


@single_threaded
def covariance(post: Posterior, cells: Points) -> Array:
    """Return the posterior covariance (E, E) of the cells' margins. METHODS.md, section 9."""
    slope, links = slopes(post, cells)
    prior = field.covariance(cells, cells, post.shape, post.integration_points[0], post.prior)
    out = prior * (slope @ post.outcome_correlation(0) @ slope.T)
    told = np.sum([slope[:, o : o + 1] * links[o] for o in range(slope.shape[1])], axis=0)
    return np.asarray(out - told @ told.T)


@single_threaded
def draw_margins(middle: Array, cov: Array, between_variance: Array, count: int) -> Array:
    """Return draws (count, E) of the margins; deterministic.

    ``middle`` (E,), ``cov`` (E, E) as above; ``between_variance`` (E,): variance between
    hyperparameters, which moves all cells jointly.
    """
    rng = np.random.default_rng(len(middle))
    values, vectors = np.linalg.eigh(cov) if len(cov) <= 400 else leading_eigenpairs(cov, rng)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    moved = rng.standard_normal((count, root.shape[1])) @ root.T
    together = rng.standard_normal((count, 1)) * np.sqrt(between_variance)
    return np.asarray(middle + moved + together)


@single_threaded
def leading_eigenpairs(cov: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return the leading eigenpairs by a randomised range finder.

    Halko, Martinsson & Tropp 2011, SIAM Rev. 53.
    """
    basis, _ = np.linalg.qr(cov @ rng.standard_normal((len(cov), _DIRECTIONS)))
    basis, _ = np.linalg.qr(cov @ basis)
    values, small = np.linalg.eigh(basis.T @ cov @ basis)
    return values, basis @ small
