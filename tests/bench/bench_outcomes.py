"""How a window's time grows with the outcomes: two, four and six of them, side by side.

One fabric, four settings, 26 presses; processor seconds of a fit and its window on one thread,
medians over benches, and the ratio to two outcomes on the same bench.  ``--next`` times the next
presses as well, with a fit of their own, and leaves them out of the ratio.  Benches invented: each
outcome a dome of its own over the settings.

Run by name:  python -m tests.bench.bench_outcomes [--kinds graded,measured] [--benches 5]
"""

from __future__ import annotations

import argparse
import os
import time

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import numpy as np
import pandas as pd

from dtfexp import Outcome, Session, fit, next_presses, plan
from tests.dialin.bench import FOUR

NAMES = ("peel", "wash", "feel", "crack", "fade", "edge")
COUNTS = (2, 4, 6)
PRESSES = 26


def case(count: int, kind: str, seed: int) -> tuple[Session, pd.DataFrame]:
    """A session of ``count`` outcomes and its results."""
    outcomes = tuple(
        Outcome(name)
        if kind == "graded"
        else Outcome(name, worst=60, best=0, accept=4, kind="measured", unit="%")
        for name in NAMES[:count]
    )
    session = Session("outcomes", FOUR.factors, outcomes, ("cotton",))
    runs = plan(session, PRESSES, seed=seed).runs
    coded = np.column_stack(
        [(runs[f.name].to_numpy(float) - f.usual) / (0.5 * (f.high - f.low)) for f in FOUR.factors]
    )
    rng = np.random.default_rng(seed)
    for k, name in enumerate(NAMES[:count]):
        centre = np.random.default_rng(100 + k).uniform(-0.4, 0.4, coded.shape[1])
        steep = np.random.default_rng(200 + k).uniform(0.5, 1.2, coded.shape[1])
        quality = 1.6 - (coded - centre) ** 2 @ steep + rng.normal(0.0, 0.3, len(coded))
        runs[name] = (
            np.clip(np.rint(4.0 + quality), 1, 5)
            if kind == "graded"
            else np.minimum(4.0 * np.exp(-0.9 * quality), 60.0).round(2)
        )
    return session, runs


def seconds(count: int, kind: str, seed: int, with_next: bool) -> list[float]:
    """Processor seconds of fit, window, and, if asked for, next presses that start from both."""
    session, runs = case(count, kind, seed)
    times = [time.process_time()]
    fitted = fit(session, runs)
    times.append(time.process_time())
    fitted.window("cotton")
    times.append(time.process_time())
    if with_next:
        next_presses(session, runs, 4)
        times.append(time.process_time())
    return np.diff(times).tolist()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kinds", default="graded,measured")
    parser.add_argument("--benches", type=int, default=5)
    parser.add_argument("--first", type=int, default=1, help="seed of the first bench")
    parser.add_argument("--next", action="store_true")
    args = parser.parse_args()
    kinds = args.kinds.split(",")
    seconds(2, kinds[0], args.first, args.next)  # Libraries load, tables are made on first use.
    had: dict[tuple[str, int], list[list[float]]] = {}
    for seed in range(args.first, args.first + args.benches):
        for kind in kinds:
            for count in COUNTS:
                had.setdefault((kind, count), []).append(seconds(count, kind, seed, args.next))
    for (kind, count), rows in had.items():
        each, two = np.array(rows), np.array(had[kind, 2])
        ratio = each[:, :2].sum(axis=1) / two[:, :2].sum(axis=1)
        parts = np.median(each, axis=0)
        print(
            f"{count} {kind} outcomes: fit {parts[0]:.2f} s, window {parts[1]:.2f} s"
            + (f", next presses {parts[2]:.2f} s" if args.next else "")
            + f" | {np.median(ratio):.2f} times two outcomes"
            + f" ({ratio.min():.2f} to {ratio.max():.2f})"
        )


if __name__ == "__main__":
    main()
