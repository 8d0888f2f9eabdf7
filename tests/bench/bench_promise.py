"""The promise on benches of several kinds: is the target as good, the window as wide, as stated?

One whole session on every invented bench, in batches (``--schedule``), scored at 6, 8, 10, 14 and
26 presses as far as the schedule comes by them.  The kinds: *ordinary*, as drawn; *hard*, 1.4 times
the press noise on three quarters of the width, with usual settings that fail often; *narrow*, three
quarters of the width and the noise as drawn; *hard-nearer* and *narrow-nearer*, the same with the
best place less far from the usual settings, so that these pass .43 and .51 on average; *kind*, half
as wide again as drawn, .6 of the noise and luck, and *kind-hard*, that with 1.4 times the press
noise on three quarters of the width; *kind-narrow*, the same without the louder noise;
*matched-hard*, *kind-hard* with its best place farther off and greater luck.  By what plainer ways
of working reach, *kind* and *matched-hard* come nearest to benches that somebody else drew as
ordinary and as hard.  Benches of one kind differ much more than kinds do: with ``--usual`` only the
true pass rate of the usual settings is printed, of many benches of each kind, with ``--rivals``
also that of the plainer ways.  With ``--wrong 0.05`` a twentieth of the presses are written down
with any other grade in one outcome, and chosen after like that.

Printed for each number of presses: the share of benches whose target truly passes 90 of 100, or
comes within .03 of the best that the bench can do; the mean true pass rate at the target and what
was stated over it; the window's volume over the true one, the share of its set-points that are
good, and its mean true pass rate against the stated one, for the window as it is told, its proven
core, and one asked for 90 % confidence at each set-point; processor seconds of one fit, window and
``next_presses``.

Rows are kept in ``--out`` as they come, one line of JSON each: a run that was cut short goes on
where it stopped, and further benches are added to it.  ``--report`` only prints what is there.

Run by name:  python -m tests.bench.bench_promise --kind hard --benches 60 --out promise.jsonl
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from dtfexp import Fit, fit, next_presses, plan
from tests.bench.kept_rows import keep, read
from tests.bench.sessions import best_of_factorial, least_squares, one_at_a_time
from tests.bench.simulated import FACTORS, NAMES, Bench, bench, eased, with_wrong_grades

REQUIRED = 0.90
# How close to the best that the bench can do also counts as good.
NEAR = 0.03
FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle")
#: Widths, press noise, noise and luck, and how far the best place lies farther from the usual
#: settings (half-ranges); none of them: as drawn.
KINDS: dict[str, tuple[float, float, float, float] | None] = {
    "ordinary": None,
    "hard": (0.75, 1.4, 1.0, 0.24),
    "narrow": (0.75, 1.0, 1.0, 0.20),
    "hard-nearer": (0.75, 1.4, 1.0, 0.21),
    "narrow-nearer": (0.75, 1.0, 1.0, 0.175),
    "kind": (1.5, 1.0, 0.6, 0.25),
    "kind-hard": (1.125, 1.4, 0.6, 0.25),
    "kind-narrow": (1.125, 1.0, 0.6, 0.25),
    "matched-hard": (1.125, 1.4, 0.9, 0.30),
}
SCHEDULES = {
    "6+2+2+4s": (6, 2, 2, 4, 4, 4, 4),
    "6+2+2+4": (6, 2, 2, 4),
    "4+1+1+2+2+4": (4, 1, 1, 2, 2, 4),
    "6": (6,),
    "10+4s": (10, 4, 4, 4, 4),
    "10+8+8": (10, 8, 8),
    "14+4s": (14, 4, 4, 4),
}
AT = (6, 8, 10, 14, 18, 22, 26)
#: Plainer ways of working, by which kinds of benches compare with figures from elsewhere.
RIVALS = (
    ("one setting at a time", one_at_a_time, 14),
    ("one setting at a time", one_at_a_time, 26),
    ("best run of a factorial", best_of_factorial, 26),
    ("least-squares quadratic", least_squares, 26),
)
#: One session: kind of bench, family, seed, schedule, share of presses with a wrong grade.
Task = tuple[str, str, int, str, float]
FIELDS = ("kind", "family", "seed", "schedule", "wrong")
#: The window itself is only scored from this many presses on.
WINDOW_FROM = 26
_LOW, _HIGH = (np.array([float(getattr(f, end)) for f in FACTORS]) for end in ("low", "high"))
_SPREAD = np.array([f.spread for f in FACTORS])


def bench_of(kind: str, family: str, seed: int) -> Bench:
    """The bench of a kind; the same arguments give the same bench."""
    truth, changed = bench(family, seed), KINDS[kind]
    if changed is None:
        return truth
    wide, loud, calm, off = changed
    truth = eased(truth, seed, wide=wide, calm=calm, off=off)
    return replace(truth, noise=loud * truth.noise)


def usual_rate(truth: Bench) -> float:
    """The true pass rate of the usual settings."""
    return float(truth.true_pass(np.array([[f.usual for f in FACTORS]], dtype=float))[0])


def best_reachable(truth: Bench) -> float:
    """The highest true pass rate of any set-point, by a grid and closer ones round its best."""
    low, high, best = _LOW, _HIGH, np.array([f.usual for f in FACTORS], dtype=float)
    top = float(truth.true_pass(best[None, :])[0])
    for points in (9, 5, 5):
        axes = [np.linspace(a, b, points) for a, b in zip(low, high, strict=True)]
        mesh = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
        rate = truth.true_pass(mesh)
        if rate.max() >= top:
            top, best = float(rate.max()), mesh[int(np.argmax(rate))]
        reach = (high - low) / (points - 1)
        low, high = np.maximum(best - reach, _LOW), np.minimum(best + reach, _HIGH)
    return top


def session(
    truth: Bench, batches: tuple[int, ...], seed: int, wrong: float = 0.0
) -> dict[str, Any]:
    """A session's scores by the number of presses planned so far; ``wrong`` of the presses are
    written down wrongly in one grade."""
    rng, slips = np.random.default_rng(seed), np.random.default_rng([9, seed])
    results, out, made = None, {}, 0
    for batch in batches:
        seconds = time.process_time()
        if results is None:
            runs = plan(truth.session, batch, seed=seed).runs
        else:
            # A session that has stopped by itself counts as it stands.
            runs = next_presses(truth.session, results, batch, seed=seed).runs
        seconds = time.process_time() - seconds
        if len(runs):
            seen = truth.press(runs, rng)
            seen = with_wrong_grades(seen, seen.index[slips.random(len(seen)) < wrong], slips)
            results = seen if results is None else pd.concat([results, seen], ignore_index=True)
        made += batch
        if made in AT:
            out[str(made)] = score(truth, results, made) | {"next_s": seconds}
    return out


def score(truth: Bench, results: pd.DataFrame, planned: int) -> dict[str, Any]:
    """What is stated after these presses, and what is true."""
    start = time.process_time()
    fitted = fit(truth.session, results)
    between = time.process_time()
    window = fitted.window("cotton")
    end = time.process_time()
    target = np.array([[window.target[n] for n in NAMES]], dtype=float)
    row: dict[str, Any] = {
        "true": float(truth.true_pass(target)[0]),
        "stated": window.pass_rate,
        "pressed": len(results),
        "fit_s": between - start,
        "window_s": end - between,
    }
    if planned >= WINDOW_FROM:
        sure = fitted.window("cotton", confidence=0.9)
        row["window"] = box_score(truth, fitted, window.low, window.high)
        row["core"] = box_score(truth, fitted, window.core_low, window.core_high)
        row["sure"] = box_score(truth, fitted, sure.low, sure.high)
    return row


def box_score(
    truth: Bench, fitted: Fit, low: dict[str, Any] | None, high: dict[str, Any] | None
) -> dict[str, float] | None:
    """Volume, share of good set-points, and mean pass rate, true and stated; None: no box."""
    if low is None or high is None:
        return None
    ends = np.array([[end[n] for n in NAMES] for end in (low, high)], dtype=float)
    unit = np.stack(np.meshgrid(*[np.linspace(0, 1, 5)] * 4, indexing="ij"), -1).reshape(-1, 4)
    at = ends[0] + unit * (ends[1] - ends[0])
    true = truth.true_pass(at)
    stated = fitted.pass_rate(pd.DataFrame(at, columns=list(NAMES)), "cotton")["pass_rate"]
    return {
        "volume": float(np.prod((ends[1] - ends[0]) / _SPREAD)),
        "good": float(np.mean(true >= REQUIRED)),
        "true": float(true.mean()),
        "stated": float(stated.mean()),
    }


def job(task: Task) -> dict[str, Any]:
    kind, family, seed, schedule, wrong = task
    truth = bench_of(kind, family, seed)
    row = dict(zip(FIELDS, task, strict=True))
    scores_windows = sum(SCHEDULES[schedule]) >= WINDOW_FROM
    return row | {
        "usual": usual_rate(truth),
        "best": best_reachable(truth),
        "volume": truth.true_window()[0] if scores_windows else None,
        "scores": session(truth, SCHEDULES[schedule], seed, wrong),
    }


def resumed(
    tasks: list[Task], path: Path | None, jobs: int,
    work: Callable[[Any], dict[str, Any]] = job,
) -> Iterator[dict[str, Any]]:  # fmt: skip
    """Rows of the tasks: those kept, then the others as they are worked out and kept."""
    kept = {tuple(({"wrong": 0.0} | r)[field] for field in FIELDS): r for r in read(path)}
    yield from (kept[task] for task in tasks if task in kept)
    missing = [task for task in tasks if task not in kept]
    with ProcessPoolExecutor(jobs) as pool:
        for row in pool.map(work, missing) if jobs > 1 else map(work, missing):
            if path is not None:
                keep(path, row)
            yield row


def error(values: Any) -> float:
    """Standard error of a mean."""
    return float(np.std(values) / np.sqrt(max(len(values), 1)))


def report(rows: list[dict[str, Any]]) -> None:
    """One line for each kind, schedule, share of wrong grades and number of presses."""
    groups: dict[tuple[str, str, float], list[dict[str, Any]]] = {}
    for r in rows:
        groups.setdefault((r["kind"], r["schedule"], r.get("wrong", 0.0)), []).append(r)
    for (kind, schedule, wrong), some in groups.items():
        usual, best = (np.array([r[k] for r in some]) for k in ("usual", "best"))
        name = f"{kind}, {schedule}" + (f", {wrong:.0%} wrong" if wrong else "")
        print(f"{name}: {usual_line(usual)}; best reachable {best.mean():.3f}")
        for n in dict.fromkeys(n for r in some for n in r["scores"]):
            at = [(r, r["scores"][n]) for r in some if n in r["scores"]]
            true, stated = (np.array([s[k] for _, s in at]) for k in ("true", "stated"))
            near = true >= np.minimum(REQUIRED, np.array([r["best"] for r, _ in at]) - NEAR)
            seconds = (np.mean([s[k] for _, s in at]) for k in ("fit_s", "window_s", "next_s"))
            print(
                f"  {n:>2s} presses: >= .90 {np.mean(true >= REQUIRED):.3f}, or near the best "
                f"{near.mean():.3f} | mean true {true.mean():.3f} ± {error(true):.3f}, stated - "
                f"true {np.mean(stated - true):+.3f} ± {error(stated - true):.3f} | s: fit, window,"
                f" next {' '.join(f'{s:.2f}' for s in seconds)} | pressed "
                f"{np.mean([s['pressed'] for _, s in at]):.1f}"
            )
            for name in ("window", "core", "sure"):
                boxes_line(name, [(r["volume"], s[name]) for r, s in at if name in s])


def usual_line(rates: Any) -> str:
    """True pass rates of the usual settings in words."""
    return (
        f"{len(rates)} benches, usual settings pass {np.mean(rates):.2f} ± {error(rates):.2f} "
        f"(median {np.median(rates):.2f}; .90 and more on "
        f"{np.mean(np.asarray(rates) >= REQUIRED):.2f})"
    )


def rivals_line(kind: str, benches: list[tuple[str, int]]) -> None:
    """True pass rates that plainer ways of working reach: how hard benches of a kind are."""
    truths = [(bench_of(kind, family, seed), seed) for family, seed in benches]
    print(f"{kind}: {usual_line([usual_rate(truth) for truth, _ in truths])}")
    for name, way, presses in RIVALS:
        rates = np.array([way(truth, presses, seed) for truth, seed in truths])
        print(
            f"  {name}, {presses} presses: mean true {rates.mean():.3f} ± {error(rates):.3f}, "
            f">= .90 on {np.mean(rates >= REQUIRED):.2f}",
            flush=True,
        )


def boxes_line(name: str, found: list[tuple[float, dict[str, float] | None]]) -> None:
    """Windows beside the true ones, on the benches that have one."""
    real = [(volume, b) for volume, b in found if volume > 0]
    if not real:
        return
    volumes = np.array([volume for volume, _ in real])
    told = np.array([b["volume"] if b else 0.0 for _, b in real])
    boxes = [b for _, b in found if b]
    good, true, stated = (np.array([b[k] for b in boxes]) for k in ("good", "true", "stated"))
    ratio = f"volume {told.sum() / volumes.sum():.2f}, median {np.median(told / volumes):.2f}"
    print(
        f"     {name:6s}: found {len(boxes) / len(found):.2f}, {ratio} | share good "
        f"{good.mean():.3f} ± {error(good):.3f} | mean true {true.mean():.3f}, stated - true "
        f"{np.mean(stated - true):+.3f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", default="ordinary", help=f"of {', '.join(KINDS)}, with commas")
    parser.add_argument("--schedule", default="10+4s", help=f"of {', '.join(SCHEDULES)}, the same")
    parser.add_argument("--benches", type=int, default=20, help="benches of each kind")
    parser.add_argument("--first", type=int, default=7000, help="seed of the first benches")
    parser.add_argument("--wrong", default="0", help="shares of presses with a wrong grade")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="file for the rows, kept as they come")
    parser.add_argument("--report", action="store_true", help="only print what is kept")
    parser.add_argument("--usual", action="store_true", help="only the usual settings' pass rates")
    parser.add_argument("--rivals", action="store_true", help="only plainer ways of working")
    args = parser.parse_args()
    n = len(FAMILIES)
    benches = [(FAMILIES[k % n], args.first + k // n) for k in range(args.benches)]
    if args.rivals:
        for kind in args.kind.split(","):
            rivals_line(kind, benches)
        return
    if args.usual:
        for kind in args.kind.split(","):
            print(f"{kind}: {usual_line([usual_rate(bench_of(kind, *one)) for one in benches])}")
        return
    # Kinds and families in turn, so that a run cut short has seen all alike.
    tasks = [
        (kind, family, seed, schedule, float(wrong))
        for family, seed in benches
        for schedule in args.schedule.split(",")
        for wrong in args.wrong.split(",")
        for kind in args.kind.split(",")
    ]
    report(read(args.out) if args.report else list(resumed(tasks, args.out, args.jobs)))


if __name__ == "__main__":
    main()
