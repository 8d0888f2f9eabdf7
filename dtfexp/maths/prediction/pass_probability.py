"""From the latent field to the pass rate of a new press, all outcomes together.

Given the field, a new press passes outcome o when quality(f_o) + luck + noise > 0
(:mod:`dtfexp.maths.field.ceiling`); luck and part of the noise are shared by the outcomes, so the
joint
chance is a one-dimensional integral (Dunnett & Sobel 1955, Biometrika 42:258).  The posterior of
that chance is carried on the probit scale, where it is close to Gaussian: mean and variance by
sigma points (Julier & Uhlmann 2004, Proc. IEEE 92:401).  Where it is wide it is not Gaussian, for
the ceiling cuts it off on one side: there the field's posterior is first split into narrower
Gaussians, each of which is carried so (Alspach & Sorenson 1972, IEEE Trans. Autom. Control 17:439,
Gaussian sums; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from dtfexp.maths.field.input_noise import CORRELATION, quality_loss_and_variance
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import FieldPosterior

Array = NDArray[np.float64]

# Seven nodes for what the outcomes share of luck and spread: within 0.002 of thirty-one on
# simulated benches.
_NODES, _WEIGHTS = hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

# Posteriors wider than this (sd on the probit scale) are split in three, each _NARROW times as
# wide.  On simulated benches it takes the error of a chance from 0.06 to 0.04, and from 0.13 to
# 0.04 where passed and failed presses are separated; five parts gain little more.
_SPLIT_WIDTH, _PART_WIDTH = 0.7, 0.6
_PARTS, _PART_WEIGHTS = hermegauss(3)
_PARTS, _PART_WEIGHTS = _PARTS * np.sqrt(1.0 - _PART_WIDTH**2), _PART_WEIGHTS / _PART_WEIGHTS.sum()
# So far below passing (probit scale), far out in the posterior, that a split changes little.
_SPLIT_ABOVE = -1.3


def all_pass_probability(latent: Array, loading: Array, own: Array) -> Array:
    """P(all outcomes pass) for qualities ``latent`` (..., O); ``loading``, sd of what all outcomes
    share (of either sign), and ``own``, variance of each, broadcast to them.
    METHODS.md, equation (22)."""
    if latent.shape[-1] == 1:
        return np.asarray(ndtr(latent[..., 0] / np.sqrt(own[..., 0] + loading[..., 0] ** 2)))
    root = np.broadcast_to(np.sqrt(own), latent.shape)
    above = [latent[..., o] / root[..., o] for o in range(latent.shape[-1])]
    shift = [loading[..., o] / root[..., o] for o in range(latent.shape[-1])]
    out = np.zeros(latent.shape[:-1])
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        # One outcome at a time: a product over a short last axis costs more than the chances.
        chance = ndtr(above[0] + node * shift[0])
        for a, s in zip(above[1:], shift[1:], strict=True):
            chance *= ndtr(a + node * s)
        out += weight * chance
    return out


@dataclass(frozen=True)
class NewPressEffects:
    """What a new press adds to the quality of its settings, all (M, O): ``loading``, sd of what its
    outcomes share; each one's ``own`` variance; the quality ``lost`` to the machine spread."""

    loading: Array
    own_variance: Array
    quality_loss: Array

    def take(self, rows: NDArray[np.int_]) -> NewPressEffects:
        """The same for some of the settings."""
        return NewPressEffects(self.loading[rows], self.own_variance[rows], self.quality_loss[rows])


def new_press_effects(
    quality: Callable[[Array], Array], luck: tuple[float, Array], middle: Array, input_noise: Array
) -> NewPressEffects:
    """A new press at settings with fields ``middle`` (M, O), which the machine spread moves by
    ``wander`` (M, O, 3 + O).

    ``quality`` turns fields into quality; ``luck``: variance shared by the outcomes, and their own
    (O,). METHODS.md, equation (21).
    """
    shared, own = luck
    lost, scattered = quality_loss_and_variance(quality, middle, input_noise)
    root = np.sqrt(scattered)
    between = shared + input_noise[..., CORRELATION:] * root[..., :, None] * root[..., None, :]
    total = shared + own + scattered
    loading = common_factor(between, total)
    return NewPressEffects(loading, total - loading**2, lost)


