"""One fit, three windows: predictive, its proven core, and the pointwise rule, against the truth.

A session of 26 presses (10, then four fours) is played on every invented bench (kinds as in
``bench_promise``); on the same fit each rule's box is set against the largest truly good box.
Printed: volume over the true one (of sums, and the median over benches), the share of set-points
that truly pass 90 of 100, the mean true pass rate in the box less the stated one, and over all
settings how often the target lies on an edge that is neither range nor limit; processor seconds of
a window by each rule on a fresh fit, and their ratio.

The true box is looked for between the steps of the dial too, as windows are told so, and on a grid
of steps as in ``simulated``.  Sessions are
kept in ``--out``, so that a changed rule is scored again without pressing anew.

Run by name:  python -m tests.bench.bench_window_rules --benches 30 --out sessions.pkl
"""

from __future__ import annotations

import argparse
import os
import pickle
import sys
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from dtfexp import Window, fit, next_presses, plan
from dtfexp.maths.boxes.box import largest_box
from tests.bench.bench_promise import FAMILIES, bench_of
from tests.bench.simulated import FACTORS, NAMES, Bench

REQUIRED, BATCHES = 0.90, (10, 4, 4, 4, 4)
_SPREAD = np.array([f.spread for f in FACTORS])
_UNIT = np.stack(np.meshgrid(*[np.linspace(0, 1, 6)] * 4, indexing="ij"), -1).reshape(-1, 4)


def played(kind: str, family: str, seed: int) -> pd.DataFrame:
    """The results of one session."""
    truth, rng = bench_of(kind, family, seed), np.random.default_rng(seed)
    results = truth.press(plan(truth.session, BATCHES[0], seed=seed).runs, rng)
    for count in BATCHES[1:]:
        runs = next_presses(truth.session, results, count, seed=seed).runs
        if len(runs):
            results = pd.concat([results, truth.press(runs, rng)], ignore_index=True)
    return results


def true_volume(truth: Bench) -> float:
    """Volume of the largest truly good box, product of widths over spread: on a coarse grid first,
    then three times with places ever closer round the edges of the box found."""
    ends = [(float(f.low), float(f.high)) for f in FACTORS]
    axes = [np.linspace(a, b, 13) for a, b in ends]
    gaps = [axis[1] - axis[0] for axis in axes]
    for _ in range(4):
        mesh = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
        good = (truth.true_pass(mesh) >= REQUIRED).reshape([len(a) for a in axes])
        box = largest_box(good, axes, list(_SPREAD)) if good.any() else None
        if box is None:
            return 0.0
        found = [(a[lo], a[hi]) for a, lo, hi in zip(axes, box.lo, box.hi, strict=True)]
        near = np.linspace(-1, 1, 5)
        for k, (lo, hi) in enumerate(found):
            places = [*(lo + gaps[k] * near), 0.5 * (lo + hi), *(hi + gaps[k] * near)]
            axes[k] = np.unique(np.clip(np.round(places, 9), *ends[k]))
        gaps = [0.5 * gap for gap in gaps]
    return float(np.prod([(hi - lo) / s for (lo, hi), s in zip(found, _SPREAD, strict=True)]))


def box_score(truth: Bench, low: Any, high: Any) -> dict[str, Any]:
    """Volume, share of good set-points and their rates; a box that is not there has none."""
    if low is None or high is None:
        return {"volume": 0.0, "good": np.nan, "true": np.nan, "places": None}
    a, b = (np.array([end[n] for n in NAMES], dtype=float) for end in (low, high))
    places = a + _UNIT * (b - a)
    rate = truth.true_pass(places)
    return {
        "volume": float(np.prod((b - a) / _SPREAD)),
        "good": float(np.mean(rate >= REQUIRED)),
        "true": float(rate.mean()),
        "places": pd.DataFrame(places, columns=list(NAMES)),
    }


def on_an_edge(window: Window) -> int:
    """How many settings of the target lie on an edge that is neither range nor limit."""
    if window.low is None or window.high is None:
        return 0
    return sum(
        any(
            abs(window.target[f.name] - end[f.name]) < 1e-9 and abs(end[f.name] - stop) > 1e-9
            for end, stop in ((window.low, f.low), (window.high, f.high))
        )
        for f in FACTORS
    )


