"""The verdict on each press: passed, failed, or still waiting for a grade."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dtfexp.dialin.window.evidence import within

if TYPE_CHECKING:
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window

PASSED, FAILED, WAITING, PLANNED, EXCLUDED = (
    "passed", "failed", "waiting", "not graded", "left out",
)  # fmt: skip


def verdict_of_presses(session: Session, results: pd.DataFrame) -> list[str]:
    """Return one word per row of a checked results frame.

    One unacceptable grade decides, whatever grades are missing.
    """
    left_out = (
        results["excluded"].tolist() if "excluded" in results.columns else [False] * len(results)
    )
    found = []
    grades = results[[outcome.name for outcome in session.outcomes]].to_numpy(dtype=float)
    for row, excluded in zip(grades, left_out, strict=True):
        known = [
            outcome.passes(float(grade))
            for outcome, grade in zip(session.outcomes, row, strict=True)
            if not np.isnan(grade)
        ]
        if excluded:
            found.append(EXCLUDED)
        elif not all(known):
            found.append(FAILED)
        elif not known:
            found.append(PLANNED)
        elif len(known) < len(session.outcomes):
            found.append(WAITING)
        else:
            found.append(PASSED)
    return found


def within_window(session: Session, results: pd.DataFrame, window: Window) -> list[bool]:
    """Return which presses were set inside the window; none without a window."""
    if window.low is None or window.high is None:
        return [False] * len(results)
    return [bool(flag) for flag in within(session, results, window.low, window.high)]


def at_target(session: Session, results: pd.DataFrame, window: Window) -> tuple[str, ...]:
    """Return the verdicts of the presses that were set at the target."""
    if not window.target:
        return ()
    rows = results[within(session, results, window.target, window.target)]
    return tuple(verdict_of_presses(session, rows))


def passed_and_judged(words: list[str]) -> tuple[int, int]:
    """Return the number of presses passed, and the number with a verdict."""
    passed = words.count(PASSED)
    return passed, passed + words.count(FAILED)


def wilson_interval(passed: int, tried: int, level: float = 0.90) -> tuple[float, float]:
    """Return the two-sided Wilson score interval of a proportion at ``level`` (statsmodels)."""
    if tried == 0:
        return 0.0, 1.0
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(passed, tried, alpha=1 - level, method="wilson")
    return float(low), float(high)
