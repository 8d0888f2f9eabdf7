"""Outcomes that judge one quality after different numbers of washes."""

from __future__ import annotations

from itertools import combinations
from operator import attrgetter

import numpy as np
import pandas as pd

from dtfexp.describe.outcome import Outcome, wash_series
from dtfexp.describe.session import Session


def untied(session: Session) -> list[Outcome]:
    """Return outcomes judged after washing, without series, on the scale of another outcome.

    They may be one quality judged again.
    """
    alone = [o for o in session.outcomes if o.washes is not None and not o.series]
    scale = attrgetter("kind", "worst", "best", "step", "unit")
    return [o for o in alone if any(o.washes != p.washes and scale(o) == scale(p) for p in alone)]


def improvements_by_washing(
    session: Session, results: pd.DataFrame
) -> list[tuple[int, Outcome, Outcome]]:
    """Return (row, earlier, later) wherever a later wash was graded better by over one step.

    Washing does not improve a print, but two judgements of one coupon may differ by a step; for a
    measured outcome a quarter of the scale counts as a step.
    """
    found = []
    for series in wash_series(session.outcomes):
        for earlier, later in combinations(series, 2):
            step = later.step or abs(later.best - later.worst) / 4.0
            rise = later.sign * (results[later.name] - results[earlier.name]).to_numpy(dtype=float)
            found += [(int(row), earlier, later) for row in np.flatnonzero(rise > step + 1e-9)]
    return found
