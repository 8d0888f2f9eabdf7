"""Three fabrics on one bench: how many presses the second and the third need after the first.

The first fabric is dialled in with 14 presses (10 + 4), then the second with 7 (4 + 3) chosen with
the first one's grades known, then the third with 7.  On the same bench each later fabric also
starts from nothing, with 7 presses and with 14.  Figures: mean true pass rate at the target and
share of fabrics at 90 % or better.

Run by name:  python -m tests.bench.bench_fabrics --benches 6 --jobs 2
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

import dtfexp.dialin.window.window_box as windows
from dtfexp import fit, next_presses
from tests.bench.changes import at, session_of
from tests.bench.simulated import bench

FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle")
NAMES = ("cotton", "polyester", "nylon")
LATER = (4, 3)
#: Cells of the window's grids: coarser than a shop's, to look at many benches.
BUDGET = 4000


def job(task: tuple[str, int]) -> list[tuple[str, float]]:
    """(way of working, true pass rate at its target) of every fabric that has a window."""
    windows.FIRST_BUDGET, windows.SECOND_BUDGET = BUDGET, 1
    family, seed = task
    b = bench(family, seed, NAMES)
    rng = np.random.default_rng([17, seed])
    has_window = {name: b.true_window(name)[0] > 0 for name in NAMES}
    results = session_of(b, seed, (10, 4), NAMES[0])
    out = []

    def score(way: str, graded: pd.DataFrame, name: str) -> None:
        if has_window[name]:
            target = fit(b.session, graded).window(name).target
            out.append((way, float(b.true_pass(at(target), name)[0])))

    score("first fabric, 14", results, NAMES[0])
    for place, name in zip(("second", "third"), NAMES[1:], strict=True):
        score(f"{place} fabric, 0 more", results, name)
        made = 0
        for batch in LATER:
            more = next_presses(b.session, results, batch, fabrics=[name], seed=seed).runs
            if len(more):
                results = pd.concat([results, b.press(more, rng)], ignore_index=True)
            made += batch
            score(f"{place} fabric, {made} more", results, name)
        score("from nothing, 7", session_of(b, seed + 1000, (7,), name), name)
        score("from nothing, 14", session_of(b, seed + 1000, (10, 4), name), name)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=4, help="benches of each family")
    parser.add_argument("--first", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    tasks = [(f, s) for s in range(args.first, args.first + args.benches) for f in FAMILIES]
    rows: list[tuple[str, float]] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for done, found in enumerate(pool.map(job, tasks), start=1):
            rows += found
            # Long: what a run cut short has seen is told as well.
            if done % 20 == 0 or done == len(tasks):
                report(rows, done)


def report(rows: list[tuple[str, float]], benches: int) -> None:
    print(f"{benches} benches, families in turn; presses of the fabric itself")
    for way in dict.fromkeys(way for way, _ in rows):
        true = np.array([rate for other, rate in rows if other == way])
        print(
            f"{way:23s} fabrics {len(true):3d} | mean true {true.mean():.3f} ± "
            f"{true.std() / np.sqrt(len(true)):.3f} | >= 90 %: {np.mean(true >= 0.9):.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
