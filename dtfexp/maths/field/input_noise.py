"""The effect of the machine spread on a print: mean loss of quality, and scatter by press.

Each setting moves the field by the effect of one sd of its spread; the settings' deviations are
independent, so their cumulants add up. The quality follows from three values of the field with the
same first four moments, which capture curvature (the ceiling) and skewness (a cold corner); a slope
alone would capture neither. Source: three-point rule by matching moments (Rosenblueth 1975, Proc.
Natl. Acad. Sci. 72:3812, two and three points; from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: The last axis of input-noise moments (..., O, 3 + O); the rest are correlations.
VARIANCE, SKEWNESS, KURTOSIS, CORRELATION = 0, 1, 2, 3
_NEGLIGIBLE = 1e-12


def input_noise_moments(effects: Array, lean: Array, peak: Array) -> Array:
    """Return the input-noise moments (n, O, 3 + O) of the field.

    Variance, skewness, kurtosis, and the correlation with every outcome, from ``effects`` (n, d, O)
    of one sd of each setting; ``lean``, ``peak`` (n, d): skewness and kurtosis of each setting's
    spread. METHODS.md, equation (19).
    """
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
    """Return the mean loss of quality at fields ``middle`` (..., O), and its variance by press.

    ``quality`` maps fields to quality; the moments (..., O, 3 + O) are those of
    :func:`input_noise_moments`. METHODS.md, equation (20).
    """
    sd = np.sqrt(input_noise[..., VARIANCE])
    skew = input_noise[..., SKEWNESS]
    # No distribution has less kurtosis than this.
    kurtosis = np.maximum(input_noise[..., KURTOSIS], 1.0 + skew**2)
    half = np.sqrt(kurtosis - 0.75 * skew**2)
    above, below = 0.5 * skew + half, 0.5 * skew - half
    share_above, share_below = 0.5 / (above * half), -0.5 / (below * half)
    here = quality(middle)
    # Changes from the quality at the mean: without input noise the loss is exactly zero.
    more, less = quality(middle + sd * above) - here, quality(middle + sd * below) - here
    mean = share_above * more + share_below * less
    square = share_above * more**2 + share_below * less**2
    return -mean, np.maximum(square - mean**2, 0.0)
