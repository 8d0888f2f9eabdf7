"""Monotonicity of a quality in the number of washes.

The grades of a wash series are correlated fields. At each point pressed it counts as seen that the
later field is no higher than the earlier one, up to a soft step. Elsewhere the later field is cut
off at the earlier one when it is read. Source: Riihimaki & Vehtari 2010, Gaussian processes with
monotonicity information, Proc. AISTATS, PMLR 9:645 (there for derivatives, with the same soft step;
from memory).
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
