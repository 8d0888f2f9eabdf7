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
from scipy.special import expit

Array = NDArray[np.float64]

# Grade units over which the top rounds off; chosen on simulated benches, no published source.
SOFTNESS = 0.4


def quality(latent: Array, ceiling: Array) -> Array:
    """Quality in grade units; ``ceiling`` broadcasts to ``latent``, infinite: no ceiling.

    METHODS.md, equation (7).
    """
    capped = np.isfinite(ceiling)
    if not capped.any():
        return latent
    top = np.where(capped, ceiling, 0.0)
    short = (top - latent) / SOFTNESS
    # Softplus without overflow, in less than half the time of ``logaddexp``.
    below = top - SOFTNESS * (np.log1p(np.exp(-np.abs(short))) + np.maximum(short, 0.0))
    return np.asarray(below if capped.all() else np.where(capped, below, latent))


def quality_slope(latent: Array, ceiling: Array) -> Array:
    """Slope of :func:`quality`: one well below the ceiling, zero at it."""
    with np.errstate(invalid="ignore"):
        return np.asarray(expit((ceiling - latent) / SOFTNESS))
