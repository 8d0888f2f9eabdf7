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

# Grade units over which the top rounds off; chosen on simulated benches, no published source.
SOFTNESS = 0.4

# The trapezoidal rule on a smooth, quickly falling function: error falls faster than any power of
# the spacing (Trefethen & Weideman 2014, SIAM Review 56:385).
_AT = np.linspace(-5.5, 5.5, 41)
_WEIGHT = np.exp(-0.5 * _AT**2) / np.exp(-0.5 * _AT**2).sum()
_LEAST = 1e-290


def quality(latent: Array, ceiling: Array) -> Array:
    """Quality in grade units; ``ceiling`` broadcasts to ``latent``, infinite: no ceiling."""
    capped = np.isfinite(ceiling)
    top = np.where(capped, ceiling, 0.0)
    below = top - SOFTNESS * np.logaddexp(0.0, (top - latent) / SOFTNESS)
    return np.asarray(np.where(capped, below, latent))


def steepness(latent: Array, ceiling: Array) -> Array:
    """Slope of :func:`quality`: one well below the ceiling, zero at it."""
    with np.errstate(invalid="ignore"):
        return np.asarray(expit((ceiling - latent) / SOFTNESS))


def capped_moments(
    mean: Array, variance: Array, lower: Array, upper: Array, noise: Array, ceiling: Array
) -> tuple[Array, Array, Array]:
    """As :func:`dtfexp.maths.ordinal.interval_moments`, for quality under a ceiling.

    Z = P(lower < quality(f) + e <= upper) with f ~ N(mean, variance), e ~ N(0, noise^2), by the
    trapezoidal rule; the derivatives of log Z in ``mean`` follow from the tilted mean and variance
    of f (Rasmussen & Williams 2006, eq. 3.52-3.54 hold for any likelihood).  All arguments are of
    one shape; returns (log Z, dlogZ, d2logZ).
    """
    sd = np.sqrt(variance)
    seen = quality(mean[..., None] + sd[..., None] * _AT, ceiling[..., None])
    low = (lower[..., None] - seen) / noise[..., None]
    high = (upper[..., None] - seen) / noise[..., None]
    # Both ends right of zero: mirror, so that the difference is taken in the left tail.
    flip = np.where(low > 0, -1.0, 1.0)
    chance = np.abs(ndtr(flip * high) - ndtr(flip * low))
    part = _WEIGHT * np.maximum(chance, _LEAST)
    total = part.sum(axis=-1)
    part = part / total[..., None]
    at = part @ _AT
    spread = (part * (_AT - at[..., None]) ** 2).sum(axis=-1)
    return np.log(total), at / sd, np.minimum((spread - 1.0) / variance, -1e-12)
