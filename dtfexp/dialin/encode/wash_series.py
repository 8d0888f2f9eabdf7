"""Outcomes that are one quality judged after more and more washes."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from dtfexp.describe.outcome import Outcome, wash_series
from dtfexp.describe.session import Session


def untied(session: Session) -> list[Outcome]:
    """Outcomes judged after washing, of no series, where another one is judged on the same scale:
    one quality judged again, perhaps."""
    alone = [o for o in session.outcomes if o.washes is not None and not o.series]
    return [o for o in alone if any(_may_be_one(o, other) for other in alone)]


def _may_be_one(a: Outcome, b: Outcome) -> bool:
    return a.washes != b.washes and all(
        getattr(a, name) == getattr(b, name) for name in ("kind", "worst", "best", "step", "unit")
    )


def improvements_by_washing(
    session: Session, results: pd.DataFrame
) -> list[tuple[int, Outcome, Outcome]]:
    """(row, earlier, later) wherever a later wash was graded better by more than one grade step.

    Washing does not make a print better, and two judgements of one coupon may differ by a step; a
    quarter of the scale counts as a step of a measured outcome.
    """
    found = []
    for series in wash_series(session.outcomes):
        for earlier, later in combinations(series, 2):
            step = later.step or abs(later.best - later.worst) / 4.0
            rise = later.sign * (results[later.name] - results[earlier.name]).to_numpy(dtype=float)
            found += [(int(row), earlier, later) for row in np.flatnonzero(rise > step + 1e-9)]
    return found
