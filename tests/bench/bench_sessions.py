"""True pass rate and window found against presses, beside the rivals, in one run.

For every invented bench one whole session in batches (``--schedule``), scored at 14, 26 and 40
presses, and on the same bench: one factor at a time, the best run of a factorial, and the best
point of a least-squares quadratic.  Printed for each family and for all benches with a window; with
``--out`` the rows are kept and drawn.  ``--eased`` takes kinder benches (``simulated.eased``), on
which the rivals do clearly better.

Run by name:  python -m tests.bench.bench_sessions --benches 21 --jobs 2 --out FOLDER
"""

from __future__ import annotations

import argparse
import os
import pickle
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from tests.bench.sessions import best_of_factorial, least_squares, one_at_a_time, ours
from tests.bench.simulated import FAMILIES, bench, eased

SCHEDULES = {
    "10+4s": (10, 4, 4, 4, 4),
    "10+8s": (10, 8, 8),
    "10+16": (10, 16),
    "to 40": (10, 4, 4, 4, 4, 4, 4, 4, 2),
}
AT = (14, 26, 40)
# Each rival with the numbers of presses it can play with: a composite of four settings takes 25.
RIVALS = {
    "one at a time": (one_at_a_time, (14, 26)),
    "factorial": (best_of_factorial, (14, 26)),
    "least squares": (least_squares, (26,)),
}


def job(task: tuple[str, int, str, bool, bool]) -> dict:
    family, seed, schedule, rivals, kinder = task
    b = eased(bench(family, seed), seed) if kinder else bench(family, seed)
    row = {"family": family, "seed": seed, "volume": b.true_window()[0]}
    row["scores"] = ours(b, SCHEDULES[schedule], seed, AT)
    row["rivals"] = {
        name: {n: way(b, n, seed) for n in counts}
        for name, (way, counts) in RIVALS.items()
        if rivals
    }
    return row


