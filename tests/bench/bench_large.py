"""A thousand presses: every question to a fit answers; minutes and memory.

Run from the root: ``python -m tests.bench.bench_large [presses]``.  All invented.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import pandas as pd

from dtfexp import Outcome, Session, fit, plan
from tests.dialin.bench import CURE, PRESS, graded

SESSION = Session("large", (CURE, PRESS), (Outcome("peel"),), ("cotton",))


def many(presses: int) -> pd.DataFrame:
    """First looks of 40 presses one after another, loads and rounds their own."""
    parts = []
    for k in range(-(-presses // 40)):
        runs = plan(SESSION, 40, seed=k).runs
        runs["oven_load"] += 100 * k
        runs["press_round"] += 100 * k
        parts.append(runs)
    results = graded(SESSION, pd.concat(parts, ignore_index=True)).head(presses)
    return results.assign(press=range(1, len(results) + 1))


def main(presses: int) -> None:
    """Print seconds of each question."""
    results = many(presses)
    start = time.perf_counter()
    fitted = fit(SESSION, results)
    print(f"fit of {presses} presses: {time.perf_counter() - start:.1f} s")
    usual = pd.DataFrame([{f.name: f.usual for f in SESSION.factors}])
    asked: dict[str, Callable[[], Any]] = {
        "pass_rate": lambda: fitted.pass_rate(usual, "cotton"),
        "window": lambda: fitted.window("cotton"),
        "anova": lambda: fitted.anova("peel"),
        "effects": lambda: fitted.effects("peel"),
        "batch effects": fitted.batch_effects,
        "check_grades": fitted.check_grades,
        "surprises": fitted.surprises,
        "press influence": fitted.press_influence,
        "shares": lambda: fitted.shares("cotton"),
        "failure_sides": lambda: fitted.failure_sides(usual, "cotton"),
    }
    for name, ask in asked.items():
        start = time.perf_counter()
        ask()
        print(f"{name}: {time.perf_counter() - start:.1f} s")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"most memory: {most:.2f} GB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
