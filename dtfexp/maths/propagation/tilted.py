"""One grade met by a Gaussian belief in what stands behind it: the field, and batch effects.

A grade reads the quality of the field, which a ceiling bends, plus batch effects and noise, which
nothing bends.  Given the field the batch effects are integrated in closed form; what is left is one
integral over the field, by Gauss-Legendre sums over pieces that follow thresholds, ceiling and
Gaussian.  Everything is worked out in standard units of the belief: the field ``t``, and what the
field leaves open of the batch effects ``r``, both N(0, 1) and independent before the grade.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from dtfexp.maths.field.ceiling import SOFTNESS
from dtfexp.maths.propagation.ordinal import interval_moments

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Gauss-Legendre nodes of each of the five pieces into which an integral is cut.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(7)
# Widths of the noise on each side of a threshold, and of the Gaussian, that are integrated.
_THRESHOLD, _TAIL = 3.8, 5.0
# Longest piece beside a threshold, in widths of the noise, that the nodes resolve.
_LONGEST = 10.0
# So many SOFTNESS above the ceiling the field is taken to be on the flat top.
_TOP = 2.0
_LEAST, _FAR = 1e-290, 38.0
# Grade units, instead of an open end.
_NO_END = 1e9
_ROOT_2PI = np.sqrt(2.0 * np.pi)
# A grade leaves at least this share of the variance of what it says most of, and takes at least
# a trace of it.
_MOST_KNOWN, _LEAST_KNOWN = 1e-6, 1e-12


@dataclass(frozen=True)
class Belief:
    """Gaussian belief in field and batch effects behind some rows: arrays of one shape."""

    field: Array
    batch: Array
    field_variance: Array
    covariance: Array
    batch_variance: Array

    def columns(self, which: Bools) -> Belief:
        """Return some of the last axis."""
        return Belief(*(x[..., which] for x in vars(self).values()))

    def rows(self, which: Bools) -> Belief:
        """Return some of the first axis."""
        return Belief(*(x[which] for x in vars(self).values()))


@dataclass(frozen=True)
class Wrong:
    """Grades that may be wrong, of a shape that broadcasts to the rows'.

    ``share`` that are wrong, and ``floor``: that share over the number of grades, any of which a
    wrong one may be.
    """

    share: Array = field(default_factory=lambda: np.zeros(()))
    floor: Array = field(default_factory=lambda: np.zeros(()))


NEVER_WRONG = Wrong()


@dataclass(frozen=True)
class Tilted:
    """What grades make of beliefs, arrays of one shape.

    log_z: log probability of the grade; gradient of it in the means of field and batch effects;
    loading: the direction (field, batch) the grade says most of, so long that a Gaussian term
    exp(-(loading . x)^2 / 2) leaves as much variance along it; resolved: whether the sums resolve
    the integrand.
    """

    log_z: Array
    field_gradient: Array
    batch_gradient: Array
    field_loading: Array
    batch_loading: Array
    resolved: Bools


def tilted_of(parts: Sequence[tuple[Bools, Tilted]], shape: tuple[int, ...]) -> Tilted:
    """Return one of the given shape from parts of its last axis, each with its columns."""
    empty = [np.empty(shape) for _ in range(5)]
    out = Tilted(empty[0], empty[1], empty[2], empty[3], empty[4], np.ones(shape, dtype=bool))
    for columns, part in parts:
        for name, values in vars(part).items():
            getattr(out, name)[..., columns] = values
    return out


def interval_tilted(
    belief: Belief, lower: Array, upper: Array, noise: Array, wrong: Wrong = NEVER_WRONG
) -> Tilted:
    """Return the tilted belief without a ceiling: closed forms of field plus batch effect."""
    variance = belief.field_variance + 2.0 * belief.covariance + belief.batch_variance
    log_z, first, second = interval_moments(
        belief.field + belief.batch, variance, lower, upper, noise
    )
    if wrong.share.any():
        # A mixture: value and derivatives of the chance itself add up, those of its log do not.
        right = (1.0 - wrong.share) * np.exp(log_z)
        total = right + wrong.floor
        bend = (second + first**2) * right / total
        log_z, first = np.log(total), first * right / total
        second = bend - first**2
    known = np.clip(-second * variance, _LEAST_KNOWN, 1.0 - _MOST_KNOWN)
    loading = np.sqrt(known / (1.0 - known) / variance)
    return Tilted(log_z, first, first, loading, loading, np.ones(log_z.shape, dtype=bool))


def measured_tilted(belief: Belief, value: Array, noise: Array) -> Tilted:
    """Return the tilted belief of measurements: Gaussian, the loading is that of the noise."""
    variance = belief.field_variance + 2.0 * belief.covariance + belief.batch_variance + noise**2
    gap = value - belief.field - belief.batch
    log_z = -0.5 * (gap**2 / variance + np.log(2.0 * np.pi * variance))
    first, loading = gap / variance, 1.0 / noise
    return Tilted(log_z, first, first, loading, loading, np.ones(gap.shape, dtype=bool))


def capped_tilted(
    belief: Belief,
    lower: Array,
    upper: Array,
    noise: Array,
    ceiling: Array,
    wrong: Wrong = NEVER_WRONG,
) -> Tilted:
    """Return the tilted belief for P(lower < quality(f) + b + e <= upper) under a finite ceiling.

    e ~ N(0, noise^2).  METHODS.md, equations (8), (14) and (15).
    """
    sd = np.sqrt(belief.field_variance)
    follows = belief.covariance / belief.field_variance
    own = np.maximum(belief.batch_variance - follows * belief.covariance, 0.0)
    blur = np.sqrt(noise**2 + own)
    ends = lower - belief.batch, upper - belief.batch
    edges, resolved = _pieces(belief.field, sd, *ends, blur, ceiling, reach=not wrong.share.any())
    # Nodes before rows: sums over nodes, and what a row has of its own, go over neighbours.
    half = 0.5 * np.diff(edges, axis=0)[:, None]
    nodes, weights = (x.reshape(-1, *[1] * sd.ndim) for x in (_NODES, _WEIGHTS))
    weight = (half * weights).reshape(-1, *sd.shape)
    at = ((edges[:-1, None] + half) + half * nodes).reshape(weight.shape)
    square = at * at
    nearest = square.min(axis=0)
    square -= nearest
    square *= -0.5
    weight *= np.exp(square, out=square)
    above = at * (sd / SOFTNESS) + (belief.field - ceiling) / SOFTNESS
    # Softplus of -above, without overflow.
    short = np.log1p(np.exp(-np.abs(above)))
    short -= np.minimum(above, 0.0)
    seen = at * (follows * sd)
    short *= SOFTNESS
    seen -= short
    seen += ceiling
    chance, slope, bend = _between(seen, *ends, blur)
    if wrong.share.any():
        right = 1.0 - wrong.share
        chance *= right
        chance += wrong.floor
        slope *= right
        bend *= right
    chance *= weight
    total = chance.sum(axis=0)
    middle = np.einsum("q...,q...->...", chance, at) / total
    about = np.subtract(at, middle, out=at)
    slope *= weight
    bend *= weight
    # Moments of t and r given the grade; r comes in by the derivatives of the chance (Stein).
    chance *= about
    of_t = np.einsum("q...,q...->...", chance, about) / total
    gained = slope.sum(axis=0) / total
    together = np.einsum("q...,q...->...", slope, about) / total
    of_r = 1.0 + own * (bend.sum(axis=0) / total - gained**2)
    loading = _sharpest(of_t, together, np.maximum(of_r, _MOST_KNOWN), np.sqrt(own))
    # A grade farther off than the Gaussian's ends lies where the pieces are too long.
    resolved &= np.abs(middle) <= _TAIL
    return Tilted(
        np.log(total) - 0.5 * nearest - np.log(_ROOT_2PI),
        middle / sd - follows * gained,
        gained,
        loading[0] / sd - follows * loading[1],
        loading[1],
        resolved,
    )


def _sharpest(of_t: Array, together: Array, of_r: Array, own_sd: Array) -> tuple[Array, Array]:
    """Return the loading with the least variance left: that of t, and that of r over ``own_sd``.

    of_t, of_r: variances; own_sd * together: covariance of the two.
    """
    across = own_sd * together
    least = 0.5 * (of_t + of_r) - np.hypot(0.5 * (of_t - of_r), across)
    by_t = of_r >= of_t
    t = np.where(by_t, of_r - least, -across)
    r_per_sd = np.where(by_t, -together, (of_t - least) / np.maximum(own_sd, _LEAST_KNOWN))
    length = np.hypot(t, own_sd * r_per_sd)
    # Where both are alike any direction will do.
    t, length = np.where(length > 0.0, t, 1.0), np.where(length > 0.0, length, 1.0)
    size = np.sqrt(1.0 / np.clip(least, _MOST_KNOWN, 1.0 - _LEAST_KNOWN) - 1.0) / length
    return size * t, size * r_per_sd


def _between(seen: Array, lower: Array, upper: Array, noise: Array) -> tuple[Array, Array, Array]:
    """Return P(lower < q + e <= upper) at qualities ``seen`` (Q, ...), and two derivatives.

    e ~ N(0, noise^2); never zero.  Rows that all have the same open end take half the time.
    """
    if np.isneginf(lower).all() or np.isposinf(upper).all():
        sign = -1.0 if np.isneginf(lower).all() else 1.0
        end = upper if np.isneginf(lower).all() else lower
        over = seen - end
        over *= sign / noise
        chance = np.maximum(ndtr(np.maximum(over, -_FAR)), _LEAST)
        slope = over * over
        slope *= -0.5
        np.exp(slope, out=slope)
        slope *= sign / (noise * _ROOT_2PI)
        over *= slope
        over *= -sign / noise
        return chance, slope, over
    # An open end has no density, and infinity times none would be no number.
    low = (np.maximum(lower, -_NO_END) - seen) / noise
    high = (np.minimum(upper, _NO_END) - seen) / noise
    # Both ends right of zero: mirror, so that the difference is taken in the left tail.
    flip = 1.0 - 2.0 * (low > 0.0)
    chance = np.maximum(np.abs(ndtr(flip * high) - ndtr(flip * low)), _LEAST)
    at_low, at_high = np.exp(-0.5 * low * low), np.exp(-0.5 * high * high)
    bend = low * at_low - high * at_high
    return chance, (at_low - at_high) / (noise * _ROOT_2PI), bend / (noise**2 * _ROOT_2PI)


def _pieces(
    mean: Array,
    sd: Array,
    lower: Array,
    upper: Array,
    noise: Array,
    ceiling: Array,
    reach: bool,
) -> tuple[Array, Bools]:
    """Return ends (6, ...) of five pieces of the field in standard units, and whether (...) fine.

    Fine: the pieces beside a threshold are short enough for their nodes.

    Cut where the quality comes near the first threshold, lies between the two (at the threshold
    where there is one), and is well past the last; at the mean; and at the ends, which with
    ``reach`` lie as far beyond a surprising grade as beyond the mean.  A grade that may be wrong
    moves nothing so far.
    """
    open_low, open_high = np.isneginf(lower), np.isposinf(upper)
    first = np.where(open_low, np.where(open_high, 0.0, upper), lower)
    last = np.where(open_high, first, upper)
    wanted = np.stack([first - _THRESHOLD * noise, 0.5 * (first + last), last + _THRESHOLD * noise])
    near = (_field_of(wanted, ceiling) - mean) / sd
    # A grade so far off moves a Gaussian by this much where quality is linear (in sd).
    pull = sd / (sd**2 + noise**2)
    too_good = np.where(open_high, 0.0, mean - _field_of(upper, ceiling))
    too_bad = np.where(open_low, 0.0, _field_of(lower, ceiling) - mean)
    bottom = -np.hypot(reach * pull * np.maximum(too_good, 0.0), _TAIL)
    top = np.hypot(reach * pull * np.maximum(too_bad, 0.0), _TAIL)
    cuts = np.clip(near, bottom, top)
    longest = np.diff(np.minimum(wanted, ceiling), axis=0).max(axis=0) / noise
    ends = np.stack([bottom, *cuts, np.zeros_like(bottom), top])
    return np.sort(ends, axis=0), np.asarray(longest <= _LONGEST)


def _field_of(wanted: Array, ceiling: Array) -> Array:
    """Return the field of quality ``wanted``, at most ``_TOP`` softnesses above the ceiling."""
    short = np.maximum((ceiling - wanted) / SOFTNESS, np.log1p(np.exp(-_TOP)))
    return np.asarray(ceiling - SOFTNESS * (short + np.log(-np.expm1(-short))))
