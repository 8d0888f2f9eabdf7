"""From the latent field to the pass rate of a new press, all outcomes together.

Given the field, a new press passes outcome o when quality(f_o) + luck + noise > 0
(:mod:`dtfexp.maths.ceiling`); luck and part of the noise are shared by the outcomes, so the joint
chance is a one-dimensional integral (Dunnett & Sobel 1955, Biometrika 42:258).  The posterior of
that chance is carried on the probit scale, where it is close to Gaussian: mean and variance by
sigma points (Julier & Uhlmann 2004, Proc. IEEE 92:401).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from dtfexp.maths.posterior import Latent, Posterior

Array = NDArray[np.float64]

_NODES, _WEIGHTS = hermegauss(9)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


def joint_pass(latent: Array, shared: float, own: Array) -> Array:
    """P(all outcomes pass) for qualities ``latent`` (..., O); ``own`` broadcasts (variances)."""
    if latent.shape[-1] == 1:
        return np.asarray(ndtr(latent[..., 0] / np.sqrt(own[..., 0] + shared)))
    out = np.zeros(latent.shape[:-1])
    root = np.sqrt(own)
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        out += weight * np.prod(ndtr((latent + np.sqrt(shared) * node) / root), axis=-1)
    return out


def pass_given(post: Posterior, j: int, fields: Array, middle: Array, wander: Array) -> Array:
    """Pass rate (...) of a new press given the fields (..., O), at scale setting ``j``.

    ``wander``, the variance of the fields that the machine spread adds, counts by how steep the
    quality is at their ``middle`` (both broadcast to ``fields``): near the ceiling it hardly does.
    """
    shared, own = post.new_press(j)
    across = own + wander * post.steepness(middle, j) ** 2
    return joint_pass(post.quality(fields, j), shared, across)


@dataclass(frozen=True)
class PassPosterior:
    """Posterior of the true pass rate at M points on the probit scale: a Gaussian mixture.

    mean, sd (J, M); weight (J,).
    """

    mean: Array
    sd: Array
    weight: Array

    def expected(self) -> Array:
        """Posterior mean of the pass rate, (M,)."""
        return np.asarray(self.weight @ ndtr(self.mean / np.sqrt(1.0 + self.sd**2)))

    def chance_at_least(self, pass_rate: float) -> Array:
        """Posterior probability that the true pass rate is at least ``pass_rate``, (M,)."""
        return np.asarray(self.weight @ ndtr((self.mean - ndtri(pass_rate)) / self.sd))

    def middle(self) -> tuple[Array, Array]:
        """Mean (M,) on the probit scale, and the variance (M,) that comes from the scales alone."""
        middle = self.weight @ self.mean
        return np.asarray(middle), np.asarray(self.weight @ (self.mean - middle) ** 2)

    def cautious(self) -> Array:
        """Pass rate one posterior standard deviation (probit scale) below the middle, (M,)."""
        middle, between = self.middle()
        return np.asarray(ndtr(middle - np.sqrt(self.weight @ self.sd**2 + between)))

    def quantile(self, q: float) -> Array:
        """Posterior quantile of the pass rate, (M,), by bisection on the probit scale."""
        low = (self.mean - 9.0 * self.sd).min(axis=0)
        high = (self.mean + 9.0 * self.sd).max(axis=0)
        for _ in range(40):
            middle = 0.5 * (low + high)
            below = self.weight @ ndtr((middle - self.mean) / self.sd)
            low = np.where(below < q, middle, low)
            high = np.where(below < q, high, middle)
        return np.asarray(ndtr(0.5 * (low + high)))


def pass_posterior(post: Posterior, latent: Latent) -> PassPosterior:
    """Posterior of the joint pass rate at the points of ``latent``."""
    n_out = post.shape.n_outcomes
    mean = np.empty(latent.mean.shape[:2])
    sd = np.empty_like(mean)
    for j in range(len(post.scales)):
        middle, wander = latent.mean[j], latent.wander[j]
        at_points = [probit(pass_given(post, j, middle, middle, wander))]
        root = _cholesky(latent.covariance[j])
        weights = np.full(2 * n_out + 1, 1.0 / (2.0 * (n_out + 1.0)))
        weights[0] = 1.0 / (n_out + 1.0)
        step = np.sqrt(n_out + 1.0)
        for o in range(n_out):
            for sign in (1.0, -1.0):
                moved = middle + sign * step * root[:, :, o]
                at_points.append(probit(pass_given(post, j, moved, middle, wander)))
        g = np.array(at_points)
        mean[j] = weights @ g
        sd[j] = np.sqrt(np.maximum(weights @ (g - mean[j]) ** 2, 1e-8))
    return PassPosterior(mean, sd, post.weight)


def probit(p: Array) -> Array:
    """Phi^-1(p), held finite where a chance rounds to 0 or 1."""
    return np.asarray(ndtri(np.clip(p, 1e-12, 1.0 - 1e-12)))


def _cholesky(cov: Array) -> Array:
    """Lower Cholesky factors (M, O, O); a tiny ridge keeps rounding from spoiling it."""
    n_out = cov.shape[-1]
    if n_out == 1:
        return np.sqrt(cov)
    ridge = 1e-9 * np.eye(n_out) * np.trace(cov, axis1=1, axis2=2)[:, None, None]
    return np.asarray(np.linalg.cholesky(cov + ridge))
