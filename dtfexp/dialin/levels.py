"""Coded levels (-1, 0, +1, or any number) to settings around what the shop runs today."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.coding import is_logarithmic

Array = NDArray[np.float64]


def settings_from_codes(session: Session, fabric: str, codes: Array, reach: float) -> pd.DataFrame:
    """Codes (n, factors) as settings of one fabric: code 1 is ``reach`` of the half-range away.

    Everything lies on the bench's steps, inside the range and below the fabric's heat limit; a
    fabric that cannot take the usual press temperature has its centre moved down, not cut off.
    """
    columns: dict[str, Any] = {}
    for i, factor in enumerate(session.factors):
        allowed = session.allowed(factor, fabric)
        if factor.is_numeric:
            columns[factor.name] = _numbers(factor, np.array(allowed), codes[:, i], reach)
        else:
            columns[factor.name] = _words(factor, codes[:, i])
    return pd.DataFrame(columns)


def centre_of(factor: Factor, allowed: Array, reach: float) -> float:
    """The middle of the plan: the usual setting, moved in from limits so that both sides fit."""
    low, high = factor.bounds
    away = reach * 0.5 * (high - low)
    usual = float(factor.usual)
    top = float(allowed[-1])
    # A heat limit or a usual setting at the end of the range would leave one side unpressed.
    centre = min(usual, top - away) if usual + away > top else usual
    return float(np.clip(max(centre, low + away), low, top))


def _numbers(factor: Factor, allowed: Array, code: Array, reach: float) -> Array:
    low, high = factor.bounds
    centre = centre_of(factor, allowed, reach)
    if is_logarithmic(factor):
        wanted = centre * np.exp(code * reach * 0.5 * np.log(high / low))
    else:
        wanted = centre + code * reach * 0.5 * (high - low)
    index = np.array([int(np.argmin(np.abs(allowed - w))) for w in wanted])
    middle = int(np.argmin(np.abs(allowed - centre)))
    # A coarse step must not fold two levels into one.
    index = np.where((code > 0) & (index == middle), middle + 1, index)
    index = np.where((code < 0) & (index == middle), middle - 1, index)
    return np.asarray(allowed[np.clip(index, 0, len(allowed) - 1)], dtype=float)


def _words(factor: Factor, code: Array) -> list[str]:
    """Usual word at code 0 and below; the other words in turn above it.  Ordered: neighbours."""
    usual = factor.levels.index(str(factor.usual))
    if factor.ordered:
        place = np.clip(usual + np.sign(code).astype(int), 0, len(factor.levels) - 1)
        return [factor.levels[int(k)] for k in place]
    others = [w for k, w in enumerate(factor.levels) if k != usual]
    out, turn = [], 0
    for value in code:
        if value > 0:
            out.append(others[turn % len(others)])
            turn += 1
        else:
            out.append(factor.levels[usual])
    return out
