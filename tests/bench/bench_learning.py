"""What learning costs as the logbooks become many: time, memory, and the size of the file.

Invented benches of two settings and two outcomes, nine presses each, every one another: each gives
its message (kept, so that a run goes on), then the messages of the first 10, 20, ... are joined.
Printed, and drawn into ``growth.png`` of the folder: seconds of processor for one message and for
joining, the largest memory that joining took beyond its start, and the size of the experience.

Run by name:  python -m tests.bench.bench_learning --books 10,20,50,100,200,500 --out FOLDER
"""

from __future__ import annotations

import argparse
import json
import os
import time
import tracemalloc
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from dtfexp import Factor, Outcome, Session, plan
from dtfexp.dialin.experience.book_message import BookMessage, book_message
from dtfexp.dialin.experience.joining import joined

SESSION = Session(
    "two",
    [
        Factor("press temperature", 125, 165, "°C", step=1, usual=140),
        Factor("press time", 6, 26, "s", step=1, usual=12),
    ],
    [Outcome("peel"), Outcome("wash")],
    ["cotton"],
)


def message(seed: int, folder: Path) -> tuple[BookMessage, float]:
    """The message of one invented bench, and the seconds it took when it was made."""
    kept = folder / f"book-{seed}.json"
    if not kept.exists():
        rng = np.random.default_rng(seed)
        runs = plan(SESSION, 9, design="latin hypercube", seed=seed).runs
        heat, dwell = (runs[f.name].to_numpy(dtype=float) for f in SESSION.factors)
        best = np.array([150.0, 17.0]) + rng.normal(0, (4.0, 2.0))
        away = ((heat - best[0]) / 16) ** 2 + (np.log(dwell / best[1]) / 0.8) ** 2
        for name in ("peel", "wash"):
            runs[name] = np.clip(np.round(5 - 2 * away + rng.normal(0, 0.3, len(runs))), 1, 5)
        start = time.process_time()
        told = book_message(SESSION, runs).to_text()
        kept.write_text(json.dumps([time.process_time() - start, told]))
    seconds, told = json.loads(kept.read_text())
    return BookMessage.from_text(told), seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--books", default="10,20,50,100,200,500")
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    mpl.set_loglevel("error")
    args.out.mkdir(parents=True, exist_ok=True)
    counts = [int(count) for count in args.books.split(",")]
    made = [message(seed, args.out) for seed in range(max(counts))]
    rows = []
    for count in counts:
        named = [(f"book-{k}", told) for k, (told, _) in enumerate(made[:count])]
        start = time.process_time()
        experience = joined(named, "growth", "")
        seconds = time.process_time() - start
        tracemalloc.start()
        joined(named, "growth", "")
        memory = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        each = sum(s for _, s in made[:count])
        size = len(experience.to_text()) / 1e3
        rows.append((count, each, seconds, memory, size))
        print(
            f"{count:4d} logbooks: messages {each:7.1f} s | joining {seconds:5.2f} s, "
            f"{memory:6.1f} MB | file {size:5.0f} kB",
            flush=True,
        )
    told = np.array(rows)
    figure, axes = plt.subplots(1, 3, figsize=(11, 3.4), layout="constrained")
    for axis, (columns, label) in zip(
        axes,
        (((1, 2), "seconds of processor"), ((3,), "memory to join, MB"), ((4,), "file, kB")),
        strict=True,
    ):
        for column, name in zip(columns, ("messages", "joining"), strict=False):
            axis.loglog(told[:, 0], told[:, column], "o-", label=name)
        axis.set_xlabel("logbooks")
        axis.set_ylabel(label)
    axes[0].legend(frameon=False)
    figure.savefig(args.out / "growth.png", dpi=120)


if __name__ == "__main__":
    main()
