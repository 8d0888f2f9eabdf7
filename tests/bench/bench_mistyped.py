"""One mistyped reading in a session: targets and windows beside those of the right reading.

    .venv/bin/python -m tests.bench.bench_mistyped --benches 25 --out mistyped.jsonl

Benches of ``simulated`` (none is the model), 26 presses each, the press temperature read at every
press.  In turn one reading is spoilt by each of four slips of the pen, of six kinds: a decimal
point slipped, two digits swapped (the first or the second two), ten more or less, the other unit,
a wrong second digit.  Each try is fitted, believed or not, and compared with the fit of the right
readings.  Printed: how many were not believed; targets that truly pass less than 80 of 100, and
how many of these the right reading has as well; windows lost, and won; mean volume and share good.
Rows are kept as they come: a run cut short goes on where it stopped.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd

from dtfexp import fit, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.results import check_results
from tests.bench.kept_rows import asked_and_kept, keep
from tests.bench.simulated import FACTORS, NAMES, Bench, bench

FAMILIES = ("dose", "smooth", "cliff", "narrow", "saddle")
KINDS = ("decimal", "first two", "second two", "ten off", "other unit", "digit")
PRESSES, SLIPS, BAD = 26, 4, 0.80
PRESS = "press temperature"


def slipped(right: float, kind: str, rng: np.random.Generator) -> float:
    """Return what was written for a reading of three digits and a decimal."""
    d = f"{right:.1f}"
    if kind == "decimal":
        return right / 10.0
    if kind == "first two":
        return float(d[1] + d[0] + d[2:])
    if kind == "second two":
        return float(d[0] + d[2] + d[1] + d[3:])
    if kind == "ten off":
        return right + 10.0 * float(rng.choice((-1, 1)))
    if kind == "other unit":
        return round(right * 1.8 + 32.0, 1)
    others = [str(n) for n in range(10) if str(n) != d[1]]
    return float(d[0] + str(rng.choice(others)) + d[2:])


def judged(truth: Bench, results: pd.DataFrame) -> dict[str, float | None]:
    """Return the target's true pass rate; the window's volume in spreads, and its share good."""
    window = fit(truth.session, results).window("cotton")
    target = np.array([[float(window.target[n]) for n in NAMES]])
    row: dict[str, float | None] = {"target": float(truth.true_pass(target)[0]), "volume": 0.0}
    if window.low is not None and window.high is not None:
        low, high = (np.array([float(end[n]) for n in NAMES]) for end in (window.low, window.high))
        inside = np.random.default_rng(0).uniform(low, high, (400, len(NAMES)))
        row["volume"] = float(np.prod((high - low) / [f.spread for f in FACTORS]))
        row["good"] = float(np.mean(truth.true_pass(inside) >= 0.9))
    return row


def tries(number: int, first: int) -> list[dict[str, Any]]:
    """Return one session: a row for each slip, the right reading beside it."""
    family, seed = FAMILIES[number % len(FAMILIES)], first + number
    truth, rng = bench(family, seed), np.random.default_rng([3, seed])
    results = truth.press(plan(truth.session, PRESSES, seed=seed).runs, rng)
    read = (results[PRESS] + rng.uniform(-1.0, 1.0, PRESSES)).round(1)
    right = judged(truth, results.assign(**{f"{PRESS}_actual": read}))
    coding = Coding(truth.session)
    rows = []
    for k in range(SLIPS):
        kind, row = KINDS[(SLIPS * number + k) % len(KINDS)], read.index[rng.integers(PRESSES)]
        wrong = read.copy()
        wrong[row] = slipped(float(read[row]), kind, rng)
        told = results.assign(**{f"{PRESS}_actual": wrong})
        factor = truth.session.factor(PRESS)
        doubted = np.asarray(coding.is_doubtful(factor, check_results(truth.session, told)))
        rows.append({
            "family": family, "seed": seed, "kind": kind, "by": float(wrong[row] - read[row]),
            "caught": bool(doubted[read.index.get_loc(row)]), "right": right,
            "wrong": judged(truth, told),
        })  # fmt: skip
    return rows


def report(rows: list[dict[str, Any]]) -> None:
    """Print the counts of all tries; a slip that wrote the same number is left out."""
    rows = [row for row in rows if row["by"]]
    caught = [row for row in rows if row["caught"]]
    bad = [row for row in rows if row["wrong"]["target"] < BAD]
    anyway = [row for row in bad if row["right"]["target"] < BAD]
    lost = [row for row in rows if row["right"]["volume"] and not row["wrong"]["volume"]]
    won = [row for row in rows if row["wrong"]["volume"] and not row["right"]["volume"]]
    print(f"{len(rows)} tries on {len({row['seed'] for row in rows})} sessions")
    print(f"not believed: {len(caught)}")
    print(f"targets below {BAD:.2f}: {len(bad)}, with the right reading as well: {len(anyway)}")
    print(f"windows with the right reading: {sum(row['right']['volume'] > 0 for row in rows)}")
    print(f"windows lost: {len(lost)} (of them not believed: {sum(r['caught'] for r in lost)})")
    print(f"windows won: {len(won)}")
    for side in ("right", "wrong"):
        some = [row[side]["good"] for row in rows if row[side]["volume"]]
        volume, target = (
            np.mean([row[side][name] for row in rows]) for name in ("volume", "target")
        )
        good = np.mean(some) if some else np.nan
        print(f"{side}: volume {volume:.1f}, share good {good:.3f}, target {target:.3f}")
    for row in sorted(bad + lost, key=lambda row: row["wrong"]["target"]):
        print(json.dumps(row))


def main() -> None:
    asked, rows = asked_and_kept(benches=25, first=8800)
    if not asked.report:
        done = {row["seed"] for row in rows}
        for number in range(asked.benches):
            if asked.first + number not in done:
                found = tries(number, asked.first)
                rows += found
                keep(asked.out, *found)
    report(rows)


if __name__ == "__main__":
    main()
