"""Optimal plans: how long they take, how good they are, and how that grows.

Run by name from the root of the project:
    python -m tests.bench.bench_plans [--out FOLDER] [--quick]

First the promise: an I-optimal strip-plot of 26 presses in 4 settings with 20 restarts takes less
than 10 seconds, and its mean prediction variance is within 1 % of the best of 500 restarts (500
random starts improved until no single change helps; and, as a harder yardstick, 500 that are also
shaken as often as the 20 are). Then the cost against settings (2 to 8) and presses (8 to 128),
drawn in FOLDER/cost_of_optimal_plans.png. Times are of one process on this machine, CPU and clock.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from dtfexp import Factor, Outcome, PlanError, Session, plan
from dtfexp.dialin.design import optimal

FACTORS = (
    Factor("cure temperature", 105, 145, "°C", 5, "cure"),
    Factor("press temperature", 140, 180, "°C", 5, hard_to_change=True),
    Factor("cure time", 30, 120, "s", 10, "cure"),
    Factor("press time", 8, 24, "s", 1),
    Factor("peel wait", 0, 60, "s", 5, "peel"),
    Factor("pressure", 2, 5, "bar", 0.5),
    Factor("rest", 5, 60, "s", 5),
    Factor("finish", 2, 10, "s", 1),
)


def bench(settings: int) -> Session:
    """So many settings of cure, press and peel; one fabric."""
    return Session("bench", FACTORS[:settings], (Outcome("peel"),), ("cotton",))


@contextmanager
def watched(kicks: int | None = None) -> Iterator[list[float]]:
    """The values of every search: mean prediction variances. kicks: another number of shakes."""
    found: list[float] = []
    search = optimal._search
    most = optimal._MOST_KICKS

    def spy(*args: object) -> object:
        result = search(*args)
        found.append(-result.value)
        return result

    optimal._search = spy
    if kicks is not None:
        optimal._MOST_KICKS = kicks
    try:
        yield found
    finally:
        optimal._search, optimal._MOST_KICKS = search, most


def promise(seeds: int, harder: bool) -> None:
    """Time and value of 20 restarts against the best of 500."""
    session = bench(4)
    made = {"design": "i-optimal", "presses": 26}
    with watched() as found:
        clock, cpu, took = [], [], []
        for seed in range(seeds):
            begin, work = time.perf_counter(), time.process_time()
            plan(session, restarts=20, seed=seed, **made)
            clock.append(time.perf_counter() - begin)
            cpu.append(time.process_time() - work)
        took = np.array(found)
    with watched(kicks=0) as found:
        plan(session, restarts=500, seed=1000, **made)
        plain = found[0]
    print(f"26 presses, 4 settings, 20 restarts, {seeds} seeds:")
    print(f"  clock, s: median {np.median(clock):.1f}, most {max(clock):.1f}")
    print(f"  CPU, s: median {np.median(cpu):.1f}")
    print(f"  mean prediction variance: {np.round(took, 4).tolist()}")
    _beside("500 plain restarts", took, plain)
    if harder:
        with watched() as found:
            plan(session, restarts=500, seed=1000, **made)
        _beside("500 shaken restarts", took, found[0])


def _beside(what: str, took: np.ndarray, best: float) -> None:
    above = 100 * (took / best - 1)
    print(
        f"  against the best of {what}, {best:.4f}: median {np.median(above):+.2f} %, "
        f"worst {above.max():+.2f} %"
    )


def cost(settings: tuple[int, ...], presses: tuple[int, ...]) -> list[tuple[int, int, float]]:
    """Seconds of a default I-optimal plan; the largest model that so many presses can tell."""
    rows = []
    print("settings presses model seconds (clock, CPU)")
    for k in settings:
        for n in presses:
            for model in ("quadratic", "interactions", "linear"):
                begin, work = time.perf_counter(), time.process_time()
                try:
                    plan(bench(k), n, design="i-optimal", model=model)
                except PlanError:
                    continue
                clock, cpu = time.perf_counter() - begin, time.process_time() - work
                print(f"{k:8d} {n:7d} {model:12s} {clock:6.1f} {cpu:6.1f}", flush=True)
                rows.append((k, n, cpu))
                break
    return rows


def draw(rows: list[tuple[int, int, float]], folder: Path) -> None:
    """Seconds against presses, a line per number of settings."""
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(6, 4))
    ax = drawn.add_subplot()
    for k in sorted({k for k, _, _ in rows}):
        mine = [(n, s) for settings, n, s in rows if settings == k]
        ax.plot(*zip(*mine, strict=True), marker="o", label=f"{k} settings")
    ax.set_xscale("log", base=2)
    ax.set_yscale("log")
    ax.set_xticks([8, 16, 32, 64, 128], ["8", "16", "32", "64", "128"])
    ax.set_xlabel("presses")
    ax.set_ylabel("CPU seconds")
    ax.set_title("An I-optimal plan with 20 restarts", fontsize=11)
    ax.legend(fontsize=8)
    drawn.tight_layout()
    folder.mkdir(parents=True, exist_ok=True)
    drawn.savefig(folder / "cost_of_optimal_plans.png", dpi=120)
    print(f"drawn: {folder / 'cost_of_optimal_plans.png'}")


def main() -> None:
    """See the head of this file."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--out", type=Path, help="folder for the drawing")
    asked.add_argument(
        "--quick", action="store_true", help="few seeds, sizes and no hard yardstick"
    )
    given = asked.parse_args()
    promise(3 if given.quick else 10, harder=not given.quick)
    sizes = ((2, 4), (8, 32)) if given.quick else ((2, 3, 4, 5, 6, 7, 8), (8, 16, 32, 64, 128))
    rows = cost(*sizes)
    if given.out:
        draw(rows, given.out)


if __name__ == "__main__":
    main()
