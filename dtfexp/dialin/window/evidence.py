"""The presses behind a window."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import excluded_rows

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel


def graded_presses(fit: FittedModel, fabric: str) -> pd.DataFrame:
    """Return the rows of a fabric with at least one grade that are not excluded."""
    used = fit.results[~excluded_rows(fit.results)]
    graded = used[[o.name for o in fit.coding.outcomes]].notna().any(axis=1)
    return used[graded & (used["fabric"] == fabric)]


def within(
    session: Session, rows: pd.DataFrame, low: Mapping[str, Any], high: Mapping[str, Any]
) -> NDArray[np.bool_]:
    """Return which rows were set inside a box, its edges included."""
    inside = np.ones(len(rows), dtype=bool)
    for factor in session.factors:
        a, b = low[factor.name], high[factor.name]
        column = rows[factor.name]
        if factor.is_numeric:
            values = column.astype(float).to_numpy()
            inside &= (values >= float(a) - 1e-9) & (values <= float(b) + 1e-9)
        else:
            inside &= column.isin(words_between(factor.levels, a, b)).to_numpy()
    return inside


def words_between(levels: tuple[str, ...], low: Any, high: Any) -> tuple[str, ...]:
    """Return the words of an ordered factor from low to high; one word when both are the same."""
    return levels[levels.index(low) : levels.index(high) + 1]


def presses_at(fit: FittedModel, fabric: str, target: Mapping[str, Any]) -> int:
    """Return the number of graded presses of a fabric at a set-point."""
    return int(within(fit.session, graded_presses(fit, fabric), target, target).sum())
