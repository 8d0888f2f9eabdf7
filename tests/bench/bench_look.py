"""What the look of the cure saves in presses: the same sessions with and without it, side by side.

For every invented bench one session in batches (6, then 2, 2 and 4 more), pressed twice from the
same seeds: once the fit and the next presses see what each load looked like after the cure
(``simulated.Eye``), once not.  Printed at 6, 8, 10 and 14 presses: the true pass rate at the
target, the share of benches that keep 90 %, and how many presses the sessions without looks need
more to come as far (between the numbers played, on a straight line).

Run by name:  python -m tests.bench.bench_look --benches 8
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
import pandas as pd
from simulated import FAMILIES, NAMES, Bench, Eye, bench

from dtfexp import fit, next_presses, plan

BATCHES = (6, 2, 2, 4)
ARMS = ("without", "with")


def session(b: Bench, seed: int, looks: bool, at_once: bool = False) -> dict[int, float]:
    """True pass rate at the target after each number of presses.

    at_once: every number is a first plan of its own, without next presses (faster).
    """
    rng, eye = np.random.default_rng(seed), Eye(b, np.random.default_rng([seed, 1]))
    results, out = None, {}
    for made in np.cumsum(BATCHES):
        if results is None or at_once:
            runs = plan(b.session, int(made), seed=seed).runs
            results = None
        else:
            runs = next_presses(b.session, results, int(made) - len(results), seed=seed).runs
        if len(runs):
            seen = eye.look(b.press(runs, rng))
            if not looks:
                seen = seen.drop(columns="cure_look")
            results = seen if results is None else pd.concat([results, seen], ignore_index=True)
        window = fit(b.session, results).window("cotton")
        target = np.array([[window.target[n] for n in NAMES]])
        out[int(made)] = float(b.true_pass(target)[0])
    return out


def job(task: tuple[str, int, bool]) -> dict:
    family, seed, at_once = task
    b = bench(family, seed)
    row = {"family": family, "seed": seed, "window": b.true_window()[0] > 0}
    return row | {arm: session(b, seed, arm == "with", at_once) for arm in ARMS}


def saved(counts: np.ndarray, without: np.ndarray, reached: float, at: int) -> str:
    """How many presses more a rising curve needs to come to ``reached``."""
    curve = np.maximum.accumulate(without)
    if reached > curve[-1]:
        return f"more than {counts[-1] - at}"
    return f"{np.interp(reached, curve, counts) - at:.1f}"


def report(rows: list[dict]) -> None:
    groups = [*dict.fromkeys(r["family"] for r in rows), "all with a window"]
    for group in groups:
        some = [r for r in rows if r["family"] == group]
        if group not in FAMILIES:
            some = [r for r in rows if r["window"]]
        if not some:
            continue
        counts = np.array(sorted(some[0]["with"]))
        rate = {arm: np.array([[r[arm][n] for n in counts] for r in some]) for arm in ARMS}
        for k, n in enumerate(counts):
            gain = rate["with"][:, k] - rate["without"][:, k]
            good = {arm: np.mean(rate[arm][:, k] >= 0.9) for arm in ARMS}
            print(
                f"{group:18s} n={n:2d} benches {len(some):3d} | mean pass without "
                f"{rate['without'][:, k].mean():.3f}, with {rate['with'][:, k].mean():.3f}, gain "
                f"{gain.mean():+.3f} ± {gain.std() / np.sqrt(len(some)):.3f}"
                f" | >= 90 %: {good['without']:.2f}, {good['with']:.2f} | presses saved "
                f"{saved(counts, rate['without'].mean(axis=0), rate['with'][:, k].mean(), n)}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=8, help="benches of each family")
    parser.add_argument("--families", default=",".join(FAMILIES))
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--at-once", action="store_true", help="first plans only")
    args = parser.parse_args()
    tasks = [
        (family, seed, args.at_once)
        for seed in range(args.first, args.first + args.benches)
        for family in args.families.split(",")
    ]
    with ProcessPoolExecutor(args.jobs) as pool:
        report(list(pool.map(job, tasks)))


if __name__ == "__main__":
    main()
