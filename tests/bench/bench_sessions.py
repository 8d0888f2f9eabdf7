# ruff: noqa: E501  (one printed table row per line reads better unbroken)
"""True pass rate and window found against presses, beside one factor at a time, in one run.

Run by name:  python tests/bench/bench_sessions.py --benches 10 --jobs 2
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from sessions import best_of_factorial, one_at_a_time, ours
from simulated import FAMILIES, bench

SCHEDULES = {
    "10+4s": (10, 4, 4, 4, 4),
    "10+8s": (10, 8, 8),
    "10+16": (10, 16),
    "to 40": (10, 4, 4, 4, 4, 4, 4, 4, 2),
}
AT = (14, 26, 40)


def job(task: tuple[str, int, str]) -> dict[str, object]:
    family, seed, schedule = task
    b = bench(family, seed)
    batches = SCHEDULES[schedule]
    scores = ours(b, batches, seed, AT)
    return {
        "family": family,
        "seed": seed,
        "volume": b.true_window()[0],
        "scores": scores,
        "ofat": {n: one_at_a_time(b, n, seed) for n in (14, 26)},
        "factorial": {n: best_of_factorial(b, n, seed) for n in (14, 26)},
    }


def error(values: np.ndarray) -> float:
    return float(np.std(values) / np.sqrt(max(len(values), 1)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=8, help="benches of each family")
    parser.add_argument("--families", default=",".join(FAMILIES))
    parser.add_argument("--schedule", default="10+4s", choices=SCHEDULES)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    args = parser.parse_args()
    tasks = [
        (family, seed, args.schedule)
        for family in args.families.split(",")
        for seed in range(args.first, args.first + args.benches)
    ]
    with ProcessPoolExecutor(args.jobs) as pool:
        rows = list(pool.map(job, tasks))
    report(rows)


def report(rows: list[dict]) -> None:
    families = list(dict.fromkeys(r["family"] for r in rows))
    for group in [*families, "all with a window"]:
        some = [
            r for r in rows if r["family"] == group or (group not in families and r["volume"] > 0)
        ]
        counts = sorted({n for r in some for n in r["scores"]})
        for n in counts:
            s = [r["scores"][n] for r in some if n in r["scores"]]
            truth = np.array([r["volume"] for r in some if n in r["scores"]])
            real = truth > 0
            passing = np.array([v.true_pass for v in s])
            found = np.array([v.found for v in s])
            volume = np.array([v.volume for v in s])
            share = np.array([v.good_share for v in s])[found]
            weight = volume[found]
            ratio = volume[real].sum() / max(truth[real].sum(), 1e-9)
            median = np.median(volume[real] / truth[real]) if real.any() else np.nan
            stated = np.array([v.stated for v in s]) - passing
            line = (
                f"{group:18s} n={n:2d} benches {len(s):3d} | mean pass {passing.mean():.3f}±{error(passing):.3f}"
                f" | >=90%: {np.mean(passing >= 0.9):.2f} | found {found.mean():.2f}"
                f" (window {found[real].mean() if real.any() else np.nan:.2f}, none {found[~real].mean() if (~real).any() else np.nan:.2f})"
                f" | box good {share.mean() if len(share) else np.nan:.3f} weighted {np.average(share, weights=weight) if weight.sum() > 0 else np.nan:.3f}"
                f" | volume {ratio:.2f} median {median:.2f} | stated-true {stated[real].mean() if real.any() else np.nan:+.3f}"
                f" | temps {np.mean([v.temperatures for v in s]):.1f}"
            )
            print(line)
            if n in (14, 26):
                for rival in ("ofat", "factorial"):
                    p = np.array([r[rival][n] for r in some])
                    print(
                        f"{'':18s}      {rival:10s} mean pass {p.mean():.3f}±{error(p):.3f} | >=90%: {np.mean(p >= 0.9):.2f}"
                    )


if __name__ == "__main__":
    main()
