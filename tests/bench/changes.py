"""What changes at a simulated bench after it was dialled in: a drifted oven, another lot of powder
or film, another season.  The sizes are judgement, no source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from dtfexp import next_presses, plan
from tests.bench.simulated import NAMES, Bench

FIRST = (10, 4, 4, 4, 4)


def oven_drifted(bench: Bench, degrees: float) -> Bench:
    """The oven reaches ``degrees`` °C more than its display said before."""
    return _moved(bench, np.array([degrees, 0.0, 0.0, 0.0]), 0.0)


def another_lot(bench: Bench, rng: np.random.Generator) -> Bench:
    """A powder that melts a few degrees elsewhere, wants a little more or less time and heat in
    the press, and is never better than the old one."""
    move = np.array([rng.normal(0, 4), rng.normal(0, 4), rng.normal(0, 2), rng.normal(0, 0.5)])
    return _moved(bench, move, -abs(rng.normal(0, 0.1)))


def another_season(bench: Bench, rng: np.random.Generator) -> Bench:
    """Moister or drier air: the cure wants a little more or less, and prints are never better."""
    move = np.array([rng.normal(0, 3), rng.normal(0, 5), rng.normal(0, 1), 0.0])
    return _moved(bench, move, -abs(rng.normal(0, 0.2)))


def _moved(bench: Bench, by: np.ndarray, grades: float) -> Bench:
    quality = {
        name: lambda x, before=before: before(x + by) + grades
        for name, before in bench.quality.items()
    }
    return replace(bench, quality=quality)


def session_of(
    bench: Bench, seed: int, batches: tuple[int, ...] = FIRST, fabric: str = "cotton"
) -> pd.DataFrame:
    """Results of a whole session on one fabric in batches, with nothing known before."""
    rng = np.random.default_rng([11, seed])
    results = bench.press(plan(bench.session, batches[0], fabrics=[fabric], seed=seed).runs, rng)
    for batch in batches[1:]:
        more = next_presses(bench.session, results, batch, fabrics=[fabric], seed=seed)
        if len(more.runs):
            results = pd.concat([results, bench.press(more.runs, rng)], ignore_index=True)
    return results


def at(target: dict) -> np.ndarray:
    """A set-point as the row that ``Bench.true_pass`` takes."""
    return np.array([[float(target[name]) for name in NAMES]])


#: What a garment that fails from a cold or a hot oven shows, and what any other failure shows.
COLD_OVEN = ("grainy underside", "grainy underside", "grainy underside", "bubbles")
HOT_OVEN = ("large solids blister", "large solids blister", "film hard to separate", "bubbles")
OTHER = ("bubbles", "white haze", "small letters lifted", "parts lifted with the film",
         "grainy underside", "film hard to separate")  # fmt: skip


def day_of_garments(
    bench: Bench, now: Bench, degrees: float, target: dict, count: int, rng: np.random.Generator
) -> dict[str, int]:
    """Symptoms (word -> garments) of a day's failing garments at the target, on the bench as it is
    ``now``; six garments share an oven load, eight a press round.

    A garment that the undrifted ``bench`` would have passed shows the sign of its oven.
    """
    spread = np.array([3.0, 2.0, 3.0, 0.5])
    x = at(target) + spread * rng.uniform(-1, 1, (count, 4))
    luck = rng.normal(0, bench.load_sd, count)[np.arange(count) // 6]
    luck = luck + rng.normal(0, bench.round_sd, count)[np.arange(count) // 8]
    wobble = luck[:, None] + rng.normal(0, bench.noise, (count, 2))
    fails = [
        (np.clip(np.round(b.quality["cotton"](x) + wobble), 1, 5) < 4).any(axis=1)
        for b in (now, bench)
    ]
    seen: dict[str, int] = {}
    for failed, anyway in zip(*fails, strict=True):
        if failed:
            drifted = COLD_OVEN if degrees < 0 else HOT_OVEN
            word = str(rng.choice(OTHER if anyway else drifted))
            seen[word] = seen.get(word, 0) + 1
    return seen
