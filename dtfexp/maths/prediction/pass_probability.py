"""The pass rate of a new press from the latent field, for all outcomes jointly.

Given the field, a new press passes outcome o when quality(f_o) + batch effects + noise > 0
(:mod:`dtfexp.maths.field.ceiling`); batch effects and part of the noise are shared by the outcomes,
so the joint probability is a one-dimensional integral (Dunnett & Sobel 1955, Biometrika 42:258).
The posterior of the pass rate is kept on the probit scale, where it is nearly Gaussian: mean and
variance by sigma points (Julier & Uhlmann 2004, Proc. IEEE 92:401). Where it is wide, the ceiling
makes it skewed: the field's posterior is then split into narrower Gaussians, each treated alike
(Alspach & Sorenson 1972, IEEE Trans. Autom. Control 17:439, Gaussian sums; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from dtfexp.maths.field import batch_effects, ceiling
from dtfexp.maths.field.input_noise import CORRELATION, quality_loss_and_variance
from dtfexp.maths.field.monotone import monotone_fields
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import FieldPosterior

Array = NDArray[np.float64]

# Seven nodes for the shared part of batch effects and spread: within 0.002 of thirty-one nodes on
# simulated benches.
_NODES, _WEIGHTS = hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

# Posteriors wider than this (sd on the probit scale) are split in three, each _NARROW times as
# wide.  On simulated benches it takes the error of a chance from 0.06 to 0.04, and from 0.13 to
# 0.04 where passed and failed presses are separated; five parts gain little more.
_SPLIT_WIDTH, _PART_WIDTH = 0.7, 0.6
_PARTS, _PART_WEIGHTS = hermegauss(3)
_PARTS, _PART_WEIGHTS = _PARTS * np.sqrt(1.0 - _PART_WIDTH**2), _PART_WEIGHTS / _PART_WEIGHTS.sum()
# Probit value, far out in the posterior, below which a split changes little.
_SPLIT_ABOVE = -1.3


def all_pass_probability(latent: Array, loading: Array, own: Array) -> Array:
    """Return P(all outcomes pass) for qualities ``latent`` (..., O).

    ``loading``: sd of the part shared by all outcomes (of either sign); ``own``: variance of each
    outcome; both are broadcast. METHODS.md, equation (22).
    """
    if latent.shape[-1] == 1:
        return np.asarray(ndtr(latent[..., 0] / np.sqrt(own[..., 0] + loading[..., 0] ** 2)))
    return np.asarray(np.tensordot(_WEIGHTS, _passed_so_far(latent, loading, own)[-1], axes=1))


def _passed_so_far(
    latent: Array, loading: Array, own: Array, before: Array | None = None
) -> list[Array]:
    """Return P(all outcomes up to this one pass | shared part), (nodes, ...), for each outcome.

    ``before``: that of outcomes before the given ones.
    """
    found = []
    nodes = _NODES.reshape(-1, *[1] * (latent.ndim - 1))
    # One outcome at a time, faster than a product over a short last axis.
    for o in range(latent.shape[-1]):
        root = np.sqrt(own[..., o])
        chance = ndtr(latent[..., o] / root + nodes * (loading[..., o] / root))
        before = chance if before is None else before * chance
        found.append(before)
    return found


@dataclass(frozen=True)
class NewPressEffects:
    """The random effects of a new press on its quality, all (M, O).

    ``loading``, sd of the part shared by its outcomes; ``own`` variance of each; mean quality
    ``lost`` to the machine spread.
    """

    loading: Array
    own_variance: Array
    quality_loss: Array

    def take(self, rows: NDArray[np.int_]) -> NewPressEffects:
        """Return the effects of some of the settings."""
        return NewPressEffects(self.loading[rows], self.own_variance[rows], self.quality_loss[rows])


def new_press_effects(
    quality: Callable[[Array], Array], luck: tuple[float, Array], middle: Array, input_noise: Array
) -> NewPressEffects:
    """Return the effects of a new press at settings with fields ``middle`` (M, O).

    ``input_noise`` (M, O, 3 + O): input-noise moments; ``quality``: map from fields to quality;
    ``luck``: variance shared by the outcomes, and their own (O,). METHODS.md, equation (21).
    """
    shared, own = luck
    lost, scattered = quality_loss_and_variance(quality, middle, input_noise)
    root = np.sqrt(scattered)
    between = shared + input_noise[..., CORRELATION:] * root[..., :, None] * root[..., None, :]
    total = shared + own + scattered
    loading = common_factor(between, total)
    return NewPressEffects(loading, total - loading**2, lost)


def common_factor(between: Array, total: Array) -> Array:
    """Return loadings (M, O) of one factor for covariances ``between`` (M, O, O) of outcomes.

    ``total`` (M, O): their variances. Exact for one and two outcomes, the nearest for more.
    Principal factor with communalities iterated once (Harman 1976, Modern Factor Analysis, 3rd ed.,
    ch. 8; from memory). The diagonal of ``between`` is that of outcomes that share all they can:
    batch effects alone, or a spread that moves all outcomes alike, is met exactly.
    METHODS.md, equation (21).
    """
    n_out = total.shape[-1]
    if n_out == 1:
        return np.sqrt(between[..., 0])
    # Correlations, so that no outcome's loading exceeds its variance.
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


def quality_of(post: Posterior, latent: Array, j: int) -> Array:
    """Return fields (..., O) as quality, after more washes never more than after fewer."""
    return ceiling.quality(monotone_fields(latent, post.shape.wash_order), post.ceiling[j])


def steepness(post: Posterior, latent: Array, j: int) -> Array:
    """Return how much quality gains for a small gain of the fields (..., O)."""
    return ceiling.quality_slope(monotone_fields(latent, post.shape.wash_order), post.ceiling[j])


def new_press_effects_at(
    post: Posterior, j: int, middle: Array, input_noise: Array
) -> NewPressEffects:
    """Return :func:`new_press_effects` of a posterior at integration point ``j``."""
    blocks = bool(np.any(post.data.block >= 0))
    luck = batch_effects.new_press_variance(post.integration_points[j], post.prior, blocks)
    return new_press_effects(lambda f: quality_of(post, f, j), luck, middle, input_noise)


def pass_rate_given(post: Posterior, j: int, fields: Array, press: NewPressEffects) -> Array:
    """Return the pass rate (...) given the fields (..., M, O), at integration point ``j``."""
    return all_pass_probability(
        quality_of(post, fields, j) - press.quality_loss, press.loading, press.own_variance
    )


def outcome_pass_rates(post: Posterior, latent: FieldPosterior) -> Array:
    """Return the expected probability (M, O) that a new press passes each single outcome."""
    chance = np.zeros(latent.mean.shape[1:])
    for j, weight in enumerate(post.weight):
        mean = latent.mean[j]
        press = new_press_effects_at(post, j, mean, latent.input_noise[j])
        unknown = np.einsum("moo->mo", latent.covariance[j]) * steepness(post, mean, j) ** 2
        quality = quality_of(post, mean, j) - press.quality_loss
        chance += weight * ndtr(quality / np.sqrt(press.loading**2 + press.own_variance + unknown))
    return chance


@dataclass(frozen=True)
class PassPosterior:
    """Posterior of the true pass rate at M points on the probit scale: a Gaussian mixture.

    ``mean``, ``sd`` (J, M); ``weight`` (J,). ``parts`` neighbouring rows belong to one integration
    point.
    """

    mean: Array
    sd: Array
    weight: Array
    parts: int = 1

    def expected(self) -> Array:
        """Return the posterior mean of the pass rate, (M,). METHODS.md, equation (23)."""
        return np.asarray(self.weight @ ndtr(self.mean / np.sqrt(1.0 + self.sd**2)))

    def chance_at_least(self, pass_rate: float) -> Array:
        """Return the posterior probability of a true pass rate of at least ``pass_rate``, (M,).

        METHODS.md, equation (23).
        """
        return np.asarray(self.weight @ ndtr((self.mean - ndtri(pass_rate)) / self.sd))

    def mean_and_between_variance(self) -> tuple[Array, Array]:
        """Return mean (M,) on the probit scale, and variance (M,) between hyperparameters."""
        share = self.weight.reshape(-1, self.parts)
        each = np.einsum("jk,jkm->jm", share, self.mean.reshape(*share.shape, -1))
        total = share.sum(axis=1)
        each = each / total[:, None]
        middle = total @ each
        return np.asarray(middle), np.asarray(total @ (each - middle) ** 2)

    def quantile(self, q: float) -> Array:
        """Return the posterior quantile of the pass rate (M,), by bisection (probit scale)."""
        # The mixture's quantile lies between those of its components.
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
    """Return the posterior of the joint pass rate at the points of ``latent``.

    METHODS.md, equation (23).
    """
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
        # In whitened coordinates, split along the gradient of the pass rate.
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
    """Return mean and sd (M,) of the probit pass rate, and its slopes on the columns of ``root``.

    Fields of mean ``middle`` (M, O) and covariance root root' (M, O, O); slopes (M, O). Points at
    +-sqrt(O + 1) along every column, weight 1 / (O + 1) on the mean.
    """
    n_out = middle.shape[1]
    weights = np.full(2 * n_out + 1, 1.0 / (2.0 * (n_out + 1.0)))
    weights[0] = 1.0 / (n_out + 1.0)
    step = np.sqrt(n_out + 1.0)
    quality = quality_of(post, middle, j) - press.quality_loss
    so_far = _passed_so_far(quality, press.loading, press.own_variance)

    def passed(fields: Array, first: int) -> Array:
        """Return the pass rate where outcomes before ``first`` have the quality of ``middle``."""
        if n_out == 1:
            return pass_rate_given(post, j, fields, press)
        rest = (quality_of(post, fields, j) - press.quality_loss)[..., first:]
        loading, own = press.loading[..., first:], press.own_variance[..., first:]
        before = so_far[first - 1] if first else None
        return np.asarray(_WEIGHTS @ _passed_so_far(rest, loading, own, before)[-1])

    # A column of a triangular root moves no outcome before its own, unless a wash ties them.
    in_order = all(earlier < later for earlier, later, _ in post.shape.wash_order)
    at_points = [probit(passed(middle, 0) if n_out == 1 else np.asarray(_WEIGHTS @ so_far[-1]))]
    for o in range(n_out):
        first = o if in_order and not root[:, :o, o].any() else 0
        for sign in (1.0, -1.0):
            moved = middle + sign * step * root[:, :, o]
            at_points.append(probit(passed(moved, first)))
    g = np.array(at_points)
    mean = weights @ g
    sd = np.sqrt(np.maximum(weights @ (g - mean) ** 2, 1e-8))
    return mean, sd, (g[1::2] - g[2::2]).T


def probit(p: Array) -> Array:
    """Return Phi^-1(p), finite where a probability rounds to 0 or 1."""
    return np.asarray(ndtri(np.clip(p, 1e-12, 1.0 - 1e-12)))


def _cholesky(cov: Array) -> Array:
    """Return lower Cholesky factors (M, O, O), with a tiny ridge against rounding."""
    n_out = cov.shape[-1]
    if n_out == 1:
        return np.sqrt(cov)
    ridge = 1e-9 * np.eye(n_out) * np.trace(cov, axis1=1, axis2=2)[:, None, None]
    return np.asarray(np.linalg.cholesky(cov + ridge))
