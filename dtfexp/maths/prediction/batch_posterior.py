"""Posterior of the batch effects of single oven loads, press rounds and blocks."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from dtfexp.maths.field.batch_effects import batch_covariance
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.single_thread import single_threaded

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
BatchKind = Literal["load", "round", "block"]


@single_threaded
def batch_effect_posterior(post: Posterior, kind: BatchKind, codes: Ints) -> tuple[Array, Array]:
    """Return mean and sd (J, L), in grades, of each group's batch effect over the outcomes.

    ``codes`` (L,): groups of that kind. The posterior of a summand of a Gaussian sum: its prior
    covariance with the observations through the same sites (Rasmussen & Williams 2006, eq. 2.27).
    """
    data, n_out = post.data, post.shape.n_outcomes
    fresh = len(codes) * n_out
    outcome = np.tile(np.arange(n_out), len(codes))
    group = np.repeat(codes, n_out)
    none = np.full(fresh, -1)
    told = {name: group if name == kind else none for name in ("load", "round", "block")}

    # Two copies of each row: their cross-covariance is that of the batch effect alone.
    def stacked(seen: Ints, new: Ints) -> Ints:
        return np.concatenate([seen, new, new])

    mean = np.empty((len(post.integration_points), len(codes)))
    sd = np.empty_like(mean)
    share = np.full(n_out, 1.0 / n_out)
    first, second = slice(data.n, data.n + fresh), slice(data.n + fresh, None)
    for j, scales in enumerate(post.integration_points):
        whole = batch_covariance(
            stacked(data.outcome, outcome),
            stacked(data.load, told["load"]),
            stacked(data.round_, told["round"]),
            stacked(data.block, told["block"]),
            stacked(data.press, none),
            scales,
            post.prior,
        )
        cross, prior = whole[first, : data.n], whole[first, second]
        link = cross @ post.sites.batch_root[j]
        left = prior - link @ link.T
        mean[j] = (cross @ post.sites.batch_weights[j]).reshape(-1, n_out) @ share
        blocks = left.reshape(len(codes), n_out, len(codes), n_out)
        own = np.einsum("lolp,o,p->l", blocks, share, share)
        sd[j] = np.sqrt(np.maximum(own, 1e-12))
    return mean, sd


def mixture_quantile(mean: Array, sd: Array, weight: Array, q: float) -> Array:
    """Return quantiles (M,) of Gaussian mixtures, by bisection.

    ``mean``, ``sd`` (J, M); ``weight`` (J,).
    """
    low, high = (mean - 9.0 * sd).min(axis=0), (mean + 9.0 * sd).max(axis=0)
    for _ in range(50):
        middle = 0.5 * (low + high)
        below = weight @ ndtr((middle - mean) / sd)
        low, high = np.where(below < q, middle, low), np.where(below < q, high, middle)
    return np.asarray(0.5 * (low + high))
