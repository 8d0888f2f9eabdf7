"""How many presses an earlier session saves after a change, on benches with hidden truths.

For each bench: a first session of 26 presses; then something changes, and the bench is dialled in
again with 4, 8 and 12 presses on top of the earlier ones (``redial``), and from scratch with a
second session that is looked at after 10, 14, ... 26.  Benches whose first session missed a true
90 % are left out: there was nothing to keep.  Figures, for all benches and for those that the
change harmed (true pass rate at the old target below 90 %): mean true pass rate at the target,
share of benches at 90 % or better, share with a window found, mean of stated minus true; and after
how many presses a session from scratch does as well, on the mean true pass rate and on windows
found.

Run by name:  python -m tests.bench.bench_redial --benches 12 --change oven
"""

from __future__ import annotations

import argparse
import os
import pickle
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

import dtfexp.dialin.window.window_box as windows
from dtfexp import Window, fit, redial
from tests.bench.changes import FIRST, another_lot, another_season, at, oven_drifted, session_of
from tests.bench.simulated import Bench, bench

FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle")
AGAIN = (4, 8, 12)
SCRATCH = tuple(int(n) for n in np.cumsum(FIRST))
#: Cells of the window's grids: coarser than a shop's, to look at many benches.
BUDGET = 4000
Scores = dict[str, tuple[float, float, bool]]
#: True drift of the oven, and mean and sd of what the new presses told of it (°C).
Told = tuple[float, float, float]


def job(
    family: str, seed: int, change: str, cache: Path | None
) -> tuple[Scores, list[Told]] | None:
    """Way of working -> (true pass rate, stated, window found), and for an oven what each batch
    told of its drift; None where the first session missed."""
    fabric = "nylon" if change == "fabric" else "cotton"
    old = bench(family, seed, ("cotton", "nylon") if change == "fabric" else ("cotton",))
    rng = np.random.default_rng([13, seed])
    new, degrees = old, 0.0
    if change == "oven":
        degrees = float(rng.choice([-8.0, 8.0]))
        new = oven_drifted(old, degrees)
    elif change in ("powder", "film"):
        new = another_lot(old, rng)
    elif change == "season":
        new = another_season(old, rng)
    both = "two" if change == "fabric" else "one"
    earlier, before = _kept(cache, f"{both}-{family}-{seed}", lambda: _first(old, seed))
    target = before.target
    if float(old.true_pass(at(target), "cotton")[0]) < 0.90:
        return None
    scores = {"keep": _score(new, before, fabric)}
    now, told = None, []
    known = redial(old.session, earlier, fabric, changed=change, now=now, target=target)
    for presses in AGAIN:
        made = new.press(known.next_presses(4, seed=seed).runs, rng)
        now = made if now is None else pd.concat([now, made], ignore_index=True)
        known = redial(old.session, earlier, fabric, changed=change, now=now, target=target)
        scores[f"redial {presses}"] = _score(new, known.window(), fabric)
        told += [(degrees, s.mean, s.sd) for s in known.shifts if change == "oven"]
    scratch = _kept(cache, f"scratch-{change}-{family}-{seed}", lambda: _scratch(new, seed, fabric))
    return scores | scratch, told


def _first(old: Bench, seed: int) -> tuple[pd.DataFrame, Window]:
    earlier = session_of(old, seed)
    return earlier, fit(old.session, earlier).window("cotton")


def _scratch(new: Bench, seed: int, fabric: str) -> Scores:
    """One session with nothing known before, scored after each batch (as far as it went on)."""
    results = session_of(new, seed + 1000, fabric=fabric)
    return {
        f"scratch {n}": _score(new, fit(new.session, results.head(n)).window(fabric), fabric)
        for n in SCRATCH
    }


def _kept(cache, key, work):
    """What was worked out before under this name, or ``work()``: to compare ways of dialling in
    again on the same earlier and rival sessions."""
    if cache is None:
        return work()
    path = cache / f"{key}.pickle"
    if not path.exists():
        path.write_bytes(pickle.dumps(work()))
    return pickle.loads(path.read_bytes())


def _score(truth: Bench, window: Window, fabric: str) -> tuple[float, float, bool]:
    true = float(truth.true_pass(at(window.target), fabric)[0])
    return true, window.pass_rate, window.found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=6, help="benches of each family")
    parser.add_argument("--first", type=int, default=500)
    changes = ("oven", "powder", "film", "season", "fabric")
    parser.add_argument("--change", choices=changes, default="oven")
    parser.add_argument("--cache", type=Path, help="folder to keep earlier and rival sessions in")
    args = parser.parse_args()
    windows.FIRST_BUDGET, windows.SECOND_BUDGET = BUDGET, 1
    rows, drifts = [], []
    for seed in range(args.first, args.first + args.benches):
        for family in FAMILIES:
            found = job(family, seed, args.change, args.cache)
            if found is not None:
                row, told = found
                rows.append(row)
                drifts.append(told)
                print(family, seed, {k: round(v[0], 2) for k, v in row.items()}, flush=True)
    tried = args.benches * len(FAMILIES)
    print(f"\n{args.change}: the first session was good on {len(rows)} of {tried} benches")
    _told(rows)
    for k, presses in enumerate(AGAIN if args.change == "oven" else ()):
        true, mean, sd = np.array([told[k] for told in drifts]).T
        print(
            f"the drift after {presses} presses: off by {np.abs(mean - true).mean():.1f} °C, told "
            f"give or take {sd.mean():.1f} °C, within twice that "
            f"{np.mean(np.abs(mean - true) <= 2 * sd):.2f}"
        )
    harmed = [row for row in rows if row["keep"][0] < 0.90]
    if harmed:
        print(f"\nharmed by the change: {len(harmed)} of them")
        _told(harmed)


def _told(rows: list[Scores]) -> None:
    rates, windows_found = {}, {}
    for way in rows[0]:
        true, stated, found = (np.array([row[way][k] for row in rows]) for k in range(3))
        rates[way], windows_found[way] = float(true.mean()), float(found.mean())
        print(
            f"{way:11s} mean true {true.mean():.3f} ± {true.std() / np.sqrt(len(true)):.3f} | "
            f">= 90 %: {np.mean(true >= 0.9):.2f} | window found {found.mean():.2f} | "
            f"stated - true {np.mean(stated - true):+.3f}"
        )
    for presses in AGAIN:
        print(
            f"{presses:2d} presses are as good as, from scratch: by the true pass rate "
            f"{_equal(rates, presses)}, by windows found {_equal(windows_found, presses)}"
        )


def _equal(means: dict[str, float], presses: int) -> str:
    """After how many presses from scratch the mean is as good (interpolated)."""
    curve = np.maximum.accumulate([means[f"scratch {n}"] for n in SCRATCH])
    reached = means[f"redial {presses}"]
    if reached > curve[-1]:
        return f"more than {SCRATCH[-1]}"
    if reached < curve[0]:
        return f"fewer than {SCRATCH[0]}"
    return f"{np.interp(reached, curve, SCRATCH):.0f}"


if __name__ == "__main__":
    main()
