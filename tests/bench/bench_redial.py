"""How many presses an earlier session saves after a change, on benches with hidden truths.

For each bench: a first session of 26 presses; then something changes, and the bench is dialled in
again with 4 and 8 presses on top of the earlier ones (``redial``), and from scratch with 8, 16 and
26.  Figures: mean true pass rate at the target, share of benches at 90 % or better, share with a
window found, mean of stated minus true.

Run by name:  python tests/bench/bench_redial.py --benches 12 --change oven
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from changes import another_lot, at, oven_drifted, session_of
from simulated import bench

import dtfexp.dialin.window as windows
from dtfexp import Window, fit, redial

FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle")
SCRATCH = {8: (8,), 16: (8, 4, 4), 26: (10, 4, 4, 4, 4)}
#: Cells of the window's grids: coarser than a shop's, to look at many benches.
BUDGET = 4000


def job(family: str, seed: int, change: str) -> dict[str, tuple[float, float, bool]] | None:
    """Way of working -> (true pass rate, stated, window found); None where it does no harm."""
    fabric = "nylon" if change == "fabric" else "cotton"
    old = bench(family, seed, ("cotton", "nylon") if change == "fabric" else ("cotton",))
    rng = np.random.default_rng([13, seed])
    new = old
    if change == "oven":
        new = oven_drifted(old, float(rng.choice([-8.0, 8.0])))
    elif change == "powder":
        new = another_lot(old, rng)
    earlier = session_of(old, seed)
    before = fit(old.session, earlier).window("cotton")
    kept = float(new.true_pass(at(before.target), fabric)[0])
    if kept >= 0.90:
        return None
    scores = {"keep": (kept, before.pass_rate, before.found)}
    now = None
    target = before.target
    for presses in (4, 8):
        known = redial(old.session, earlier, fabric, changed=change, now=now, target=target)
        made = new.press(known.next_presses(4, seed=seed).runs, rng)
        now = made if now is None else pd.concat([now, made], ignore_index=True)
        known = redial(old.session, earlier, fabric, changed=change, now=now, target=target)
        scores[f"redial {presses}"] = _score(new, known.window(), fabric)
    for presses, batches in SCRATCH.items():
        results = session_of(new, seed + 1000, batches, fabric)
        window = fit(new.session, results).window(fabric)
        scores[f"scratch {presses}"] = _score(new, window, fabric)
    return scores


def _score(truth, window: Window, fabric: str) -> tuple[float, float, bool]:
    true = float(truth.true_pass(at(window.target), fabric)[0])
    return true, window.pass_rate, window.found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=6, help="benches of each family")
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--change", choices=("oven", "powder", "fabric"), default="oven")
    args = parser.parse_args()
    windows.FIRST_BUDGET, windows.SECOND_BUDGET = BUDGET, 1
    rows = []
    for family in FAMILIES:
        for seed in range(args.first, args.first + args.benches):
            row = job(family, seed, args.change)
            if row is not None:
                rows.append(row)
                print(family, seed, {k: round(v[0], 2) for k, v in row.items()}, flush=True)
    tried = args.benches * len(FAMILIES)
    print(f"\n{args.change}: harmed {len(rows)} of {tried} benches (true pass rate below 0.90)")
    for way in rows[0]:
        true, stated, found = (np.array([row[way][k] for row in rows]) for k in range(3))
        print(
            f"{way:11s} mean true {true.mean():.3f} ± {true.std() / np.sqrt(len(true)):.3f} | "
            f">= 90 %: {np.mean(true >= 0.9):.2f} | window found {found.mean():.2f} | "
            f"stated - true {np.mean(stated - true):+.3f}"
        )


if __name__ == "__main__":
    main()
