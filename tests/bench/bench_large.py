"""Large sessions: processor seconds of the fit and of every question, here and in another tree.

Run from the root: ``python -m tests.bench.bench_large [presses, 1000] [--outcomes 1]
[--fabrics 1] [--report] [--beside TREE]``. With several fabrics the next presses are chosen too;
with ``--report`` the papers are written instead. ``--beside`` is the root of another state of the
project (``git worktree add``): both do the same work in turn, and the ratio of seconds is printed.
All invented.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# No workers: their seconds would not be counted.
os.environ.setdefault("LOKY_MAX_CPU_COUNT", "1")

import pandas as pd

from dtfexp import Fit, Outcome, Session, fit, next_presses, plan
from dtfexp.show.report.report import write_papers
from tests.dialin.bench import FOUR, graded


def many(session: Session, presses: int) -> pd.DataFrame:
    """First looks of 40 presses for each fabric, one after another, loads and rounds their own."""
    parts, each = [], 40 * len(session.fabrics)
    for k in range(-(-presses // each)):
        runs = plan(session, min(each, presses - k * each), seed=k).runs
        runs["oven_load"] += 1000 * k
        runs["press_round"] += 1000 * k
        parts.append(runs)
    results = graded(session, pd.concat(parts, ignore_index=True))
    return results.assign(press=range(1, len(results) + 1))


def seconds(presses: int, outcomes: int, fabrics: int, report: bool) -> None:
    """Print the processor seconds of each question, one a line."""
    session = Session(
        "large",
        FOUR.factors,
        tuple(Outcome(name) for name in ("peel", "wash", "feel", "crack")[:outcomes]),
        tuple(f"cotton {k}" for k in range(fabrics)),
    )
    results = many(session, presses)
    start = time.process_time()
    fitted = fit(session, results)
    print(f"fit\t{time.process_time() - start:.2f}", flush=True)
    usual = pd.DataFrame([{f.name: f.usual for f in session.factors}])
    asked: dict[str, Callable[[], Any]] = {
        "pass_rate": lambda: fitted.pass_rate(usual, "cotton 0"),
        "window": lambda: fitted.window("cotton 0"),
        "anova": lambda: fitted.anova("peel"),
        "effects": lambda: fitted.effects("peel"),
        "batch effects": fitted.batch_effects,
        "check_grades": fitted.check_grades,
        "surprises": fitted.surprises,
        "press influence": fitted.press_influence,
        "shares": lambda: fitted.shares("cotton 0"),
        "failure_sides": lambda: fitted.failure_sides(usual, "cotton 0"),
    }
    if fabrics > 1:
        # While anybody holds it, the fit is given again and not made anew.
        del fitted
        asked = {"next presses, fit included": lambda: next_presses(session, results, fabrics)}
    if report:
        asked = {"report, from the fit": lambda: written(fitted)}
    for name, ask in asked.items():
        start = time.process_time()
        ask()
        print(f"{name}\t{time.process_time() - start:.2f}", flush=True)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"most memory, GB\t{most:.2f}", flush=True)


def written(fitted: Fit) -> None:
    """Write the papers of a fit."""
    with tempfile.TemporaryDirectory() as folder:
        write_papers(fitted, folder, fabrics=[f.name for f in fitted.session.fabrics])


def _in_tree(root: Path, arguments: list[str]) -> dict[str, float]:
    """Return what :func:`seconds` prints when the package of ``root`` does the work."""
    found = {}
    command = [sys.executable, __file__, *arguments, "--here"]
    with subprocess.Popen(
        command, cwd=root, env={**os.environ, "PYTHONPATH": str(root)}, stdout=subprocess.PIPE
    ) as run:
        assert run.stdout is not None
        for line in run.stdout:
            name, value = line.decode().split("\t")
            found[name] = float(value)
    return found


def main() -> None:
    """Measure here, and beside another tree where one is named."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("presses", nargs="?", type=int, default=1000)
    asked.add_argument("--outcomes", type=int, default=1)
    asked.add_argument("--fabrics", type=int, default=1)
    asked.add_argument("--report", action="store_true")
    asked.add_argument("--beside", type=Path)
    asked.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.here:
        seconds(given.presses, given.outcomes, given.fabrics, given.report)
        return
    arguments = [f"{given.presses}", f"--outcomes={given.outcomes}", f"--fabrics={given.fabrics}"]
    arguments += ["--report"] * given.report
    other = _in_tree(given.beside.resolve(), arguments) if given.beside else {}
    for name, value in _in_tree(Path(__file__).resolve().parents[2], arguments).items():
        line = f"{name:28s} {value:8.2f}"
        if name in other:
            line += f"  beside: {other[name]:8.2f}  {other[name] / max(value, 0.01):5.1f} x"
        print(line, flush=True)


if __name__ == "__main__":
    main()