def scored(kind: str, family: str, seed: int, results: pd.DataFrame) -> dict[str, Any]:
    truth = bench_of(kind, family, seed)
    row: dict[str, Any] = {"kind": kind, "family": family, "truth": true_volume(truth)}
    row["on steps"] = truth.true_window()[0]
    windows: dict[str, Window] = {}
    for rule, asked in (("predictive", None), ("pointwise", 0.9)):
        fitted = fit(truth.session, results)
        start = time.process_time()
        windows[rule] = fitted.window("cotton", confidence=asked)
        row[f"{rule} s"] = time.process_time() - start
    one, other = windows["predictive"], windows["pointwise"]
    boxes = {
        "predictive": (one.low, one.high),
        "core": (one.core_low, one.core_high),
        "pointwise": (other.low, other.high),
    }
    for name, ends in boxes.items():
        found = box_score(truth, *ends)
        at = found.pop("places")
        found["stated"] = (
            np.nan if at is None else float(fitted.pass_rate(at, "cotton")["pass_rate"].mean())
        )
        row[name] = found
    row["edge"], row["settings"] = on_an_edge(one), len(FACTORS) if one.found else 0
    for name, settings in (("target", one.target), ("old target", other.target)):
        at = np.array([[settings[n] for n in NAMES]], dtype=float)
        row[name] = float(truth.true_pass(at)[0])
    row["target stated"], row["stay"] = one.pass_rate, one.stay
    return row


def report(rows: list[dict[str, Any]]) -> None:
    for kind in dict.fromkeys(r["kind"] for r in rows):
        some = [r for r in rows if r["kind"] == kind and r["truth"] > 0]
        truth, steps = (np.array([r[k] for r in some]) for k in ("truth", "on steps"))
        print(f"{kind}: {len(some)} benches with a true window")
        for name in ("predictive", "core", "pointwise"):
            volume, good, true, stated = (
                np.array([r[name][k] for r in some]) for k in ("volume", "good", "true", "stated")
            )
            found = volume > 0
            share = volume / truth
            print(
                f"  {name:11s} found {found.mean():.2f}"
                f" | volume {volume.sum() / truth.sum():.2f}, median {np.median(share):.2f}"
                f" (true box on steps: {volume.sum() / steps.sum():.2f},"
                f" {np.median(volume / np.maximum(steps, 1e-9)):.2f})"
                f" | good {good[found].mean():.3f}, by volume"
                f" {np.average(good[found], weights=volume[found]):.3f}"
                f" | true {true[found].mean():.4f}, stated {stated[found].mean():.4f}"
            )
        target, before = (np.array([r[k] for r in some]) for k in ("target", "old target"))
        told = np.array([r["target stated"] for r in some])
        print(
            f"  target true {target.mean():.4f} (pointwise rule {before.mean():.4f}), stated"
            f" {told.mean():.4f}; >= 90 %: {np.mean(target >= REQUIRED):.2f}"
            f" ({np.mean(before >= REQUIRED):.2f}); stay {np.mean([r['stay'] for r in some]):.2f}"
        )
        edge, settings = (sum(r[k] for r in some) for k in ("edge", "settings"))
        cost = [np.mean([r[f"{rule} s"] for r in some]) for rule in ("predictive", "pointwise")]
        print(
            f"  targets on an edge: {edge} of {settings} settings; window {cost[0]:.2f} s,"
            f" pointwise {cost[1]:.2f} s, ratio {cost[0] / cost[1]:.2f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=20, help="of each kind, families in turn")
    parser.add_argument("--first", type=int, default=100, help="seed of the first")
    parser.add_argument("--kind", default="ordinary")
    parser.add_argument("--play", action="store_true", help="only play, do not score")
    parser.add_argument("--out", type=Path, help="file that keeps the sessions")
    args = parser.parse_args()
    kept = pickle.loads(args.out.read_bytes()) if args.out and args.out.exists() else {}
    rows = []
    for k in range(args.benches):
        task = (args.kind, FAMILIES[k % len(FAMILIES)], args.first + k // len(FAMILIES))
        if task not in kept:
            kept[task] = played(*task)
            if args.out:
                args.out.write_bytes(pickle.dumps(kept))
        if not args.play:
            rows.append(scored(*task, kept[task]))
            print(f"{k + 1} of {args.benches}", file=sys.stderr)
    if rows:
        report(rows)


if __name__ == "__main__":
    main()
