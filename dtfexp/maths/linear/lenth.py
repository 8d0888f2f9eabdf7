"""Effects of a plan without a press to spare: which of them stand out from all the others.

Most of many effects are small, so the small ones say how much chance alone makes of an effect
(Lenth 1989, Technometrics 31:469).  Half-normal quantiles: Daniel 1959, Technometrics 1:311.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

Array = NDArray[np.float64]


def pseudo_error(effects: Array) -> float:
    """Lenth's pseudo standard error of effects (m,) that are known equally well."""
    size = np.abs(effects)
    first = 1.5 * float(np.median(size))
    return 1.5 * float(np.median(size[size < 2.5 * first])) if first > 0 else 0.0


def margin(effects: Array, level: float = 0.95) -> float:
    """Lenth's margin of error: an effect beyond it stands out from the ``effects`` (m,)."""
    quantile = float(stdtrit(len(effects) / 3.0, 0.5 + 0.5 * level))
    return quantile * pseudo_error(effects)


def half_normal(count: int) -> Array:
    """Where so many effects of no size would lie, smallest first, in their own sd, (count,)."""
    return np.asarray(ndtri(0.5 + 0.5 * (np.arange(1, count + 1) - 0.5) / count))
