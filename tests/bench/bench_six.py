"""Six settings and three outcomes beside four and two: are targets and windows as good after 26?

Benches are drawn from the prior and played by ``rehearse``, 10 + 4 × 4 presses.  *Four*: cure and
press, temperature and time, two outcomes.  *Six*: a peel method and a pressure in words as well,
and one quality judged after 1, 5 and 20 washes.  Only benches that truly have a window count.
Printed: targets that truly pass 90 of 100, true and stated pass rate there, windows found, their
size over the true one, and the share of their set-points that are good.

Run by name:  python -m tests.bench.bench_six --benches 20 --out six.jsonl
"""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from dtfexp import Factor, Outcome, Session, rehearse
from tests.bench.bench_promise import REQUIRED
from tests.bench.kept_rows import keep, read
from tests.bench.simulated import FACTORS, session

SCHEDULE = (10, 4, 4, 4, 4)
WORDS = (
    Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press",
           usual="medium"),
    Factor("peel", levels=("hot", "cold"), stage="peel", usual="cold"),
)  # fmt: skip
WASHES = tuple(Outcome(f"wash {n}", washes=n, series="wash") for n in (1, 5, 20))
SESSIONS = {
    "four": session(),
    "six": Session("six", (*FACTORS, *WORDS), WASHES, ("cotton",)),
}


def job(name: str, seed: int) -> dict[str, Any]:
    """The row of one rehearsal."""
    start = time.process_time()
    played = rehearse(
        SESSIONS[name], SCHEDULE, rehearsals=1, jobs=1, seed=seed, progress=False
    ).rehearsed
    row = played.iloc[0].to_dict() | {"kind": name, "seed": seed}
    return {k: v.item() if hasattr(v, "item") else v for k, v in row.items()} | {
        "seconds": time.process_time() - start
    }


def report(rows: list[dict[str, Any]]) -> None:
    for name in SESSIONS:
        some = [r for r in rows if r["kind"] == name and r["has_window"]]
        if not some:
            continue
        true, stated, found, size, real = (
            np.array([r[k] for r in some], dtype=float)
            for k in ("target_true", "target_stated", "found", "size", "true_size")
        )
        good = [r["box_good"] for r in some if r["found"]]
        print(
            f"{name}: {len(some)} of {sum(r['kind'] == name for r in rows)} benches with a window"
            f" | target >= .90 {np.mean(true >= REQUIRED):.2f}, true {true.mean():.3f}, stated -"
            f" true {np.mean(stated - true):+.3f} | found {found.mean():.2f}, size"
            f" {np.nansum(size) / real.sum():.2f} of the true, share good {np.mean(good):.3f}"
            f" | {np.mean([r['seconds'] for r in some]):.0f} s"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=10)
    parser.add_argument("--first", type=int, default=9100)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--report", action="store_true", help="only print what is kept")
    args = parser.parse_args()
    had = {(r["kind"], r["seed"]) for r in read(args.out)}
    for seed in range(args.first, args.first + (0 if args.report else args.benches)):
        for name in SESSIONS:
            if (name, seed) not in had:
                keep(args.out, job(name, seed))
    report(read(args.out))


if __name__ == "__main__":
    main()
