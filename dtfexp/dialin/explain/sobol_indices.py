"""Sobol indices: the share of each setting in the variation of the pass rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dtfexp.dialin.model.posterior_surfaces import pass_rate_surfaces, settings_at_unit_points
from dtfexp.maths.prediction.sobol import PickFreeze

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.model.fitted import FittedModel

COLUMNS = ("alone", "alone_low", "alone_high", "in_all", "in_all_low", "in_all_high")
_BASE_SAMPLES = 512


def sobol_indices(fit: FittedModel, fabric: str | Fabric) -> pd.DataFrame:
    """Return the share of each setting in the variation of the pass rate over the range.

    One row per setting (the index), the largest first. ``alone`` and ``in_all``: first-order
    and total Sobol indices; ``_low`` and ``_high``: 90 % posterior bounds. All between 0 and 1,
    and 0 where the pass rate does not vary. Deterministic; kept with the fit.
    METHODS.md, section 14.
    """
    name = fit.session.fabric(fabric).name
    if name not in fit._shares:
        fit._shares[name] = _sobol_indices(fit, name)
    return fit._shares[name].copy()


def _sobol_indices(fit: FittedModel, fabric: str) -> pd.DataFrame:
    d = len(fit.session.factors)
    design = PickFreeze.of(_BASE_SAMPLES, d)
    settings = settings_at_unit_points(fit, fabric, design.all_points())
    alone, in_all = design.indices(pass_rate_surfaces(fit, settings, fabric))
    columns = {}
    for name, found in (("alone", alone), ("in_all", in_all)):
        columns[name] = found.mean(axis=0)
        columns[f"{name}_low"] = np.minimum(np.quantile(found, 0.05, axis=0), columns[name])
        columns[f"{name}_high"] = np.maximum(np.quantile(found, 0.95, axis=0), columns[name])
    index = pd.Index([f.name for f in fit.session.factors], name="setting")
    table = pd.DataFrame(columns, columns=list(COLUMNS), index=index)
    return table.sort_values("in_all", ascending=False, kind="stable")
