"""Grades, half grades and measured shares of the same presses: what each tells of the pass rate.

    .venv/bin/python -m tests.bench.bench_measured --benches 60

Invented benches: quality falls off from a place that differs from bench to bench, and the share of
print missing falls with quality. The same presses are told three ways: as a grade of five by an eye
with noise, as half grades by the same eye, and as the share that a picture measures, with the error
seen in drawn pictures (`picture_sd`). A press passes when its true share is at most 4 %, where an
eye without noise gives a 4 on both scales. Reported: root mean square error of the pass rate over
the ranges, and the true pass rate where the fit expects the best.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from scipy.special import ndtr

from dtfexp import Factor, Outcome, Session, fit, plan

ACCEPT, FALL, PRESS_SD, EYE_SD = 4.0, 0.9, 0.25, 0.35
FACTORS = (
    Factor("cure temperature", 110, 150, "°C", step=2, stage="cure"),
    Factor("press temperature", 140, 180, "°C", step=2),
    Factor("press time", 8, 24, "s", step=1),
)
WAYS = {
    "grades": Outcome("missing"),
    "half grades": Outcome("missing", step=0.5),
    "measured": Outcome("missing", worst=60, best=0, accept=ACCEPT, kind="measured", unit="%"),
}


def picture_sd(share: np.ndarray) -> np.ndarray:
    """Return the standard error, in points, of shares (n,) of 0 to 60 % that pictures measure.

    Fitted by eye to the root mean square errors of 809 coupons of `tests.bench.proof_reading`: .15
    where the true share is below 2 %, .21 to 6 %, .36 to 15 %, .39 to 25 %, .54 beyond.
    """
    return np.asarray(0.10 + 0.075 * np.sqrt(share))


class Bench:
    """One invented truth: quality 0 is just acceptable, more is better."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.centre = self.rng.uniform(-0.4, 0.4, len(FACTORS))
        self.steep = self.rng.uniform(0.8, 2.2, len(FACTORS))
        self.top = self.rng.uniform(0.7, 1.5)

    def quality(self, settings: pd.DataFrame) -> np.ndarray:
        x = np.column_stack([
            (settings[f.name].to_numpy(dtype=float) - float(f.usual)) / (0.5 * (f.high - f.low))
            for f in FACTORS
        ])  # fmt: skip
        return self.top - ((x - self.centre) ** 2) @ self.steep

    def pass_rate(self, settings: pd.DataFrame) -> np.ndarray:
        return ndtr(self.quality(settings) / PRESS_SD)

    def shares(self, runs: pd.DataFrame) -> np.ndarray:
        made = self.quality(runs) + self.rng.normal(0, PRESS_SD, len(runs))
        return np.minimum(ACCEPT * np.exp(-FALL * made), 60.0)

    def told(self, way: str, share: np.ndarray, eye: np.ndarray, picture: np.ndarray) -> np.ndarray:
        if way == "measured":
            return np.clip(share + picture_sd(share) * picture, 0, 60).round(1)
        # A grade is reached or not, so that all three ways accept the same print.
        step = WAYS[way].step
        seen = eye - np.log(share / ACCEPT) / FALL
        return np.clip(4.0 + np.floor(seen / step) * step, 1, 5)


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--benches", type=int, default=60)
    ask.add_argument("--presses", type=int, nargs="+", default=[10, 14, 20, 26])
    ask.add_argument("--first", type=int, default=0)
    asked = ask.parse_args()
    rows, begun = [], time.process_time()
    for seed in range(asked.first, asked.first + asked.benches):
        bench = Bench(seed)
        at = pd.DataFrame({f.name: bench.rng.uniform(f.low, f.high, 300) for f in FACTORS})
        truth = bench.pass_rate(at)
        for presses in asked.presses:
            runs = plan(
                Session("b", FACTORS, [WAYS["grades"]], ["cotton"]), presses, seed=seed
            ).runs
            share = bench.shares(runs)
            eye = bench.rng.normal(0, EYE_SD, len(runs))
            picture = bench.rng.normal(0, 1, len(runs))
            for way, outcome in WAYS.items():
                session = Session("b", FACTORS, [outcome], ["cotton"])
                results = runs.assign(missing=bench.told(way, share, eye, picture))
                found = fit(session, results).pass_rate(at, "cotton")["pass_rate"].to_numpy()
                error = float(np.sqrt(np.mean((found - truth) ** 2)))
                rows.append((presses, way, error, truth[found.argmax()]))
    table = pd.DataFrame(rows, columns=["presses", "way", "error", "best"])
    shown = table.groupby(["presses", "way"]).agg(
        error=("error", "mean"), se=("error", "sem"), best=("best", "mean"),
        at_least_90=("best", lambda best: (best >= 0.9).mean()),
    )  # fmt: skip
    print(f"{asked.benches} invented benches, {time.process_time() - begun:.0f} s of processor")
    print(shown.round(3).to_string())


if __name__ == "__main__":
    main()
