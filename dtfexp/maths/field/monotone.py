"""One quality judged again after more washes: it does not rise.

Grades of a wash series are fields of their own, tied together by their correlation.  That a later
one lies at or below an earlier one is told to the field as if it had been seen, once at every
place that was pressed: the difference of the two fields there is above zero, up to a small
softness.  Where nothing was pressed the later field is held to the earlier one when it is read.
Source: Riihimaki & Vehtari 2010, Gaussian processes with monotonicity information, Proc. AISTATS,
PMLR 9:645 (there for derivatives, with the same soft step; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# (earlier, later, least): outcome numbers, and what the earlier field must be above the later one
# at least, in grade units; more than zero where the later one is accepted at a better grade.
WashOrder = tuple[tuple[int, int, float], ...]

# Softness of the step in grade units, small against a grade.
STEP_SCALE = 0.05


def monotone_fields(fields: Array, wash_order: WashOrder) -> Array:
    """Fields (..., O) with every later wash held to the earlier ones of its series.

    METHODS.md, equation (11).
    """
    if not wash_order:
        return fields
    out = fields.copy()
    for earlier, later, least in wash_order:
        out[..., later] = np.minimum(out[..., later], out[..., earlier] - least)
    return out
