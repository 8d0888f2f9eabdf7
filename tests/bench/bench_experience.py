"""What earlier logbooks save: new benches dialled in with and without their experience.

Populations of invented benches (``simulated``; kinds as in ``bench_promise``): *kind*, *hard*,
*narrow*, *mixed* of all, and the same with an ``off-`` before it, whose best place lies
systematically half a half-range off what is usual; ``own-`` and ``own2-``: the fabrics of one shop,
which are one bench (another for another number) with the best place of each N(0, 0.12) half-ranges
and its width a tenth from the others'.  Of each, some earlier books teach an experience: sessions
of 18 presses in three batches, as a shop dials in (``--spread``: 26 presses all over the range, a
Latin hypercube), and new benches are played with it and without it, the same presses' luck for
both; with ``--on 4+4+4`` those without it go on, so that a window after 14 presses with it stands
beside one after 26 without.  ``--teacher`` takes the experience of another population, ``--books``
fewer books.

Printed by population and number of presses, with and without: share of benches whose target truly
passes at .90 or within .03 of the best; stated − true pass rate at the target; size of the window,
stated − true and share of good set-points in it.

Run by name:  python -m tests.bench.bench_experience --population kind --benches 8 --out FILE
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from dtfexp import Experience, fit, next_presses, plan
from dtfexp.dialin.experience.book_message import BookMessage, book_message
from dtfexp.dialin.experience.joining import joined
from tests.bench.bench_promise import FAMILIES, NEAR, REQUIRED, best_reachable, box_score, error
from tests.bench.changes import session_of
from tests.bench.kept_rows import read
from tests.bench.simulated import FACTORS, NAMES, Bench, bench, eased

#: Width, loudness of grades, calm of all luck, and how far the best place lies off (half-ranges).
KINDS = {
    "ordinary": (1.0, 1.0, 1.0, 0.0),
    "kind": (1.5, 1.0, 0.6, 0.25),
    "hard": (0.75, 1.4, 1.0, 0.24),
    "narrow": (0.75, 1.0, 1.0, 0.20),
}
MIXED = ("kind", "hard", "narrow", "ordinary")
#: Half-ranges by which the best place of an ``off-`` population lies off the usual settings.
OFF = np.array([0.5, -0.4, -0.5, 0.4])
_HALF = np.array([0.5 * (f.high - f.low) for f in FACTORS])
#: Seed of the first earlier book; new benches count from zero.
EARLIER, EARLIER_BATCHES = 100, (10, 4, 4)
WINDOW_FROM = 14


def bench_of(population: str, seed: int) -> Bench:
    """The bench of a population; the same arguments give the same bench."""
    if population.startswith("own"):
        return _own(population, seed)
    kind, family = population.removeprefix("off-"), seed
    if kind == "mixed":
        kind, family = MIXED[seed % 4], seed // 4
    wide, loud, calm, off = KINDS[kind]
    truth = bench(FAMILIES[family % len(FAMILIES)], seed)
    if kind != "ordinary":
        truth = eased(truth, seed, wide=wide, calm=calm, off=off)
    truth = replace(truth, noise=loud * truth.noise)
    if population.startswith("off-"):
        moved = {
            name: lambda x, of=of: of(np.maximum(x - OFF * _HALF, 0.5))
            for name, of in truth.quality.items()
        }
        truth = replace(truth, quality=moved)
    return truth


def _own(population: str, seed: int) -> Bench:
    """One fabric of a shop: its bench, seen a little off and a little wider or narrower."""
    shop, _, kind = population.partition("-")
    rng = np.random.default_rng([11, seed])
    # Of the shop's own bench only forms that can be dialled in: not "none".
    base = bench_of(kind, 50 + 7 * int(shop.removeprefix("own") or 1))
    moved, wide = rng.normal(0.0, 0.12, len(FACTORS)) * _HALF, float(np.exp(rng.normal(0.0, 0.1)))
    usual = np.array([float(f.usual) for f in FACTORS])
    quality = {
        name: lambda x, of=of: of(np.maximum(usual + (x - usual - moved) / wide, 0.5))
        for name, of in base.quality.items()
    }
    return replace(base, quality=quality)


def experience_of(population: str, books: int, keep: Path, spread: bool = False) -> Experience:
    """What so many earlier books of a population teach; their messages are kept."""
    keep.mkdir(parents=True, exist_ok=True)
    named = []
    for seed in range(EARLIER, EARLIER + books):
        path = keep / f"{population}-{'spread-' * spread}{seed}.json"
        if not path.exists():
            truth = bench_of(population, seed)
            if spread:
                runs = plan(truth.session, 26, design="latin hypercube", seed=seed - EARLIER).runs
                results = truth.press(runs, np.random.default_rng(seed - EARLIER))
            else:
                results = session_of(truth, seed, EARLIER_BATCHES)
            path.write_text(book_message(truth.session, results).to_text())
        named.append((path.stem, BookMessage.from_text(path.read_text())))
    return joined(named, population, "")


def played(
    truth: Bench, experience: Experience | None, seed: int, schedule: tuple[int, ...]
) -> dict[str, Any]:
    """The scores of a session by the number of presses planned."""
    session = truth.session.altered(experience=experience)
    rng, out, made = np.random.default_rng([9, seed]), {}, 0
    results: pd.DataFrame | None = None
    for batch in schedule:
        start = time.process_time()
        if results is None:
            runs = plan(session, batch, seed=seed).runs
        else:
            runs = next_presses(session, results, batch, seed=seed).runs
        between = time.process_time()
        if len(runs):
            seen = truth.press(runs, rng)
            results = seen if results is None else pd.concat([results, seen], ignore_index=True)
        made += batch
        fitted = fit(session, results)
        after = time.process_time()
        window = fitted.window("cotton")
        target = np.array([[window.target[n] for n in NAMES]], dtype=float)
        out[str(made)] = {
            "true": float(truth.true_pass(target)[0]),
            "stated": window.pass_rate,
            "found": window.found,
            "share": fitted.experience_share(),
            "fit_s": after - between,
            "choose_s": between - start,
        }
        if made >= WINDOW_FROM:
            out[str(made)]["window"] = box_score(truth, fitted, window.low, window.high)
    return out


def job(
    population: str,
    seed: int,
    experience: Experience,
    schedule: tuple[int, ...],
    on: tuple[int, ...] = (),
) -> dict[str, Any]:
    truth = bench_of(population, seed)
    usual = np.array([[f.usual for f in FACTORS]], dtype=float)
    return {
        "seed": seed,
        "best": best_reachable(truth),
        "usual": float(truth.true_pass(usual)[0]),
        "with": played(truth, experience, seed, schedule),
        "without": played(truth, None, seed, schedule + on),
    }


def report(name: str, rows: list[dict[str, Any]]) -> None:
    """One line for each number of presses, with and without."""
    usual, best = (np.mean([row[key] for row in rows]) for key in ("usual", "best"))
    print(f"{name}: {len(rows)} benches, usual {usual:.2f}, best {best:.3f}")
    for n in rows[0]["without"]:
        for arm in ("with", "without"):
            if n not in rows[0][arm]:
                continue
            at = [(row, row[arm][n]) for row in rows]
            true, stated = (np.array([s[key] for _, s in at]) for key in ("true", "stated"))
            near = true >= np.minimum(REQUIRED, np.array([row["best"] for row, _ in at]) - NEAR)
            print(
                f"  {n:>2s} presses, {arm:7s}: good {near.mean():.3f} ± {error(near):.3f} | true "
                f"{true.mean():.3f} | stated - true {np.mean(stated - true):+.3f} ± "
                f"{error(stated - true):.3f} | share {np.mean([s['share'] for _, s in at]):.2f} | "
                f"s: choose {np.mean([s['choose_s'] for _, s in at]):.1f}, fit "
                f"{np.mean([s['fit_s'] for _, s in at]):.1f}"
            )
            boxes = [s["window"] for _, s in at if s.get("window")]
            if boxes:
                volume = sum(b["volume"] for b in boxes) / len(rows)
                good, apart = (
                    np.array(v)
                    for v in ([b["good"] for b in boxes], [b["stated"] - b["true"] for b in boxes])
                )
                print(
                    f"      window: found {len(boxes) / len(rows):.2f}, volume {volume:.1f} | good "
                    f"{good.mean():.3f} ± {error(good):.3f} | stated - true {apart.mean():+.3f} ± "
                    f"{error(apart):.3f}"
                )
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--population", default="kind", help="several with commas")
    parser.add_argument("--teacher", help="population of the earlier books (the same)")
    parser.add_argument("--books", type=int, default=20)
    parser.add_argument("--benches", type=int, default=8)
    parser.add_argument("--schedule", default="4+4+6", help="presses of each batch")
    parser.add_argument("--on", default="", help="further batches of the sessions without it")
    parser.add_argument("--spread", action="store_true", help="earlier books all over the range")
    parser.add_argument("--out", type=Path, required=True, help="folder: rows and messages kept")
    args = parser.parse_args()
    names = args.population.split(",")
    of = {name: (args.teacher or name) + "-spread" * args.spread for name in names}
    schedule = tuple(map(int, args.schedule.split("+")))
    on = tuple(map(int, args.on.split("+"))) if args.on else ()
    played_as = f"{args.schedule}-on-{args.on}" if on else args.schedule
    taught = {
        name: experience_of(args.teacher or name, args.books, args.out / "messages", args.spread)
        for name in names
    }
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in names}
    # Populations in turn, so that a run cut short has seen all alike.
    for seed in range(args.benches):
        for name in names:
            path = args.out / f"{name}-{of[name]}-{args.books}-{played_as}.jsonl"
            kept = {row["seed"]: row for row in read(path)}
            row = kept.get(seed) or job(name, seed, taught[name], schedule, on)
            if seed not in kept:
                with path.open("a") as file:
                    file.write(json.dumps(row) + "\n")
            rows[name].append(row)
        if seed % 4 == 3 or seed == args.benches - 1:
            for name in names:
                report(name, rows[name])


if __name__ == "__main__":
    main()
