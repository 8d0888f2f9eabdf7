"""Move presses out of forbidden corners to the nearest permitted settings."""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.errors import PlanError
from dtfexp.describe.factor import Factor
from dtfexp.describe.forbidden import Forbidden
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.levels import settings_from_codes

_OTHER_WORD = 1.5
"""Cost of another word, in half-ranges: three quarters of a range."""
_MOST_LOOKED_AT = 5000
_MOST_TURNED = 6

Array = NDArray[np.float64]
Settings = tuple[Any, ...]


def move_out_of_forbidden(
    session: Session, wanted: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[Forbidden, ...]]:
    """Return the wanted presses, those in a forbidden corner moved to the nearest settings.

    ``wanted``: columns fabric and one per factor, settings on their steps and allowed for the
    fabric. Also returns the corners met, one for each moved press. Raises ``PlanError`` naming the
    press and the corner when nothing near is permitted.
    """
    if not session.forbidden or not len(wanted):
        return wanted, ()
    rows = np.flatnonzero(~session.permits(wanted))
    if not len(rows):
        return wanted, ()
    names = [f.name for f in session.factors]
    columns = {name: wanted[name].tolist() for name in names}
    met = []
    for i in rows:
        fabric = str(wanted["fabric"].iloc[i])
        start = tuple(columns[name][i] for name in names)
        moved = _nearest(session, fabric, start)
        corner = session.clash(dict(zip(names, start, strict=True)), fabric)
        if corner is not None:
            met.append(corner)
        for name, value in zip(names, moved, strict=True):
            columns[name][i] = value
    out = wanted.copy()
    for factor in session.factors:
        kind = "float64" if factor.is_numeric else "object"
        out[factor.name] = pd.Series(columns[factor.name], index=out.index, dtype=kind)
    return out, tuple(met)


def signs_with_fewest_forbidden(
    session: Session, fabrics: Iterable[str], codes: Array, reach: float
) -> Array:
    """Return coded rows (n, factors), column signs chosen for fewest forbidden presses.

    A two-level plan stays balanced and orthogonal under a change of signs.
    """
    names = {name for corner in session.forbidden for name in corner.names}
    involved = [i for i, f in enumerate(session.factors) if f.name in names][:_MOST_TURNED]
    best, fewest = codes, np.inf
    for turn in product((1.0, -1.0), repeat=len(involved)) if involved else ():
        tried = codes.copy()
        tried[:, involved] *= turn
        bad = sum(
            int((~session.permits(settings_from_codes(session, f, tried, reach), f)).sum())
            for f in fabrics
        )
        if bad < fewest:
            best, fewest = tried, bad
        if not fewest:
            break
    return best


def _nearest(session: Session, fabric: str, start: Settings) -> Settings:
    """Return the permitted settings with the smallest sum of moves, in half-ranges.

    A press leaves a corner by breaking one of its conditions with the smallest move; the search
    (Dijkstra's) repeats this for each corner met, cheapest settings first.
    """
    factors = session.factors
    names = [f.name for f in factors]
    queue: list[tuple[float, int, Settings]] = [(0.0, 0, start)]
    seen = {start}
    for _ in range(_MOST_LOOKED_AT):
        if not queue:
            break
        _, _, here = heapq.heappop(queue)
        settings = dict(zip(names, here, strict=True))
        corner = session.clash(settings, fabric)
        if corner is None:
            return here
        for place, factor in enumerate(factors):
            for value in _nearest_exits(session, fabric, corner, factor, settings):
                moved = (*here[:place], value, *here[place + 1 :])
                if moved not in seen:
                    seen.add(moved)
                    far = sum(map(_distance, factors, start, moved))
                    heapq.heappush(queue, (round(far, 9), len(seen), moved))
    text = ", ".join(f"{f.name} {f.format(v)}" for f, v in zip(factors, start, strict=True))
    corner = session.clash(dict(zip(names, start, strict=True)), fabric)
    raise PlanError(
        f"{text} cannot be pressed on {fabric}, and nothing near it: forbidden is {corner}"
    )


def _nearest_exits(
    session: Session, fabric: str, corner: Forbidden, factor: Factor, here: dict[str, Any]
) -> list[Any]:
    """Return settings of one factor outside the corner, the others fixed.

    The nearest on each side, or any word.
    """
    if factor.name not in corner.names:
        return []
    factors = {f.name: f for f in session.factors}

    def forbidden(value: Any) -> bool:
        return bool(corner.holds(factors, (here | {factor.name: value}).__getitem__))

    free = [value for value in session.allowed(factor, fabric) if not forbidden(value)]
    if not factor.is_numeric and not factor.ordered:
        return free
    now = _axis_value(factor, here[factor.name])
    below = [v for v in free if _axis_value(factor, v) < now]
    above = [v for v in free if _axis_value(factor, v) > now]
    return [*below[-1:], *above[:1]]


def _distance(factor: Factor, a: Any, b: Any) -> float:
    if not factor.is_numeric and not factor.ordered:
        return 0.0 if a == b else _OTHER_WORD
    low, high = (_axis_value(factor, factor.settings()[k]) for k in (0, -1))
    return abs(_axis_value(factor, a) - _axis_value(factor, b)) / (0.5 * (high - low))


def _axis_value(factor: Factor, value: Any) -> float:
    return float(value) if factor.is_numeric else float(factor.levels.index(value))
