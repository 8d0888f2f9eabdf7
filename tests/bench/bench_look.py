"""What the look of the cure saves in presses: the same sessions with and without it, side by side.

For every invented bench one session in batches (6, then 2, 2 and 4 more), pressed three times from
the same seeds: *without* looks; *with* what each load looked like after the cure
(``simulated.Eye``), seen by the fit and the next presses; and *cured on*, where a grainy load also
goes back into the oven until it looks right, as the form offers.  Printed at 6, 8, 10 and 14
presses: the true pass rate at the target, the share of benches that keep 90 %, and how many presses
the sessions without looks need more to come as far (between the numbers played, on a straight
line).  ``--quick`` holds the scales and plays first plans only.  ``--oven 15`` takes ovens that are
off their display by an unknown N(0, 15 °C).

Run by name:  python -m tests.bench.bench_look --benches 8
"""

from __future__ import annotations

import argparse
import os
import pickle
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from scipy.stats import qmc

from dtfexp import fit, next_presses, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.fit import Fit
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.site_fitting import fit_sites, with_input_noise
from tests.bench.simulated import FACTORS, FAMILIES, NAMES, Bench, Eye, bench

BATCHES = (6, 2, 2, 4)
ARMS = ("without", "with", "cured on")
# Set-points spread evenly over the range.
_LOW, _HIGH = (np.array([getattr(f, end) for f in FACTORS]) for end in ("low", "high"))
SPREAD = pd.DataFrame(
    _LOW + qmc.Sobol(4, scramble=False).random(1024) * (_HIGH - _LOW), columns=list(NAMES)
)


def session(b: Bench, seed: int, arm: str, quick: bool = False) -> dict[int, float]:
    """True pass rate at the target after each number of presses.

    quick: every number is a first plan of its own, without next presses; the scales stay at the
    middle of their priors; the target is the best of ``SPREAD`` and not that of the window.
    """
    rng, eye = (
        np.random.default_rng(seed),
        Eye(b, np.random.default_rng([*map(ord, b.family), seed])),
    )
    results, out = None, {}
    for made in np.cumsum(BATCHES):
        if results is None or quick:
            results = None
            runs = plan(b.session, int(made), seed=seed).runs
        else:
            runs = next_presses(b.session, results, int(made) - len(results), seed=seed).runs
        if len(runs):
            seen = b.press(eye.cured_on(runs) if arm == "cured on" else eye.look(runs), rng)
            if arm == "without":
                seen = seen.drop(columns="cure_look")
            results = seen if results is None else pd.concat([results, seen], ignore_index=True)
        if quick:
            fitted = at_middle_scales(b, results)
            best = SPREAD.iloc[[int(np.argmax(fitted.pass_rate(SPREAD, "cotton")["pass_rate"]))]]
        else:
            best = pd.DataFrame([fit(b.session, results).window("cotton").target])
        target = best[list(NAMES)].to_numpy(dtype=float)
        out[int(made)] = float(b.true_pass(target)[0])
    return out


def at_middle_scales(b: Bench, results: pd.DataFrame) -> Fit:
    """The fit at one set of scales, the middle of their priors: a fifteenth of the time."""
    coding, prior = Coding(b.session), Prior()
    outcomes = coding.shape.n_outcomes
    scales = to_hyperparameters(np.zeros(n_dimensions(outcomes)), outcomes)
    checked = check_results(b.session, results)
    data = with_input_noise(
        coding.data(checked), coding.shape, prior, coding.graded, scales, rounds=1
    )
    sites = fit_sites(data, coding.shape, prior, coding.graded, [scales])
    found = Posterior(data, coding.shape, prior, coding.graded, (scales,), np.ones(1), sites)
    return Fit(b.session, checked, found)


def job(task: tuple[str, int, float, tuple[str, ...], bool]) -> dict:
    family, seed, oven, arms, quick = task
    b = bench(family, seed)
    if oven:
        off = np.random.default_rng([*map(ord, family), seed, 9]).normal(0, oven)
        b = replace(b, quality={"cotton": partial(_off, b.quality["cotton"], off)})
    good = b.true_pass(SPREAD.to_numpy()).max() >= 0.9
    row = {"family": family, "seed": seed, "window": bool(good)}
    return row | {arm: session(b, seed, arm, quick) for arm in arms}


def _off(quality: Callable[[np.ndarray], np.ndarray], off: float, x: np.ndarray) -> np.ndarray:
    """The quality where the oven is so many degrees hotter than its display."""
    return quality(x + np.array([off, 0.0, 0.0, 0.0]))


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
        counts = np.array(sorted(some[0]["without"]))
        arms = [arm for arm in ARMS if arm in some[0]]
        rate = {arm: np.array([[r[arm][n] for n in counts] for r in some]) for arm in arms}
        base = rate["without"]
        for k, n in enumerate(counts):
            for arm in arms:
                now = rate[arm][:, k]
                gain = now - base[:, k]
                print(
                    f"{group:17s} n={n:2d} benches {len(some):2d} {arm:8s} | mean pass "
                    f"{now.mean():.3f}, gain {gain.mean():+.3f} ± "
                    f"{gain.std() / np.sqrt(len(some)):.3f} | >= 90 %: {np.mean(now >= 0.9):.2f}"
                    f" | presses saved {saved(counts, base.mean(axis=0), now.mean(), n)}"
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=8, help="benches of each family")
    parser.add_argument("--families", default=",".join(FAMILIES))
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--arms", default=",".join(ARMS))
    parser.add_argument("--oven", type=float, default=0.0, help="sd of what the display is off, °C")
    parser.add_argument("--quick", action="store_true", help="first plans, one set of scales")
    parser.add_argument("--out", type=Path, help="file for the rows, kept as they come")
    args = parser.parse_args()
    tasks = [
        (family, seed, args.oven, tuple(args.arms.split(",")), args.quick)
        for seed in range(args.first, args.first + args.benches)
        for family in args.families.split(",")
    ]
    rows = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for row in pool.map(job, tasks):
            rows.append(row)
            if args.out:
                args.out.write_bytes(pickle.dumps(rows))
    report(rows)


if __name__ == "__main__":
    main()
