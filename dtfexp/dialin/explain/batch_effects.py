"""Batch effects of single oven loads, press rounds and blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.maths.prediction.batch_posterior import (
    BatchKind,
    batch_effect_posterior,
    mixture_quantile,
)

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

COLUMNS = ("kind", "number", "presses", "effect", "low", "high", "stands_out")
_KINDS: tuple[tuple[str, str, BatchKind], ...] = (
    ("oven load", "oven_load", "load"),
    ("press round", "press_round", "round"),
    ("block", "block", "block"),
)


def batch_effects(fit: FittedModel) -> pd.DataFrame:
    """Return the batch effect of each oven load, press round and block with graded presses.

    Columns: ``kind``, ``number`` (as in the results), ``presses``, ``effect`` (grades, mean
    over the outcomes; above 0 is better than the settings explain), ``low``, ``high`` (90 %
    posterior bounds), ``stands_out`` (the bounds exclude 0).
    """
    used = fit.results[~excluded_rows(fit.results)]
    graded = used[[o.name for o in fit.coding.outcomes]].notna().any(axis=1).to_numpy()
    rows: list[dict[str, Any]] = []
    for kind, column, key in _KINDS:
        if column not in used:
            continue
        codes, told = pd.factorize(used[column].replace("", None), sort=True)
        seen = [k for k in range(len(told)) if (graded & (codes == k)).any()]
        if not seen:
            continue
        mean, sd = batch_effect_posterior(fit.posterior, key, np.array(seen))
        weight = fit.posterior.weight
        low, high = (mixture_quantile(mean, sd, weight, q) for q in (0.05, 0.95))
        for i, k in enumerate(seen):
            rows.append(
                {
                    "kind": kind,
                    "number": told[k],
                    "presses": int((graded & (codes == k)).sum()),
                    "effect": float(weight @ mean[:, i]),
                    "low": float(low[i]),
                    "high": float(high[i]),
                    "stands_out": bool(low[i] > 0 or high[i] < 0),
                }
            )
    return pd.DataFrame(rows, columns=list(COLUMNS))
