"""Whole sessions told by grades, half grades or measured shares: presses for one target and window.

    .venv/bin/python -m tests.bench.bench_readable --benches 60 --out readable.jsonl

The benches and the three ways of :mod:`tests.bench.bench_measured`, here played: a first look of
ten presses, then ``next_presses`` from what each way was told, scored at 10, 14, 18 and 26 presses.
Printed for each way and number of presses: the share of benches whose target truly passes 90 of
100, or comes within .03 of the best that the bench can do; the window's volume over the true one,
summed over the benches that have one; the share of its set-points that are truly good.  Then, for
each of these, with how many measured presses comes what 26 graded ones reach, by the line between
the numbers scored.  Rows are kept as they come: a run cut short goes on where it stopped.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from dtfexp import Session, fit, next_presses, plan
from dtfexp.maths.boxes.box import largest_box
from tests.bench.bench_measured import EYE_SD, FACTORS, WAYS, Bench
from tests.bench.kept_rows import asked_and_kept, keep

BATCHES = (10, 4, 4, 8)
REQUIRED, NEAR = 0.90, 0.03
UNITS = [f.spread or f.step for f in FACTORS]
AXES = [np.arange(f.low, f.high + 0.5 * f.step, f.step) for f in FACTORS]
NAMES = [f.name for f in FACTORS]
KEY = ["presses", "way"]


def truth_of(bench: Bench) -> tuple[float, float]:
    """Return the best true pass rate, and the volume of the true window in steps; 0 without one."""
    mesh = np.stack(np.meshgrid(*AXES, indexing="ij"), axis=-1)
    at = pd.DataFrame(mesh.reshape(-1, len(AXES)), columns=NAMES)
    rate = bench.pass_rate(at).reshape(mesh.shape[:-1])
    box = largest_box(rate >= REQUIRED, AXES, UNITS, [2.0 * u for u in UNITS])
    if box is None:
        return float(rate.max()), 0.0
    ends = np.array(
        [[axis[k] for axis, k in zip(AXES, end, strict=True)] for end in (box.lo, box.hi)]
    )
    return float(rate.max()), float(np.prod((ends[1] - ends[0]) / UNITS))


def played(seed: int, way: str) -> list[dict[str, Any]]:
    """Return the scores of one session, a row for each batch."""
    bench = Bench(seed)
    best, volume = truth_of(bench)
    session = Session("b", FACTORS, [WAYS[way]], ["cotton"])
    results, rows = pd.DataFrame(), []
    for k, batch in enumerate(BATCHES):
        if k:
            runs = next_presses(session, results, batch, seed=seed).runs
        else:
            runs = plan(session, batch, seed=seed).runs
        # The same luck for all three ways, press by press.
        bench.rng = np.random.default_rng([seed, k])
        eye, picture = (bench.rng.normal(0, sd, batch)[: len(runs)] for sd in (EYE_SD, 1.0))
        if len(runs):
            seen = runs.assign(missing=bench.told(way, bench.shares(runs), eye, picture))
            results = pd.concat([results, seen], ignore_index=True)
        window = fit(session, results).window("cotton")
        target = pd.DataFrame([{name: float(window.target[name]) for name in NAMES}])
        row = {
            "seed": seed, "way": way, "presses": sum(BATCHES[: k + 1]), "made": len(results),
            "best": best, "true_volume": volume, "target": float(bench.pass_rate(target)[0]),
            "stated": window.pass_rate, "volume": 0.0, "good": None,
        }  # fmt: skip
        if window.low is not None and window.high is not None:
            ends = np.array([[float(end[n]) for n in NAMES] for end in (window.low, window.high)])
            unit = np.stack(np.meshgrid(*[np.linspace(0, 1, 7)] * 3, indexing="ij"), -1)
            inside = pd.DataFrame(
                ends[0] + unit.reshape(-1, 3) * (ends[1] - ends[0]), columns=NAMES
            )
            row["volume"] = float(np.prod((ends[1] - ends[0]) / UNITS))
            row["good"] = float(np.mean(bench.pass_rate(inside) >= REQUIRED))
        rows.append(row)
    return rows


def report(table: pd.DataFrame) -> None:
    """Print the ways side by side, of benches that were played all three ways."""
    whole = table.groupby("seed")["way"].nunique()
    table = table[table["seed"].isin(whole[whole == len(WAYS)].index)].copy()
    reached = (table["target"] >= REQUIRED) | (table["target"] >= table["best"] - NEAR)
    table["reached"] = reached.astype(float)
    real = table[table["true_volume"] > 0]
    shown = table.groupby(KEY).agg(target_good=("reached", "mean"), target=("target", "mean"))
    sums = real.groupby(KEY)[["volume", "true_volume"]].sum()
    shown["volume"] = sums["volume"] / sums["true_volume"]
    shown["window"] = real.assign(found=real["volume"] > 0).groupby(KEY)["found"].mean()
    shown["good"] = real.groupby(KEY)["good"].mean()
    print(f"{table['seed'].nunique()} invented benches, {real['seed'].nunique()} with a window")
    print(shown.round(3).to_string())
    for name in ("target_good", "target", "volume", "window", "good"):
        wanted = shown[name][26, "grades"]
        by = shown[name].xs("measured", level="way").cummax()
        enough = by.index[by >= wanted]
        told = f"more than {by.index[-1]}"
        if len(enough):
            at = by.index.get_loc(enough[0])
            told = f"at most {enough[0]}" if not at else (
                f"{np.interp(wanted, by.iloc[at - 1 : at + 1], by.index[at - 1 : at + 1]):.0f}"
            )  # fmt: skip
        print(f"{name}: 26 graded presses reach {wanted:.3f}; measured presses for that: {told}")


def main() -> None:
    asked, rows = asked_and_kept(benches=60, first=500)
    done = {(row["seed"], row["way"]) for row in rows if row["presses"] == sum(BATCHES)}
    if not asked.report:
        for seed in range(asked.first, asked.first + asked.benches):
            for way in WAYS:
                if (seed, way) in done:
                    continue
                found = played(seed, way)
                rows += found
                keep(asked.out, *found)
    report(pd.DataFrame(rows))


if __name__ == "__main__":
    main()
