"""What a session told of the low-order part of its field, and of its scales, without the prior.

Each is the Gaussian posterior divided by the Gaussian prior: a *message*, in information form, that
a hierarchy over many sessions can join (:mod:`dtfexp.maths.linear.normal_hierarchy`).
METHODS.md, equation (40).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit

from dtfexp.maths.field.general_trend import general_trend, terms_of
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape, difference_rows, kept_between
from dtfexp.maths.inference.hyperparameters import (
    HYPER_PRIORS,
    NOISE_COMMON,
    NOISE_OWN,
    HyperPrior,
    normal_points,
    to_hyperparameters,
)
from dtfexp.maths.inference.posterior import Posterior

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Message:
    """A Gaussian likelihood of p unknowns: precision (p, p), and precision times its centre (p,).

    Zero where nothing was told.
    """

    precision: Array
    information: Array


def divided(mean: Array, covariance: Array, prior_mean: Array, prior_covariance: Array) -> Message:
    """Return a posterior over a prior, both Gaussian; directions that became wider tell nothing."""
    # In coordinates where the prior is white the posterior's precision is 1 + what was told.
    ridge = 1e-10 * np.trace(prior_covariance) * np.eye(len(mean))
    root = np.linalg.cholesky(prior_covariance + ridge)
    white = np.linalg.solve(root, np.linalg.solve(root, covariance).T)
    values, vectors = np.linalg.eigh(0.5 * (white + white.T))
    told = np.maximum(1.0 / np.clip(values, 1e-6, None) - 1.0, 0.0)
    off = vectors.T @ np.linalg.solve(root, mean - prior_mean)
    # (1 + told) off = told (centre - prior mean), in these coordinates.
    back = np.linalg.solve(root.T, vectors)
    precision = (back * told) @ back.T
    pulled = back @ np.where(told > 0.0, (1.0 + told) * off, 0.0)
    return Message(precision, pulled + precision @ prior_mean)


def trend_message(post: Posterior, fabric: int, outcome: int) -> Message:
    """Return what a posterior at one set of scales tells of the low-order part.

    Of one fabric's and one outcome's field; its rougher part is integrated out.
    METHODS.md, equation (40).
    """
    data, shape, scales = post.data, post.shape, post.integration_points[0]
    trend, terms = general_trend(shape, scales, post.prior), terms_of(shape)
    points, ends = data.at.without_differences
    points = points.shifted(scales.shift)
    cross = trend.with_row(terms.at(points), points.fabric == fabric, post.prior)
    if points.before_change is not None:
        # Of today's bench: what was pressed before a change is correlated with it.
        cross = cross * kept_between(None, points.before_change, post.prior.change_correlation)
    cross = difference_rows(cross.T, ends).T * post.row_outcome_correlation(0)[:, outcome]
    mean = trend.mean + cross @ post.sites.weights[0]
    link = cross @ post.sites.root[0]
    return divided(mean, trend.covariance - link @ link.T, trend.mean, trend.covariance)


def scale_values(scales: Hyperparameters) -> Array:
    """Return logs (logits of shares) of the nine scales of ``HYPER_PRIORS``, noise averaged."""
    logs = np.log(
        [scales.amplitude, scales.length, scales.interaction, scales.load_sd, scales.round_sd]
    )
    shares = logit(np.array([scales.outcome_correlation, scales.dose_share]) / 0.95)
    noise = float(np.mean(np.log(scales.noise)))
    return np.array([*logs, shares[0], np.log(scales.ceiling), shares[1], noise])


def scale_prior(
    n_outcomes: int, priors: tuple[HyperPrior, ...] = HYPER_PRIORS
) -> tuple[Array, Array]:
    """Return prior mean (9,) and covariance (9, 9) of :func:`scale_values`."""
    sd = np.array([p.sd for p in priors])
    sd[-1] *= np.sqrt(NOISE_COMMON**2 + NOISE_OWN**2 / n_outcomes)
    return np.array([p.centre for p in priors]), np.diag(sd**2)


def scale_message(post: Posterior) -> Message:
    """Return what a posterior tells of the scales. METHODS.md, equation (40)."""
    seen = np.array([scale_values(s) for s in post.integration_points])
    mean = post.weight @ seen
    covariance = (post.weight[:, None] * (seen - mean)).T @ (seen - mean)
    return divided(mean, covariance, *scale_prior(post.shape.n_outcomes, post.hyper_priors))


def expected_trend(shape: FieldShape, prior: Prior) -> tuple[Array, Array]:
    """Return mean (p,) and covariance (p, p) of the general trend over the prior of the scales."""
    drawn = [
        general_trend(shape, to_hyperparameters(u, 1), prior)
        for u in normal_points(64, len(HYPER_PRIORS) + 1)
    ]
    means = np.array([trend.mean for trend in drawn])
    within = np.mean([trend.covariance for trend in drawn], axis=0)
    return means.mean(axis=0), within + np.cov(means.T, bias=True)
