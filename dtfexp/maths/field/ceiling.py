"""A print can only be so good: what the latent field is worth as quality.

The field itself has no upper end, but a perfect print gains nothing from settings that are better
still.  Quality follows the field well below the ceiling and flattens out just under it,

    quality = ceiling - SOFTNESS log(1 + exp((ceiling - field) / SOFTNESS)),

so that a wide flat top with steep sides, which is what under- and over-doing make of a good bench,
is a plain dome in the field.  Grades and pass rates read the quality.  An infinite ceiling (a
measured outcome) leaves the field as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Grade units over which the top rounds off; chosen on simulated benches, no published source.
SOFTNESS = 0.4

# Gauss-Legendre nodes of each of the five pieces into which an integral is cut.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
# Widths of the noise on each side of a threshold, and of the Gaussian, that are integrated.
_THRESHOLD, _TAIL = 4.5, 5.5
# Longest piece beside a threshold, in widths of the noise, that the nodes resolve.
_LONGEST = 10.0
# So many SOFTNESS above the ceiling the field is taken to be on the flat top.
_TOP = 4.0
_LEAST, _FAR = 1e-290, 38.0


def quality(latent: Array, ceiling: Array) -> Array:
    """Quality in grade units; ``ceiling`` broadcasts to ``latent``, infinite: no ceiling."""
    capped = np.isfinite(ceiling)
    top = np.where(capped, ceiling, 0.0)
    below = top - SOFTNESS * np.logaddexp(0.0, (top - latent) / SOFTNESS)
    return np.asarray(np.where(capped, below, latent))


def quality_slope(latent: Array, ceiling: Array) -> Array:
    """Slope of :func:`quality`: one well below the ceiling, zero at it."""
    with np.errstate(invalid="ignore"):
        return np.asarray(expit((ceiling - latent) / SOFTNESS))


def capped_moments(
    mean: Array, variance: Array, lower: Array, upper: Array, noise: Array, ceiling: Array
) -> tuple[Array, Array, Array, Bools]:
    """As :func:`dtfexp.maths.inference.ordinal.interval_moments`, for quality under a finite
    ceiling.

    Z = P(lower < quality(f) + e <= upper) with f ~ N(mean, variance), e ~ N(0, noise^2), by
    Gauss-Legendre sums over :func:`_pieces`, which follow thresholds, ceiling and Gaussian; the
    derivatives of log Z in ``mean`` follow from the tilted mean and variance of f (Rasmussen &
    Williams 2006, eq. 3.52-3.54 hold for any likelihood).  All arguments are of one shape; returns
    (log Z, dlogZ, d2logZ, whether the nodes resolve the integrand).
    """
    sd = np.sqrt(variance)
    edges, resolved = _pieces(mean, sd, lower, upper, noise, ceiling)
    half = 0.5 * np.diff(edges, axis=-1)
    weight = (half[..., None] * _WEIGHTS).reshape(*half.shape[:-1], -1)
    at = (edges[..., :-1] + half)[..., None] + half[..., None] * _NODES
    at = at.reshape(weight.shape)
    square = at * at
    nearest = square.min(axis=-1)
    weight *= np.exp(-0.5 * (square - nearest[..., None]))
    above = (sd / SOFTNESS)[..., None] * at + ((mean - ceiling) / SOFTNESS)[..., None]
    # Softplus of -above, without overflow.
    short = np.log1p(np.exp(-np.abs(above))) + np.maximum(-above, 0.0)
    part = weight * _between(ceiling[..., None] - SOFTNESS * short, lower, upper, noise)
    total = part.sum(axis=-1)
    part = part / total[..., None]
    middle = np.einsum("...q,...q->...", part, at)
    spread = np.einsum("...q,...q->...", part, (at - middle[..., None]) ** 2)
    # A grade farther off than the Gaussian's ends lies where the pieces are too long.
    resolved &= np.abs(middle) <= _TAIL
    log_z = np.log(total) - 0.5 * nearest - 0.5 * np.log(2.0 * np.pi)
    return log_z, middle / sd, np.minimum((spread - 1.0) / variance, -1e-12), resolved


def _between(seen: Array, lower: Array, upper: Array, noise: Array) -> Array:
    """P(lower < q + e <= upper) at qualities ``seen`` (..., Q), e ~ N(0, noise^2), never zero.
    Rows that all have the same open end take half the time."""
    if np.isneginf(lower).all() or np.isposinf(upper).all():
        sign = -1.0 if np.isneginf(lower).all() else 1.0
        end = upper if np.isneginf(lower).all() else lower
        over = (seen - end[..., None]) * (sign / noise)[..., None]
        return np.asarray(np.maximum(ndtr(np.maximum(over, -_FAR)), _LEAST))
    low = (lower[..., None] - seen) / noise[..., None]
    high = (upper[..., None] - seen) / noise[..., None]
    # Both ends right of zero: mirror, so that the difference is taken in the left tail.
    flip = np.where(low > 0, -1.0, 1.0)
    return np.asarray(np.maximum(np.abs(ndtr(flip * high) - ndtr(flip * low)), _LEAST))


def _pieces(
    mean: Array, sd: Array, lower: Array, upper: Array, noise: Array, ceiling: Array
) -> tuple[Array, Bools]:
    """Ends (..., 6) of five pieces of the field, in its standard units, and whether those beside a
    threshold are short enough (...) for their nodes.

    Cut where the quality comes near the first threshold, lies between the two (at the threshold
    where there is one), and is well past the last; at the mean; and at the ends, which reach as far
    beyond a surprising grade as beyond the mean.
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
    bottom = -np.hypot(pull * np.maximum(too_good, 0.0), _TAIL)
    top = np.hypot(pull * np.maximum(too_bad, 0.0), _TAIL)
    cuts = np.clip(near, bottom, top)
    longest = np.diff(np.minimum(wanted, ceiling), axis=0).max(axis=0) / noise
    ends = np.stack([bottom, *cuts, np.zeros_like(bottom), top], axis=-1)
    return np.sort(ends, axis=-1), np.asarray(longest <= _LONGEST)


def _field_of(wanted: Array, ceiling: Array) -> Array:
    """The field whose quality is ``wanted``, at most ``_TOP`` softnesses above the ceiling."""
    short = np.maximum((ceiling - wanted) / SOFTNESS, np.log1p(np.exp(-_TOP)))
    return np.asarray(ceiling - SOFTNESS * (short + np.log(-np.expm1(-short))))
