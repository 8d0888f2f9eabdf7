"""Coded levels (-1, 0, +1, or any number) to settings around the usual ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import is_logarithmic

Array = NDArray[np.float64]


def settings_from_codes(session: Session, fabric: str, codes: Array, reach: float) -> pd.DataFrame:
    """Return codes (n, factors) as settings of one fabric; code 1 is ``reach`` half-ranges.

    All settings are on the bench's steps and allowed for the fabric; where its limit excludes the
    usual press temperature, the centre moves down instead of clipping.
    """
    columns: dict[str, Any] = {}
    for i, factor in enumerate(session.factors):
        made = _numeric_levels if factor.is_numeric else _category_levels
        columns[factor.name] = made(session, factor, fabric, codes[:, i], reach)
    return pd.DataFrame(columns)


def centre_of(session: Session, factor: Factor, fabric: str, reach: float) -> float:
    """Return the middle of the plan: the usual setting, moved in so that both sides fit."""
    _, back, centre, _ = _plan_scale(session, factor, fabric, reach)
    return back(centre)


def evenly_spaced_numbers(
    session: Session, factor: Factor, fabric: str, count: int, reach: float
) -> Array:
    """Return ``count`` settings evenly over the plan; fewer where steps coincide."""
    allowed, back, centre, away = _plan_scale(session, factor, fabric, reach)
    wanted = [back(x) for x in np.linspace(centre - away, centre + away, count)]
    return np.unique([allowed[int(np.argmin(np.abs(allowed - w)))] for w in wanted])


def within_reach(session: Session, factor: Factor, fabric: str, reach: float) -> Array:
    """Return every setting of the dial within the plan's reach."""
    allowed, back, centre, away = _plan_scale(session, factor, fabric, reach)
    slack = 1e-6 * factor.grid_step
    inside = (allowed >= back(centre - away) - slack) & (allowed <= back(centre + away) + slack)
    return allowed[inside] if inside.any() else allowed[:1]


def evenly_chosen_words(session: Session, factor: Factor, fabric: str, count: int) -> list[str]:
    """Return ``count`` words including the usual one: neighbours and ends, or the first others."""
    words = list(session.allowed(factor, fabric))
    if count >= len(words):
        return words
    usual = words.index(session.usual(factor, fabric))
    if not factor.ordered:
        chosen = {usual, *[k for k in range(len(words)) if k != usual][: count - 1]}
    else:
        # The usual word, then repeatedly the word farthest from those chosen.
        chosen = {usual}
        while len(chosen) < count:
            chosen.add(max(range(len(words)), key=lambda k: (min(abs(k - c) for c in chosen), -k)))
    return [words[k] for k in sorted(chosen)]


def _plan_scale(
    session: Session, factor: Factor, fabric: str, reach: float
) -> tuple[Array, Callable[[float], float], float, float]:
    """Return allowed settings, the inverse of the levels' scale, and the plan's middle and reach.

    Levels are even on that scale, the logarithm for times; middle and reach are in it. A limit, or
    a usual setting at the end of the allowed range, would leave one side untested: the middle moves
    in, and the plan narrows where too little is left.
    """
    scale, back = (np.log, np.exp) if is_logarithmic(factor) else (float, float)
    allowed = np.array(session.allowed(factor, fabric))
    usual = float(session.usual(factor, fabric))
    places = (*factor.bounds, float(allowed[0]), float(allowed[-1]), usual)
    low, high, bottom, top, usual = (float(scale(x)) for x in places)
    away = min(reach * 0.5 * (high - low), 0.5 * (top - bottom))
    return allowed, lambda x: float(back(x)), max(min(usual, top - away), bottom + away), away


def _numeric_levels(
    session: Session, factor: Factor, fabric: str, code: Array, reach: float
) -> Array:
    allowed, back, centre, away = _plan_scale(session, factor, fabric, reach)
    codes, of_code = np.unique(np.append(code, 0.0), return_inverse=True)
    index = np.array(
        [int(np.argmin(np.abs(allowed - back(centre + c * away)))) for c in codes], dtype=int
    )
    # A coarse step must not merge two levels: move outward from the middle, one step each.
    middle = int(np.searchsorted(codes, 0.0))
    for k in range(middle + 1, len(codes)):
        index[k] = max(index[k], index[k - 1] + 1)
    for k in range(middle - 1, -1, -1):
        index[k] = min(index[k], index[k + 1] - 1)
    return np.asarray(allowed[np.clip(index, 0, len(allowed) - 1)][of_code[:-1]], dtype=float)


def _category_levels(
    session: Session, factor: Factor, fabric: str, code: Array, reach: float
) -> list[str]:
    """Return words by code: the usual word at 0 and below, the others in turn above it.

    Ordered words: neighbours.
    """
    words = session.allowed(factor, fabric)
    usual = words.index(session.usual(factor, fabric))
    if factor.ordered:
        place = np.clip(usual + np.sign(code).astype(int), 0, len(words) - 1)
        return [words[int(k)] for k in place]
    others = [w for k, w in enumerate(words) if k != usual] or [words[usual]]
    out, turn = [], 0
    for value in code:
        if value > 0:
            out.append(others[turn % len(others)])
            turn += 1
        else:
            out.append(words[usual])
    return out
