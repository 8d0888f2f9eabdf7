"""Outcomes that are one quality judged after more and more washes."""

from __future__ import annotations

import re
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import Session

_COUNT_WORDS = re.compile(r"\d+|\b(after|wash(es|ed|ing)?|cycles?)\b|[^\w]|_", re.IGNORECASE)


def wash_series(session: Session) -> list[tuple[Outcome, ...]]:
    """Series of two outcomes or more, fewest washes first.

    Outcomes belong together when they have a number of washes, the same scale, and names that
    differ only in numbers and words such as "after", "wash", "cycles".
    """
    series: dict[tuple[Any, ...], list[Outcome]] = {}
    for o in session.outcomes:
        if o.washes is not None:
            stem = _COUNT_WORDS.sub("", o.name).casefold()
            key = (stem, o.kind, o.worst, o.best, o.step, o.unit)
            series.setdefault(key, []).append(o)
    found = (sorted(some, key=lambda o: o.washes or 0) for some in series.values())
    return [tuple(some) for some in found if len({o.washes for o in some}) == len(some) > 1]


def rises(session: Session, results: pd.DataFrame) -> list[tuple[int, Outcome, Outcome]]:
    """(row, earlier, later) wherever a later wash was graded better by more than one grade step.

    Washing does not make a print better, and two judgements of one coupon may differ by a step; a
    quarter of the scale counts as a step of a measured outcome.
    """
    found = []
    for series in wash_series(session):
        for earlier, later in combinations(series, 2):
            step = later.step or abs(later.best - later.worst) / 4.0
            rise = later.sign * (results[later.name] - results[earlier.name]).to_numpy(dtype=float)
            found += [(int(row), earlier, later) for row in np.flatnonzero(rise > step + 1e-9)]
    return found
