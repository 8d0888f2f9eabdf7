"""What the machine spread does to a print: quality lost on average, and scatter by press.

Every machine reaches another place at every press.  Each setting moves the field by what one sd of
its spread does there; settings wander apart, so their cumulants add up.  The quality then follows
from three places of the field with the same first four moments, which a bend (the ceiling) and a
lopsided machine (a cold corner) both show in; a slope alone would see neither.
Source: three-point rule by matching moments (Rosenblueth 1975, Proc. Natl. Acad. Sci. 72:3812, two
and three points; from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: What stands along the last axis of a wander (..., O, 3 + O); the rest are correlations.
VARIANCE, SKEWNESS, KURTOSIS, CORRELATION = 0, 1, 2, 3
_NEGLIGIBLE = 1e-12


def input_noise_moments(effects: Array, lean: Array, peak: Array) -> Array:
    """The wander (n, O, 3 + O) of the field: variance, skewness, kurtosis, and the correlation with
    every outcome, from ``gaps`` (n, d, O), what one sd of each setting does; lean, peak (n, d):
    skewness and kurtosis of each setting's spread. METHODS.md, equation (19)."""
    square = effects**2
    variance = square.sum(axis=1)
    third = (effects * square * lean[:, :, None]).sum(axis=1)
    fourth = (square**2 * (peak - 3.0)[:, :, None]).sum(axis=1)
    some = np.maximum(variance, _NEGLIGIBLE)
    skewness = np.where(variance > _NEGLIGIBLE, third / some**1.5, 0.0)
    kurtosis = np.where(variance > _NEGLIGIBLE, 3.0 + fourth / some**2, 3.0)
    sd = np.sqrt(some)
    together = np.einsum("ndo,ndp->nop", effects, effects) / (sd[:, :, None] * sd[:, None, :])
    return np.concatenate([np.stack([variance, skewness, kurtosis], axis=-1), together], axis=-1)


def quality_loss_and_variance(
    quality: Callable[[Array], Array], middle: Array, input_noise: Array
) -> tuple[Array, Array]:
    """Quality lost on average at fields ``middle`` (..., O), and its variance from press to press.

    ``quality`` turns fields into quality; wander (..., O, 3 + O) as of :func:`moments`.
    METHODS.md, equation (20).
    """
    sd = np.sqrt(input_noise[..., VARIANCE])
    skew = input_noise[..., SKEWNESS]
    # No distribution has less kurtosis than this.
    kurtosis = np.maximum(input_noise[..., KURTOSIS], 1.0 + skew**2)
    half = np.sqrt(kurtosis - 0.75 * skew**2)
    above, below = 0.5 * skew + half, 0.5 * skew - half
    share_above, share_below = 0.5 / (above * half), -0.5 / (below * half)
    here = quality(middle)
    # Changes from the quality at the middle: what does not wander loses nothing, exactly.
    more, less = quality(middle + sd * above) - here, quality(middle + sd * below) - here
    mean = share_above * more + share_below * less
    square = share_above * more**2 + share_below * less**2
    return -mean, np.maximum(square - mean**2, 0.0)
