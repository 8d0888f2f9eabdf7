"""Monotonicity of a quality in the number of washes.

Grades of a wash series are correlated fields. That a later one is at or below an earlier one is an
observation at every point pressed: the difference of the two fields there is above zero, up to a
small softness. Elsewhere the later field is capped by the earlier one at evaluation. Source:
Riihimaki & Vehtari 2010, Gaussian processes with monotonicity information, Proc. AISTATS, PMLR
9:645 (there for derivatives, with the same soft step; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# (earlier, later, least): outcome numbers, and the least excess of the earlier field over the later
# one, in grade units; more than zero where the later one is accepted at a better grade.
WashOrder = tuple[tuple[int, int, float], ...]

# Softness of the step in grade units, small against a grade.
STEP_SCALE = 0.05


def monotone_fields(fields: Array, wash_order: WashOrder) -> Array:
    """Return fields (..., O) with every later wash capped by the earlier ones of its series.

    METHODS.md, equation (11).
    """
    if not wash_order:
        return fields
    out = fields.copy()
    for earlier, later, least in wash_order:
        out[..., later] = np.minimum(out[..., later], out[..., earlier] - least)
    return out