def common_factor(between: Array, total: Array) -> Array:
    """Loadings (M, O) of one factor that makes the covariances ``between`` (M, O, O) of outcomes
    with variances ``total`` (M, O): exact for one and two outcomes, the nearest for more.

    Principal factor, its communalities found once more from itself (Harman 1976, Modern Factor
    Analysis, 3rd ed., ch. 8; from memory).  The diagonal of ``between`` is that of outcomes that
    share all they can: luck alone, or a spread that moves all outcomes alike, is met exactly.
    """
    n_out = total.shape[-1]
    if n_out == 1:
        return np.sqrt(between[..., 0])
    # Correlations, so that no outcome bears more of the factor than it has variance.
    sd = np.sqrt(total)
    alike = between / (sd[..., :, None] * sd[..., None, :])
    if n_out == 2:
        size = np.sqrt(np.abs(alike[..., 0, 1]))
        return np.asarray(sd * np.stack([size, np.sign(alike[..., 0, 1]) * size], axis=-1))
    index = np.arange(n_out)
    for _ in range(2):
        values, vectors = np.linalg.eigh(alike)
        first = vectors[..., -1] * np.sqrt(np.maximum(values[..., -1:], 0.0))
        alike[..., index, index] = first**2
    return np.asarray(sd * np.clip(first, -0.99, 0.99))


def new_press_effects_at(
    post: Posterior, j: int, middle: Array, input_noise: Array
) -> NewPressEffects:
    """:func:`new_press` of a posterior at scale setting ``j``."""
    return new_press_effects(
        lambda f: post.quality(f, j), post.new_press_variance(j), middle, input_noise
    )


def pass_rate_given(post: Posterior, j: int, fields: Array, press: NewPressEffects) -> Array:
    """Pass rate (...) of a new press given the fields (..., M, O), at scale setting ``j``."""
    return all_pass_probability(
        post.quality(fields, j) - press.quality_loss, press.loading, press.own_variance
    )


def outcome_pass_rates(post: Posterior, latent: FieldPosterior) -> Array:
    """Expected chance (M, O) that a new press passes each outcome by itself."""
    chance = np.zeros(latent.mean.shape[1:])
    for j, weight in enumerate(post.weight):
        mean = latent.mean[j]
        press = new_press_effects_at(post, j, mean, latent.input_noise[j])
        unknown = np.einsum("moo->mo", latent.covariance[j]) * post.steepness(mean, j) ** 2
        quality = post.quality(mean, j) - press.quality_loss
        chance += weight * ndtr(quality / np.sqrt(press.loading**2 + press.own_variance + unknown))
    return chance


