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
from dtfexp.maths.prediction.first_factor import first_factor
from dtfexp.maths.prediction.normal_cdf import normal_cdf

Array = NDArray[np.float64]

# Seven nodes for the shared part of batch effects and spread: within 0.002 of thirty-one nodes on
# simulated benches.
_NODES, _WEIGHTS = hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
# Chances worked on at once: more would not stay in a processor's cache.
_AT_ONCE = 15_000

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
    root = np.sqrt(own)
    chance = _all_given_shared(latent / root, loading / root)
    return np.asarray(np.tensordot(_WEIGHTS, chance, axes=1))


def _all_given_shared(middle: Array, slope: Array) -> Array:
    """Return P(all outcomes pass | shared part), (nodes, ...), for ``middle`` (..., O) in own sds.

    ``slope``: loading in own sds, broadcast.
    """
    nodes = _NODES.reshape(-1, *[1] * (middle.ndim - 1))
    chance = normal_cdf(middle[..., 0], nodes * slope[..., 0])
    # One outcome at a time, faster than a product over a short last axis.
    for o in range(1, middle.shape[-1]):
        chance *= normal_cdf(middle[..., o], nodes * slope[..., o])
    return chance


@dataclass(frozen=True)
class NewPressEffects:
    """The random effects of a new press on its quality, all (M, O).

    ``loading``, sd of the part shared by its outcomes; ``own`` variance of each; mean quality
    ``lost`` to the machine spread.
    """

    loading: Array
    own_variance: Array
    quality_loss: Array

    def take(self, rows: NDArray[np.int_] | slice) -> NewPressEffects:
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
        first = first_factor(alike)
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
        moved = (centre[rows] + _PARTS[:, None, None] * step).reshape(-1, centre.shape[1])
        all_parts = np.tile(np.arange(len(rows)), len(_PARTS))
        middle, width, _ = _sigma_points(
            post, j, moved, narrow[all_parts], press.take(rows[all_parts])
        )
        mean[j][:, rows], sd[j][:, rows] = (x.reshape(len(_PARTS), -1) for x in (middle, width))
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
    m, n_out = middle.shape
    weights = np.full(2 * n_out + 1, 1.0 / (2.0 * (n_out + 1.0)))
    weights[0] = 1.0 / (n_out + 1.0)
    # A column of a triangular root moves no outcome before its own, unless a wash ties them.
    in_order = all(earlier < later for earlier, later, _ in post.shape.wash_order)
    is_triangular = in_order and not np.triu(root, 1).any()
    g = np.empty((len(weights), m))
    chunk = max(1, _AT_ONCE // (len(weights) * len(_NODES)))
    for start in range(0, m, chunk):
        some = slice(start, start + chunk)
        g[:, some] = _probits_at_sigma_points(
            post, j, middle[some], root[some], press.take(some), is_triangular
        )
    mean = weights @ g
    sd = np.sqrt(np.maximum(weights @ (g - mean) ** 2, 1e-8))
    return mean, sd, (g[1::2] - g[2::2]).T


def _probits_at_sigma_points(
    post: Posterior,
    j: int,
    middle: Array,
    root: Array,
    press: NewPressEffects,
    is_triangular: bool,
) -> Array:
    """Return the probit pass rate (2 O + 1, M) at the mean, then at + and - of every column.

    ``is_triangular``: column o of ``root`` moves no quality of an outcome before o.
    """
    m, n_out = middle.shape
    # Outcomes before places: what is worked on at once are neighbours in memory.
    fields = np.empty((2 * n_out + 1, n_out, m))
    fields[:] = middle.T
    moves = np.sqrt(n_out + 1.0) * root.transpose(2, 1, 0)
    fields[1::2] += moves
    fields[2::2] -= moves
    quality = quality_of(post, fields.swapaxes(1, 2), j).swapaxes(1, 2)
    own_sd = np.sqrt(press.own_variance.T)
    at, slope = (quality - press.quality_loss.T) / own_sd, press.loading.T / own_sd
    if n_out == 1:
        return probit(ndtr(at[:, 0] / np.sqrt(1.0 + slope[0] ** 2)))
    passed = np.empty((len(at), len(_NODES), m))
    had = 0
    for o in range(n_out):
        rows = 2 * o + 3 if is_triangular else len(at)
        chance = normal_cdf(at[:rows, o, None], _NODES[:, None] * slope[o])
        if had:
            # What these points move comes from here on.
            passed[had:rows] = passed[0]
            passed[:rows] *= chance
        else:
            passed[:rows] = chance
        had = rows
    return probit(_WEIGHTS @ passed)


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
