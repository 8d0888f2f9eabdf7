"""Coded levels (-1, 0, +1, or any number) to settings around what the shop runs today."""

from __future__ import annotations

from collections.abc import Callable
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
    scale, back = _scale(factor)
    low, high = scale(factor.bounds[0]), scale(factor.bounds[1])
    away = reach * 0.5 * (high - low)
    # A heat limit or a usual setting at the end of the range would leave one side unpressed.
    centre = min(scale(float(factor.usual)), scale(float(allowed[-1])) - away)
    return float(back(max(centre, low + away)))


def _scale(factor: Factor) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """To the scale on which levels lie evenly, and back: logarithms for times."""
    if is_logarithmic(factor):
        return lambda x: float(np.log(x)), lambda x: float(np.exp(x))
    return float, float


def _numbers(factor: Factor, allowed: Array, code: Array, reach: float) -> Array:
    scale, back = _scale(factor)
    centre = centre_of(factor, allowed, reach)
    half = 0.5 * (scale(factor.bounds[1]) - scale(factor.bounds[0]))
    wanted = [back(scale(centre) + c * reach * half) for c in code]
    index = np.array([int(np.argmin(np.abs(allowed - w))) for w in wanted], dtype=int)
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
