"""What coupons judged again teach of press noise, on drawn benches whose noise is known.

    .venv/bin/python -m tests.bench.bench_regrading --benches 60

Benches of :mod:`tests.bench.bench_measured`: the press scatters by a drawn sd, the eye by another.
The same presses are fitted with their grades, and with some of them judged again by the same eye.
Printed: how far the noise learnt is from the true one (log ratio: bias and root mean square), the
share of it that is the eye's, and the error of the pass rate over the ranges; one line in ``--out``
for each bench.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr

from dtfexp import Outcome, Session, fit, plan
from tests.bench.bench_measured import FACTORS, Bench

SESSION = Session("b", FACTORS, [Outcome("peel")], ["cotton"])


def judged(bench: Bench, made: np.ndarray, eye: float) -> np.ndarray:
    """Return grades of prints of these qualities: a whole grade each unit, good enough from 4."""
    return np.clip(np.floor(made + bench.rng.normal(0, eye, len(made))) + 4.0, 1, 5)


def one(seed: int, presses: int, again: list[int]) -> list[dict[str, float]]:
    bench = Bench(seed)
    press_sd, eye_sd = bench.rng.uniform(0.1, 0.5, 2)
    at = pd.DataFrame({f.name: bench.rng.uniform(f.low, f.high, 300) for f in FACTORS})
    noise = float(np.hypot(press_sd, eye_sd))
    truth = ndtr(bench.quality(at) / noise)
    runs = plan(SESSION, presses, seed=seed).runs
    made = bench.quality(runs) + bench.rng.normal(0, press_sd, presses)
    results = runs.assign(peel=judged(bench, made, eye_sd))
    second = judged(bench, made, eye_sd)
    order = bench.rng.permutation(presses)
    rows = []
    for count in (0, *again):
        told = np.where(np.isin(np.arange(presses), order[:count]), second, np.nan)
        fitted = fit(SESSION, results.assign(peel_again=told))
        post = fitted.posterior
        learnt = float(np.exp(post.weight @ [np.log(s.noise[0]) for s in post.integration_points]))
        found = fitted.pass_rate(at, "cotton")["pass_rate"].to_numpy()
        shares = [s.eye_share for s in post.integration_points if s.eye_share is not None]
        rows.append({
            "seed": seed, "presses": presses, "again": count, "true": noise,
            "eye": eye_sd**2 / noise**2, "log_ratio": float(np.log(learnt / noise)),
            "eye_learnt": float(np.mean(shares)) if shares else float("nan"),
            "error": float(np.sqrt(np.mean((found - truth) ** 2))),
        })  # fmt: skip
    return rows


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--benches", type=int, default=60)
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--presses", type=int, default=26)
    ask.add_argument("--again", type=int, nargs="+", default=[12, 26])
    ask.add_argument("--out", type=Path)
    asked = ask.parse_args()
    rows, begun = [], time.process_time()
    for seed in range(asked.first, asked.first + asked.benches):
        found = one(seed, asked.presses, asked.again)
        rows += found
        if asked.out:
            with asked.out.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(row) + "\n" for row in found)
    table = pd.DataFrame(rows)
    table["square"] = table["log_ratio"] ** 2
    shown = table.groupby(["presses", "again"]).agg(
        benches=("seed", "nunique"), bias=("log_ratio", "mean"), square=("square", "mean"),
        eye=("eye", "mean"), eye_learnt=("eye_learnt", "mean"), error=("error", "mean"),
    )  # fmt: skip
    shown["rms"] = np.sqrt(shown.pop("square"))
    print(f"{asked.benches} drawn benches, {time.process_time() - begun:.0f} s of processor")
    print(shown.round(3).to_string())
    told = table[table["again"] == max(asked.again)]
    alike = told[["eye", "eye_learnt"]].corr().iloc[0, 1]
    print(f"correlation of the eye's share with what was learnt of it: {alike:.2f}")


if __name__ == "__main__":
    main()
