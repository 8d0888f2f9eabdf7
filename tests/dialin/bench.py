"""A small session and an invented way to grade it, for the tests of plan, fit and window."""

from __future__ import annotations

import numpy as np
import pandas as pd

from dtfexp import Fabric, Factor, Outcome, Session

CURE = Factor("cure temperature", 105, 145, "°C", 5, "cure", spread=3, usual=125)
CURE_TIME = Factor("cure time", 30, 120, "s", 10, "cure", usual=60)
PRESS = Factor("press temperature", 280, 340, "°F", 5, "press", True, 4, usual=310)
PRESS_TIME = Factor("press time", 8, 24, "s", 1, usual=15)
PRESSURE = Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press")
PEEL = Factor("peel method", levels=("hot", "warm", "cold"))

FOUR = Session(
    "four", (CURE, CURE_TIME, PRESS, PRESS_TIME), (Outcome("peel"), Outcome("wash")), ("cotton",)
)
ONE = Session("one", (CURE,), (Outcome("holds", kind="passfail"),), ("cotton",))
WORDS = Session(
    "words", (PEEL, PRESSURE), (Outcome("tape", worst=5, best=0, accept=1),), ("cotton",)
)
HALF = Session(
    "half",
    (CURE, PRESS),
    (Outcome("grey", step=0.5), Outcome("shrink", 10, 0, 3, kind="measured", unit="%")),
    (Fabric("cotton"), Fabric("nylon", 151.3)),  # 304.3 °F: 300 °F and the spread
)
SESSIONS = (FOUR, ONE, WORDS, HALF)


def graded(session: Session, runs: pd.DataFrame, seed: int = 0, width: float = 1.0) -> pd.DataFrame:
    """Grades that are best at the usual settings and fall away on every side, with noise."""
    rng = np.random.default_rng(seed)
    out = runs.copy()
    away = np.zeros(len(runs))
    for f in session.factors:
        if f.is_numeric:
            low, high = f.bounds
            away += ((out[f.name].astype(float) - float(f.usual)) / (0.5 * (high - low))) ** 2
        else:
            away += 0.3 * (out[f.name] != f.usual).to_numpy(dtype=float)
    for o in session.outcomes:
        # In grade units above the acceptance cut.
        quality = 1.5 - 2.2 / width * away + rng.normal(0, 0.25, len(out))
        if o.kind == "passfail":
            out[o.name] = (quality > 0).astype(int)
        elif o.kind == "measured":
            raw = o.accept + o.sign * quality * abs(o.best - o.worst) / 4
            out[o.name] = np.clip(raw, min(o.best, o.worst), max(o.best, o.worst))
        else:
            rank = o.rank(o.accept) + np.round(quality - 0.5).astype(int)
            out[o.name] = [o.grades[int(k)] for k in np.clip(rank, 0, len(o.grades) - 1)]
    return out
