"""The simultaneous confidence of a window, not of each set-point alone.

Each set-point of a window keeps the pass rate with the stated confidence; that *all* of them do is
less probable. It is estimated from posterior surfaces over the whole box, corners included.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dtfexp.dialin.model.posterior_surfaces import pass_rate_surfaces

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel
    from dtfexp.dialin.window.window import Window

_MOST_SPOTS = 768
# Standard error of the share of 256 draws: 0.03.
_DRAWS = 256


def simultaneous_confidence(fit: FittedModel, window: Window) -> float:
    """See :meth:`dtfexp.dialin.fit.Fit.whole_confidence`. METHODS.md, section 8."""
    if not window.found or window.low is None or window.high is None:
        return 0.0
    spots = _box_points(fit, window)
    rates = pass_rate_surfaces(fit, spots, window.fabric, _DRAWS)
    # Posterior mean with a uniform prior: few draws never prove 0 or 1.
    kept = int((rates.min(axis=1) >= window.required).sum())
    return (kept + 1.0) / (len(rates) + 2.0)


def _box_points(fit: FittedModel, window: Window) -> pd.DataFrame:
    """Return corners, centres of edges and faces, and the centre of the box; corners if many."""
    low, high = window.low or {}, window.high or {}
    ranged = [f for f in fit.session.factors if f.is_numeric and low[f.name] < high[f.name]]
    steps = 3 if 3 ** len(ranged) <= _MOST_SPOTS else 2
    axes = [np.linspace(low[f.name], high[f.name], steps) for f in ranged]
    rows = [
        window.target | low | dict(zip([f.name for f in ranged], values, strict=True))
        for values in product(*axes)
    ]
    return pd.DataFrame([*rows, window.target])[[f.name for f in fit.session.factors]]
