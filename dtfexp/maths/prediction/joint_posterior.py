"""The joint posterior of the field at several points, for slopes, draws and shares.

``prediction.predict`` gives each of many thousands of points alone. Here are a few hundred with all
their covariances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.stats import norm, qmc

from dtfexp.maths.field import field
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.single_thread import single_threaded

Array = NDArray[np.float64]
_CHUNK = 100


@dataclass(frozen=True)
class JointPosterior:
    """At one integration point: mean (M, O) and covariance (M, O, M, O) of the fields."""

    mean: Array
    covariance: Array


def joint_posterior(post: Posterior, at: Points, j: int) -> JointPosterior:
    """Return the joint posterior of all outcomes' fields at the points, at integration point ``j``.

    Rasmussen & Williams 2006, eq. 3.60-3.61 with all cross terms.
    """
    mean, links = _mean_and_whitened_cross(post, at, j)
    return JointPosterior(mean, _posterior_covariance(post, at, links, at, links, j))


def _mean_and_whitened_cross(post: Posterior, at: Points, j: int) -> tuple[Array, Array]:
    """Return the posterior mean (M, O), and whitened cross-covariances with the data (M, O, N)."""
    shape, prior, scales = post.shape, post.prior, post.integration_points[j]
    base = field.covariance(at, post.data.design_points.at, shape, scales, prior)
    mean = field.outcome_means(at, shape, scales, prior) + base @ post.weights_by_point(j)
    return mean, np.array(post.whitened_cross_by_point(base, j)).transpose(1, 0, 2)


def _posterior_covariance(
    post: Posterior, a: Points, links_a: Array, b: Points, links_b: Array, j: int
) -> Array:
    """Return the posterior covariance (M_a, O, M_b, O) of the fields at two sets of points."""
    among = field.covariance(a, b, post.shape, post.integration_points[j], post.prior)
    out = among[:, None, :, None] * post.outcome_correlation(j)[None, :, None, :]
    flat_a, flat_b = (x.reshape(x.shape[0] * x.shape[1], -1) for x in (links_a, links_b))
    return np.asarray(out - (flat_a @ flat_b.T).reshape(out.shape))


@single_threaded
def field_differences(
    post: Posterior, here: Points, there: Points, share: Array
) -> tuple[Array, Array]:
    """Return the gain of the fields from ``here`` to ``there``, in grade units.

    ``share`` (M, O): weight of each outcome, row by row. Returns mean and sd (J, M) of the weighted
    gain at every integration point. METHODS.md, equation (35).
    """
    count, m = len(post.integration_points), here.n
    mean, sd = np.empty((count, m)), np.empty((count, m))
    for start in range(0, m, _CHUNK):
        rows = np.arange(start, min(m, start + _CHUNK))
        n, counts = len(rows), share[rows]
        both = here.take(rows).joined(there.take(rows))
        for j in range(count):
            joint = joint_posterior(post, both, j)
            c = joint.covariance
            i = np.arange(n)
            own = c[i, :, i, :] + c[i + n, :, i + n, :] - c[i, :, i + n, :] - c[i + n, :, i, :]
            gained = joint.mean[n:] - joint.mean[:n]
            mean[j, rows] = np.einsum("mo,mo->m", counts, gained)
            variance = np.einsum("mo,mop,mp->m", counts, own, counts)
            sd[j, rows] = np.sqrt(np.maximum(variance, 1e-12))
    return mean, sd


@single_threaded
def posterior_deviations(
    post: Posterior, anchors: Points, at: Points, j: int, normals: Array
) -> Array:
    """Return draws (count, M, O) of the fields less their posterior mean, at many points.

    ``normals`` (count, anchors x O): independent standard normals, one row for each draw
    (:func:`even_normals`). Drawn at the anchors, kriged in between: the conditional mean given the
    anchors is nearly the whole field, and thousands of points need no large factorisation
    (Rasmussen & Williams 2006, sec. 8.3.2). METHODS.md, section 14.
    """
    _, links_at = _mean_and_whitened_cross(post, at, j)
    mean, links = _mean_and_whitened_cross(post, anchors, j)
    root = _root(
        JointPosterior(mean, _posterior_covariance(post, anchors, links, anchors, links, j))
    )
    # Values at the anchors are mean + R z, and C(at, anchors) (R R')^-1 R z = C R'^-1 z.
    weights = solve_triangular(root, normals.T, lower=True, trans="T")
    cross = _posterior_covariance(post, at, links_at, anchors, links, j).reshape(-1, mean.size)
    return np.asarray((cross @ weights).T.reshape(len(normals), at.n, post.shape.n_outcomes))


def _root(joint: JointPosterior) -> Array:
    size = joint.mean.size
    flat = joint.covariance.reshape(size, size)
    # Smooth fields at many points are nearly singular; add a millionth of the variance.
    ridge = 1e-6 * float(np.max(np.diag(flat), initial=1e-6))
    return np.asarray(np.linalg.cholesky(0.5 * (flat + flat.T) + ridge * np.eye(size)))


def even_normals(count: int, size: int) -> Array:
    """Return standard normals (count, size), deterministic and evenly spread in every column.

    A Latin hypercube with a fixed seed (McKay, Beckman & Conover 1979, Technometrics 21:239).
    """
    return np.asarray(norm.ppf(qmc.LatinHypercube(size, seed=1).random(count)))