@dataclass(frozen=True)
class PassPosterior:
    """Posterior of the true pass rate at M points on the probit scale: a Gaussian mixture.

    mean, sd (J, M); weight (J,).  ``parts`` neighbouring rows belong to one scale setting.
    """

    mean: Array
    sd: Array
    weight: Array
    parts: int = 1

    def expected(self) -> Array:
        """Posterior mean of the pass rate, (M,). METHODS.md, equation (23)."""
        return np.asarray(self.weight @ ndtr(self.mean / np.sqrt(1.0 + self.sd**2)))

    def chance_at_least(self, pass_rate: float) -> Array:
        """Posterior probability that the true pass rate is at least ``pass_rate``, (M,).

        METHODS.md, equation (23).
        """
        return np.asarray(self.weight @ ndtr((self.mean - ndtri(pass_rate)) / self.sd))

    def mean_and_between_variance(self) -> tuple[Array, Array]:
        """Mean (M,) on the probit scale, and the variance (M,) that comes from the scales alone."""
        share = self.weight.reshape(-1, self.parts)
        each = np.einsum("jk,jkm->jm", share, self.mean.reshape(*share.shape, -1))
        total = share.sum(axis=1)
        each = each / total[:, None]
        middle = total @ each
        return np.asarray(middle), np.asarray(total @ (each - middle) ** 2)

    def lower_sd(self) -> Array:
        """Pass rate one posterior standard deviation (probit scale) below the middle, (M,)."""
        middle = self.weight @ self.mean
        variance = self.weight @ (self.sd**2 + (self.mean - middle) ** 2)
        return np.asarray(ndtr(middle - np.sqrt(variance)))

    def quantile(self, q: float) -> Array:
        """Posterior quantile of the pass rate, (M,), by bisection on the probit scale."""
        # The mixture's quantile lies between those of its parts.
        far = ndtri(q)
        low = (self.mean + far * self.sd).min(axis=0)
        high = (self.mean + far * self.sd).max(axis=0)
        for _ in range(18):
            middle = 0.5 * (low + high)
            below = self.weight @ ndtr((middle - self.mean) / self.sd)
            low = np.where(below < q, middle, low)
            high = np.where(below < q, high, middle)
        return np.asarray(ndtr(0.5 * (low + high)))


def pass_posterior(post: Posterior, latent: FieldPosterior) -> PassPosterior:
    """Posterior of the joint pass rate at the points of ``latent``."""
    count, m = latent.mean.shape[:2]
    mean, sd = np.empty((count, 3, m)), np.empty((count, 3, m))
    any_split = False
    for j in range(count):
        centre = latent.mean[j]
        press = new_press_effects_at(post, j, centre, latent.input_noise[j])
        root = _cholesky(latent.covariance[j])
        middle, width, lean = _sigma_points(post, j, centre, root, press)
        mean[j], sd[j] = middle, width
        rows = np.flatnonzero((width > _SPLIT_WIDTH) & (middle + 2.5 * width > _SPLIT_ABOVE))
        if not len(rows):
            continue
        any_split = True
        # The field in whitened coordinates: split along where the pass rate rises most.
        along = lean[rows] / np.maximum(np.linalg.norm(lean[rows], axis=1, keepdims=True), 1e-12)
        step = np.einsum("rop,rp->ro", root[rows], along)
        narrow = root[rows] - (1.0 - _PART_WIDTH) * step[:, :, None] * along[:, None, :]
        for k, part in enumerate(_PARTS):
            moved = centre[rows] + part * step
            mean[j, k, rows], sd[j, k, rows], _ = _sigma_points(
                post, j, moved, narrow, press.take(rows)
            )
    if not any_split:
        return PassPosterior(mean[:, 0], sd[:, 0], post.weight)
    weight = np.multiply.outer(post.weight, _PART_WEIGHTS)
    return PassPosterior(mean.reshape(-1, m), sd.reshape(-1, m), weight.ravel(), len(_PARTS))


def _sigma_points(
    post: Posterior, j: int, middle: Array, root: Array, press: NewPressEffects
) -> tuple[Array, Array, Array]:
    """Mean and sd (M,) of the probit pass rate for fields of mean ``middle`` (M, O) and covariance
    root root' (M, O, O), and how it leans on each column of ``root`` (M, O).

    Points at +-sqrt(O + 1) along every column, weight 1 / (O + 1) on the middle.
    """
    n_out = middle.shape[1]
    weights = np.full(2 * n_out + 1, 1.0 / (2.0 * (n_out + 1.0)))
    weights[0] = 1.0 / (n_out + 1.0)
    step = np.sqrt(n_out + 1.0)
    at_points = [probit(pass_rate_given(post, j, middle, press))]
    for o in range(n_out):
        for sign in (1.0, -1.0):
            moved = middle + sign * step * root[:, :, o]
            at_points.append(probit(pass_rate_given(post, j, moved, press)))
    g = np.array(at_points)
    mean = weights @ g
    sd = np.sqrt(np.maximum(weights @ (g - mean) ** 2, 1e-8))
    return mean, sd, (g[1::2] - g[2::2]).T


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
