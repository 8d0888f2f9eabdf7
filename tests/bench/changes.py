"""What changes at a simulated bench after it was dialled in: a drifted oven, another powder lot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from simulated import NAMES, Bench

from dtfexp import next_presses, plan

FIRST = (10, 4, 4, 4, 4)


def oven_drifted(bench: Bench, degrees: float) -> Bench:
    """The oven reaches ``degrees`` °C more than its display said before."""
    return _moved(bench, np.array([degrees, 0.0, 0.0, 0.0]), 0.0)


def another_lot(bench: Bench, rng: np.random.Generator) -> Bench:
    """A powder that melts a few degrees elsewhere, wants a little more or less time and heat in
    the press, and is never better than the old one."""
    move = np.array([rng.normal(0, 4), rng.normal(0, 4), rng.normal(0, 2), rng.normal(0, 0.5)])
    return _moved(bench, move, -abs(rng.normal(0, 0.1)))


def _moved(bench: Bench, by: np.ndarray, grades: float) -> Bench:
    quality = {
        name: lambda x, before=before: before(x + by) + grades
        for name, before in bench.quality.items()
    }
    return replace(bench, quality=quality)


def session_of(bench: Bench, seed: int, batches: tuple[int, ...] = FIRST) -> pd.DataFrame:
    """Results of a whole session in batches, with nothing known before."""
    rng = np.random.default_rng([11, seed])
    results = bench.press(plan(bench.session, batches[0], seed=seed).runs, rng)
    for batch in batches[1:]:
        more = next_presses(bench.session, results, batch, seed=seed)
        if len(more.runs):
            results = pd.concat([results, bench.press(more.runs, rng)], ignore_index=True)
    return results


def at(target: dict) -> np.ndarray:
    """A set-point as the row that ``Bench.true_pass`` takes."""
    return np.array([[float(target[name]) for name in NAMES]])
