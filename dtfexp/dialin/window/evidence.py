"""Which presses lie inside a box of settings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.session import Session


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
