"""The posterior of the latent field at set-points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dtfexp.maths.field import field
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import Array, Posterior
from dtfexp.maths.inference.single_thread import single_threaded

# Points per batch: many of a grid, which share levels; few scattered ones, to fit the cache.
_GRID_AT_ONCE, _SCATTERED_AT_ONCE = 8192, 1024


@dataclass(frozen=True)
class FieldPosterior:
    """Posterior of the field at M points for J integration points.

    ``mean`` (J, M, O); ``covariance`` (J, M, O, O) of the field averaged over the machine spread;
    ``input_noise`` (J, M, O, 3 + O) its moments by press (:mod:`dtfexp.maths.field.input_noise`).
    """

    mean: Array
    covariance: Array
    input_noise: Array


@single_threaded
def predict(post: Posterior, at: Points) -> FieldPosterior:
    """Return the posterior of every outcome's field at new points, for every integration point.

    METHODS.md, equation (18).
    """
    count, n_out, m = len(post.integration_points), post.shape.n_outcomes, at.n
    mean = np.empty((count, m, n_out))
    cov = np.empty((count, m, n_out, n_out))
    input_noise = np.zeros((count, m, n_out, 3 + n_out))
    chunk = _SCATTERED_AT_ONCE if at.is_scattered else _GRID_AT_ONCE
    for start in range(0, m, chunk):
        rows = np.arange(start, min(m, start + chunk))
        part = at.take(rows)
        for j in range(count):
            mean[j, rows], cov[j, rows], input_noise[j, rows] = _predict_one(post, part, j)
    return FieldPosterior(mean, cov, input_noise)


def _predict_one(post: Posterior, at: Points, j: int) -> tuple[Array, Array, Array]:
    own = field.variance(at, post.shape, post.integration_points[j], post.prior)
    mean, base, input_noise = mean_covariance_and_input_noise(post, at, j)
    cov = own[:, None, None] * post.outcome_correlation(j)[None] - post.covariance_reduction(
        base, j
    )
    index = np.arange(post.shape.n_outcomes)
    cov[:, index, index] = np.maximum(cov[:, index, index], 1e-9)
    return mean, cov, input_noise


def mean_covariance_and_input_noise(
    post: Posterior, at: Points, j: int
) -> tuple[Array, Array, Array]:
    """Return posterior mean, prior covariance with the data, and input noise of the fields.

    At integration point ``j``: (M, O), (M, P) with the design points, and (M, O, 3 + O).
    """
    scales, shape, prior = post.integration_points[j], post.shape, post.prior
    places, weights = post.data.design_points.at, post.weights_by_point(j)
    base, input_noise = field.covariance_and_input_noise(at, places, shape, scales, prior, weights)
    return field.outcome_means(at, shape, scales, prior) + base @ weights, base, input_noise
