"""The posterior of the field at several points together, for slopes, draws and shares.

``posterior.predict`` gives each point alone, for many thousands of points; here a few hundred
points come with all that they share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm, qmc

from dtfexp.maths import field
from dtfexp.maths.field import Points
from dtfexp.maths.posterior import Posterior

Array = NDArray[np.float64]
_CHUNK = 100


@dataclass(frozen=True)
class Joint:
    """One scale setting: mean (M, O) and covariance (M, O, M, O) of the fields at M points."""

    mean: Array
    covariance: Array


def together(post: Posterior, at: Points, j: int) -> Joint:
    """Joint posterior of every outcome's field at the points, at scale setting ``j``.

    Rasmussen & Williams 2006, eq. 3.60-3.61 with all cross terms kept.
    """
    shape, prior, scales = post.shape, post.prior, post.scales[j]
    base = field.covariance(at, post.data.at, shape, scales, prior)
    mean = field.trade_mean(at, shape, scales, prior)[:, None] + base @ post.weights(j)
    links = np.array(post.links(base, j)).transpose(1, 0, 2)
    flat = links.reshape(at.n * shape.n_outcomes, -1)
    among = field.covariance(at, at, shape, scales, prior)
    covariance = among[:, None, :, None] * post.alike(j)[None, :, None, :]
    covariance = covariance - (flat @ flat.T).reshape(covariance.shape)
    return Joint(mean, np.asarray(covariance))


def gains(post: Posterior, here: Points, there: Points, share: Array) -> tuple[Array, Array]:
    """What moving from ``here`` to ``there`` gains in the outcomes' fields, in grade units.

    share (M, O): how much each outcome counts, row by row.  Returns mean and sd (J, M) of the
    weighted gain for every scale setting.
    """
    count, m = len(post.scales), here.n
    mean, sd = np.empty((count, m)), np.empty((count, m))
    for start in range(0, m, _CHUNK):
        rows = np.arange(start, min(m, start + _CHUNK))
        n, counts = len(rows), share[rows]
        both = _stacked(here.take(rows), there.take(rows))
        for j in range(count):
            joint = together(post, both, j)
            c = joint.covariance
            i = np.arange(n)
            own = c[i, :, i, :] + c[i + n, :, i + n, :] - c[i, :, i + n, :] - c[i + n, :, i, :]
            gained = joint.mean[n:] - joint.mean[:n]
            mean[j, rows] = np.einsum("mo,mo->m", counts, gained)
            variance = np.einsum("mo,mop,mp->m", counts, own, counts)
            sd[j, rows] = np.sqrt(np.maximum(variance, 1e-12))
    return mean, sd


def draws(joint: Joint, count: int) -> Array:
    """Draws (count, M, O) of the fields, the same every time.

    Latin hypercube normals with a fixed seed stand in for random ones: every coordinate covers
    its range evenly (McKay, Beckman & Conover 1979, Technometrics 21:239).
    """
    size = joint.mean.size
    flat = joint.covariance.reshape(size, size)
    # Smooth fields at many points are all but singular; a millionth of the variance cures that.
    ridge = 1e-6 * float(np.max(np.diag(flat), initial=1e-6))
    root = np.linalg.cholesky(0.5 * (flat + flat.T) + ridge * np.eye(size))
    normal = norm.ppf(qmc.LatinHypercube(size, seed=1).random(count))
    return np.asarray(joint.mean + (normal @ root.T).reshape(count, *joint.mean.shape))


def _stacked(a: Points, b: Points) -> Points:
    return Points(
        np.concatenate([a.nodes, b.nodes]), a.weights, np.concatenate([a.fabric, b.fabric])
    )