def error(values: np.ndarray) -> float:
    return float(np.std(values) / np.sqrt(max(len(values), 1)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=8, help="benches of each family")
    parser.add_argument("--families", default=",".join(FAMILIES))
    parser.add_argument("--schedule", default="10+4s", choices=SCHEDULES)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--no-rivals", action="store_true")
    parser.add_argument("--eased", action="store_true")
    parser.add_argument("--out", type=Path, help="folder for the rows and the figure")
    args = parser.parse_args()
    # Families in turn, so that a run cut short has seen all alike.
    tasks = [
        (family, seed, args.schedule, not args.no_rivals, args.eased)
        for seed in range(args.first, args.first + args.benches)
        for family in args.families.split(",")
    ]
    rows, name = [], args.schedule + (" eased" if args.eased else "")
    with ProcessPoolExecutor(args.jobs) as pool:
        for row in pool.map(job, tasks):
            rows.append(row)
            if args.out:
                args.out.mkdir(parents=True, exist_ok=True)
                (args.out / f"{name}.pkl").write_bytes(pickle.dumps(rows))
    report(rows)
    if args.out and any(r["volume"] > 0 for r in rows):
        draw(rows, args.out / f"sessions {name}.png")


def report(rows: list[dict]) -> None:
    families = list(dict.fromkeys(r["family"] for r in rows))
    for group in [*families, "all with a window", "all without"]:
        some = [r for r in rows if r["family"] == group]
        if group not in families:
            some = [r for r in rows if (r["volume"] > 0) == (group == "all with a window")]
        for n in sorted({n for r in some for n in r["scores"]}):
            print(line(group, n, some))
            if group == "all with a window":
                less_sure([r | {"scores": {n: r["scores"][n]}} for r in some if n in r["scores"]])
            for name in some[0]["rivals"]:
                if n in some[0]["rivals"][name]:
                    p = np.array([r["rivals"][name][n] for r in some])
                    print(
                        f"{'':20s} {name:14s} mean pass {p.mean():.3f} ± {error(p):.3f}"
                        f" | >= 90 %: {np.mean(p >= 0.9):.2f}"
                    )


def less_sure(rows: list[dict]) -> None:
    """What the same fits would give if they were asked for less confidence."""
    scores = [(r, s) for r in rows for s in r["scores"].values() if s.less_sure]
    for confidence in sorted({c for _, s in scores for c in s.less_sure}):
        found = np.array([s.less_sure[confidence] for _, s in scores])
        some = found[:, 0] > 0
        if not some.any():
            continue
        truth = sum(r["volume"] for r, _ in scores)
        share = np.average(found[some, 1], weights=found[some, 0])
        print(
            f"{'':20s} asked for {confidence:.0%} confidence: volume "
            f"{found[:, 0].sum() / truth:.2f} | box good {found[some, 1].mean():.3f}, "
            f"by volume {share:.3f}"
        )


def line(group: str, n: int, rows: list[dict]) -> str:
    """One row of the table; volumes as shares of the true window, with standard errors."""
    rows = [r for r in rows if n in r["scores"]]
    s = [r["scores"][n] for r in rows]
    truth = np.array([r["volume"] for r in rows])
    passing, stated = (np.array([getattr(v, k) for v in s]) for k in ("true_pass", "stated"))
    found = np.array([v.found for v in s])
    volume = np.array([v.volume for v in s])
    share, whole = (np.array([getattr(v, k) for v in s])[found] for k in ("good_share", "whole"))
    text = (
        f"{group:20s} n={n:2d} benches {len(s):3d} | mean pass {passing.mean():.3f} ± "
        f"{error(passing):.3f} | >= 90 %: {np.mean(passing >= 0.9):.2f} | found {found.mean():.2f}"
        f", said to be none {np.mean([v.none for v in s]):.2f}"
    )
    if found.any():
        text += (
            f" | box good {share.mean():.3f}, by volume "
            f"{np.average(share, weights=volume[found] + 1e-9):.3f} | whole box: stated "
            f"{whole.mean():.2f}, true {np.mean(share >= 1.0):.2f}"
        )
    real = truth > 0
    if real.any():
        ratio, each = volume[real].sum() / truth[real].sum(), volume[real] / truth[real]
        # Of a ratio of sums (Cochran 1977, Sampling Techniques, sec. 6.5; from memory).
        left = volume[real] - ratio * truth[real]
        wide = np.sqrt((left**2).sum()) / truth[real].sum()
        text += f" | volume {ratio:.2f} ± {wide:.2f}, median {np.median(each):.2f}"
    return text + (
        f" | stated - true {np.mean(stated - passing):+.3f}"
        f" | temperatures {np.mean([v.temperatures for v in s]):.1f}"
        f" | pressed {np.mean([v.presses for v in s]):.1f}"
    )


def draw(rows: list[dict], path: Path) -> None:
    """Share of benches that keep 90 %, and share of the true window found, against presses."""
    import matplotlib.pyplot as plt

    rows = [r for r in rows if r["volume"] > 0]
    counts = sorted({n for r in rows for n in r["scores"]})
    figure, (left, right) = plt.subplots(1, 2, figsize=(9, 3.6), layout="constrained")
    ours_at = [np.mean([r["scores"][n].true_pass >= 0.9 for r in rows]) for n in counts]
    left.plot(counts, ours_at, "o-", color="black", label="dtfexp")
    for name, mark in zip(rows[0]["rivals"], "s^D", strict=False):
        played = sorted(rows[0]["rivals"][name])
        shares = [np.mean([r["rivals"][name][n] >= 0.9 for r in rows]) for n in played]
        left.plot(played, shares, mark + "--", color="0.5", label=name)
    truth = sum(r["volume"] for r in rows)
    found = [sum(r["scores"][n].volume for r in rows) / truth for n in counts]
    right.plot(counts, found, "o-", color="black")
    left.set(xlabel="test presses", ylabel="benches with a true pass rate of 90 %", ylim=(0, 1.02))
    right.set(xlabel="test presses", ylabel="window found ÷ true window", ylim=(0, 1.02))
    left.legend(frameon=False)
    figure.suptitle(f"{len(rows)} invented benches that have a window")
    figure.savefig(path, dpi=110)


if __name__ == "__main__":
    main()
