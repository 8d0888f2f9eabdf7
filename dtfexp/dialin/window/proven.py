"""The proven part of a window."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.pass_map import pass_map
from dtfexp.dialin.window.window_box import PARTS, MappedBox, box_in

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel


CORE_CONFIDENCE = 0.90
# Set-points of the window at which the probability is computed.
CORE_BUDGET = 1_000


def proven_core(
    fit: FittedModel, fabric: str, found: MappedBox, target: Mapping[str, Any], pass_rate: float
) -> MappedBox | None:
    """Return the proven part of a window, around the target if possible; or None.

    The largest part where the true pass rate reaches ``pass_rate`` with 90 % posterior probability
    at every set-point. METHODS.md, section 8.
    """
    demand = Demand(pass_rate, CORE_CONFIDENCE)
    around, factors = found.mapped.grid, found.mapped.grid.factors
    within = {
        f.name: (float(a), float(b)) for f, a, b in zip(factors, found.low, found.high, strict=True)
    }
    grid = grids.grid(fit.session, fabric, around.words, CORE_BUDGET, within, PARTS)
    mapped = pass_map(fit, fabric, grid, demand)[0]
    here = [np.array([grids.as_axis(f, target[f.name])]) if f.is_numeric else None for f in factors]
    for holding in (here, [None] * len(factors)):
        core = box_in(fit, fabric, mapped, demand, holding, {}, mapped)
        if core is not None:
            return core
    return None
