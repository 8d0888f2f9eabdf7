"""Lines and planes of set-points through one set-point, for curves and maps."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

CURVE_POINTS = 41
MAP_POINTS = 21
MOST_MAPS = 3


def axis_values(session: Session, factor: Factor, fabric: str, points: int) -> NDArray[Any]:
    """Return values of one factor over its allowed range; words as they are.

    The ends are exact; between them the values are evenly spaced, not on the dial's steps.
    """
    allowed = session.allowed(factor, fabric)
    if not factor.is_numeric:
        return np.array(allowed, dtype=object)
    return np.linspace(allowed[0], allowed[-1], points)


def curve_settings(
    session: Session, fabric: str, factor: str, at: Mapping[str, Any]
) -> pd.DataFrame:
    """Return one factor through its range, the others as in ``at``; a column per factor."""
    values = axis_values(session, session.factor(factor), fabric, CURVE_POINTS)
    return _columns(session, at, len(values), {factor: values})


def map_settings(
    session: Session, fabric: str, x: str, y: str, at: Mapping[str, Any]
) -> pd.DataFrame:
    """Return two numeric factors over their ranges, the others as in ``at``; x runs fastest."""
    across = axis_values(session, session.factor(x), fabric, MAP_POINTS)
    up = axis_values(session, session.factor(y), fabric, MAP_POINTS)
    mesh_x, mesh_y = np.meshgrid(across, up)
    return _columns(session, at, mesh_x.size, {x: mesh_x.ravel(), y: mesh_y.ravel()})


def _columns(
    session: Session, at: Mapping[str, Any], rows: int, moving: Mapping[str, NDArray[Any]]
) -> pd.DataFrame:
    columns: dict[str, Any] = {}
    for factor in session.factors:
        if factor.name in moving:
            columns[factor.name] = moving[factor.name]
        else:
            kind = float if factor.is_numeric else object
            columns[factor.name] = np.full(rows, at[factor.name], dtype=kind)
    return pd.DataFrame(columns)


def range_effect(rates: pd.DataFrame) -> float:
    """Return the change of the pass rate over the range of one setting (a share, 0 to 1)."""
    return float(rates["pass_rate"].max() - rates["pass_rate"].min()) if len(rates) else 0.0


def pairs_worth_a_map(
    session: Session, sways: Mapping[str, float], most: int = MOST_MAPS
) -> list[tuple[str, str]]:
    """Return at most ``most`` pairs of numeric factors to map, in the order of the session.

    Settings of one stage trade off against each other (a hotter cure may be shorter), so these
    pairs go first; then the pairs with the largest effects.
    """
    numeric = [factor for factor in session.factors if factor.is_numeric]
    pairs = list(combinations(numeric, 2))

    def worth(pair: tuple[Factor, Factor]) -> float:
        first, second = pair
        together = 1.0 if first.stage == second.stage else 0.0
        return together + sways[first.name] * sways[second.name]

    kept = sorted(pairs, key=worth, reverse=True)[:most]
    return [(first.name, second.name) for first, second in pairs if (first, second) in kept]


def close_to(
    session: Session, results: pd.DataFrame, at: Mapping[str, Any], moving: tuple[str, ...]
) -> NDArray[np.bool_]:
    """Return which presses lie close to the line or plane.

    Close: the fixed settings are within twice their spread or an eighth of their range of ``at``,
    and the words are the same.
    """
    close = np.ones(len(results), dtype=bool)
    for factor in session.factors:
        if factor.name in moving:
            continue
        column = results[factor.name]
        if factor.is_numeric:
            low, high = factor.bounds
            reach = max(2 * factor.spread, (high - low) / 8)
            away = (column.astype(float) - float(at[factor.name])).abs().to_numpy()
            close &= away <= reach + 1e-9
        else:
            close &= (column == at[factor.name]).to_numpy()
    return close
