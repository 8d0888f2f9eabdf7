"""Minutes and memory of a fit: small and large, its growth with presses, and a general sampler's.

Run from the root: ``python -m tests.bench.bench_fit FOLDER [--sampler]``; the figure of the growth
is written to the folder.  ``--sampler`` needs numpyro (see ``general_sampler``).
Seconds are of the processor, so that other work on the machine counts less.  All invented.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

from dtfexp import Fit, Outcome, Session, fit, next_presses, plan
from tests.bench.bench_large import many
from tests.bench.simulated import FACTORS, NAMES, bench
from tests.dialin.bench import FOUR

SETTINGS = 10_000
ENOUGH = 400
GROWTH = (10, 20, 30, 50, 80, 120, 160, 250, 350, 500)


def timed(ask: Callable[[], Any], repeats: int = 3) -> tuple[float, Any]:
    """Processor seconds of the quickest of a few runs, and what came out."""
    best, out = np.inf, None
    for _ in range(repeats):
        # While anybody holds it, a fit is given again and not made anew.
        out = None
        start = time.process_time()
        out = ask()
        best = min(best, time.process_time() - start)
    return best, out


def somewhere(n: int) -> pd.DataFrame:
    """Settings spread over the range."""
    rng = np.random.default_rng(0)
    x = rng.uniform([f.low for f in FACTORS], [f.high for f in FACTORS], (n, len(FACTORS)))
    return pd.DataFrame(x, columns=list(NAMES))


def fit_and_ask(session: Session, results: pd.DataFrame) -> Fit:
    """A fit and the pass rate at 10,000 settings of its first fabric."""
    fitted = fit(session, results)
    fitted.pass_rate(somewhere(SETTINGS), session.fabrics[0])
    return fitted


def large() -> tuple[Session, pd.DataFrame]:
    """Three fabrics, three outcomes, 120 presses."""
    truth = bench("dose", 1, ("cotton", "poly", "nylon"))
    rng = np.random.default_rng(1)
    parts = []
    for k in range(3):
        runs = plan(truth.session, 40, seed=k).runs
        runs["oven_load"] += 100 * k
        runs["press_round"] += 100 * k
        parts.append(runs)
    results = truth.press(pd.concat(parts, ignore_index=True), rng)
    results["press"] = range(1, len(results) + 1)
    worse = rng.random(len(results)) < 0.3
    results["stretch"] = np.clip(results["wash"] - worse, 1, 5)
    outcomes = (*truth.session.outcomes, Outcome("stretch"))
    return Session("large", FACTORS, outcomes, truth.session.fabrics), results


def growth(folder: Path) -> None:
    """Seconds of a fit against the number of presses, drawn."""
    session = Session("growing", FOUR.factors, (Outcome("peel"),), ("cotton",))
    results = many(session, max(GROWTH))
    seconds = []
    for n in GROWTH:
        some = results.head(n)
        seconds.append(timed(lambda some=some: fit(session, some), 1 if n > 160 else 2)[0])
        print(f"  {n} presses, one outcome: {seconds[-1]:.2f} s", flush=True)
    figure, axes = plt.subplots(figsize=(6, 4), layout="constrained")
    axes.loglog(GROWTH, seconds, "o-", color="#1f4e79")
    ticks = [n for n in GROWTH if n not in (30, 160, 350)]
    axes.set_xticks(ticks, [str(n) for n in ticks])
    axes.minorticks_off()
    axes.set_xlabel("presses (one graded outcome)")
    axes.set_ylabel("fit (seconds)")
    axes.set_title("Time of a fit")
    axes.grid(alpha=0.3)
    figure.savefig(folder / "fit_growth.png", dpi=120)


def sampled(fitted: Fit) -> tuple[float, float]:
    """Processor seconds of the general sampler on the same data, cuts as fitted, and the same
    settings, and those of them that went into compiling.

    It runs until 400 effective draws are there (:func:`general_sampler.fewest_effective`).
    """
    from tests.bench import general_sampler as general

    data, coding = fitted.posterior.data, fitted.coding
    stage = ("cure", "press", "peel")
    asked = coding.points(somewhere(SETTINGS), np.zeros(SETTINGS, dtype=int), spread=False)
    case = {
        "settings": data.at.nodes[:, :, 0].tolist(),
        "fabric": data.at.fabric.tolist(),
        "outcome": data.outcome.tolist(),
        "load": data.load.tolist(),
        "round": data.round_.tolist(),
        "press": data.press.tolist(),
        "grade": data.grade.tolist(),
        "value": [None] * data.n,
        "stage": [stage[s] for s in coding.shape.stage],
        "word": list(coding.shape.is_category),
        "trade_off": [list(p) for p in coding.shape.trade_off],
        "cuts": [None if g is None else g.cuts.tolist() for g in fitted.posterior.grade_scales],
        "points": asked.nodes[:, :, 0].tolist(),
        "points_fabric": asked.fabric.tolist(),
    }
    compiling, _ = timed(lambda: general.draw(case, warmup=1, samples=1, chains=1, seed=1), 1)
    for samples in (250, 500, 1000, 2000):
        seconds, draws = timed(
            lambda n=samples: general.draw(case, warmup=300, samples=n, chains=4, seed=1), 1
        )
        effective = general.fewest_effective(draws)
        if effective >= ENOUGH:
            break
    thin = max(1, 4 * samples // ENOUGH)
    asking, _ = timed(lambda: general.answers(case, draws, seed=1, thin=thin), 1)
    # One draw of each chain: hardly more than compiling.
    ready, _ = timed(lambda: general.answers(case, draws, seed=1, thin=samples), 1)
    print(
        f"  the sampler: {seconds:.1f} s for 4 chains of 300 + {samples} (at least "
        f"{effective:.0f} effective draws), of which compiling {compiling:.1f} s; "
        f"{asking:.1f} s for the settings from {ENOUGH} draws, of which compiling {ready:.1f} s",
        flush=True,
    )
    return seconds + asking, compiling + ready


def window_and_next(session: Session, results: pd.DataFrame) -> None:
    """Print what a window and the next presses cost, these alone and after the window."""
    held = [fit(session, results)]
    window = timed(lambda: held[0].window("cotton"), 1)[0]
    after = timed(lambda: next_presses(session, results, 4))[0]
    held.clear()
    alone = timed(lambda: next_presses(session, results, 4))[0]
    print(
        f"window {window:.2f} s; next four presses {alone:.2f} s, after the window {after:.2f} s: "
        f"{alone / after:.1f} times less",
        flush=True,
    )


def main(folder: Path, sampler: bool) -> None:
    """Print everything, in one run."""
    truth = bench("dose", 1)
    results = truth.press(plan(truth.session, 26, seed=1).runs, np.random.default_rng(1))
    window_and_next(truth.session, results)
    small, fitted = timed(lambda: fit_and_ask(truth.session, results))
    print(f"26 presses, 2 outcomes, 1 fabric: {small:.2f} s with {SETTINGS} settings", flush=True)
    session, presses = large()
    much, _ = timed(lambda: fit_and_ask(session, presses), 1)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"120 presses, 3 outcomes, 3 fabrics: {much:.2f} s, {much / small:.1f} times the small")
    print(f"most memory so far: {most:.2f} GB", flush=True)
    if find_spec("numpyro") is None:
        print("  the general sampler was not run: numpyro is not installed", flush=True)
    elif sampler:
        took, compiling = sampled(fitted)
        print(
            f"  the fit is {took / small:.0f} times faster, "
            f"{(took - compiling) / small:.0f} times without compiling",
            flush=True,
        )
    growth(folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]), "--sampler" in sys.argv)
