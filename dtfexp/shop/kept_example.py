"""An INVENTED shop that has dialled in, confirmed and sold for some weeks; its oven drifted.

No bench, fabric, grade or count in it is real.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dtfexp.book.logbook import Logbook
from dtfexp.shop.demo_bench import COTTON, DemoBench

if TYPE_CHECKING:
    from dtfexp.dialin.window.window import Window

EXAMPLE = "invented_example_kept.dtfbook"
PRESSES, SEED = 26, 7
#: Days of selling, and the day on which the oven begins to run cooler (invented).
DAYS, GOOD_DAYS, DRIFT = 40, 28, -9.0
FIRST_DAY = date(2024, 3, 4)


def kept_example() -> Logbook:
    """Return the example's book, made when absent."""
    from dtfexp.dialin.design.plan import plan
    from dtfexp.dialin.fit import fit

    bench = DemoBench()
    if Path(EXAMPLE).exists():
        book = Logbook.open(EXAMPLE)
        # Counts come last: an interrupted example is completed, one of another version left alone.
        if book.session != bench.session or len(book.kept("count")):
            return book
    else:
        book = Logbook.create(EXAMPLE, bench.session)
    if not len(book.runs()):
        book.add(plan(book.session, PRESSES, fabrics=[COTTON], seed=SEED))
    _record(book, bench)
    window = fit(book.session, book.results()).window(COTTON)
    if "confirms" not in book.runs():
        _confirm(book, window)
    _record(book, bench)
    _sell(book, bench, window)
    return book


def _confirm(book: Logbook, window: Window) -> None:
    from dtfexp.dialin.confirm.confirmation import confirmation_plan
    from dtfexp.dialin.fit import fit

    fitted = fit(book.session, book.results())
    book.add(confirmation_plan(fitted, window, reach=0.25, seed=SEED))


def _record(book: Logbook, bench: DemoBench) -> None:
    """Press and grade the planned presses without a grade."""
    waiting = book.waiting()
    if not len(waiting):
        return
    first = int(waiting["press"].iloc[0])
    graded = bench.press(waiting, np.random.default_rng([SEED, first]))
    for run in graded.to_dict("records"):
        grades = {outcome.name: run[outcome.name] for outcome in book.session.outcomes}
        book.record(int(run["press"]), grades, by="invented", id=f"invented-{run['press']}")


def _sell(book: Logbook, bench: DemoBench, window: Window) -> None:
    """Note garments at the target, day by day, with the symptoms of the failed ones."""
    rng = np.random.default_rng(SEED)
    for k in range(DAYS):
        pressed = int(rng.integers(15, 31))
        runs = pd.DataFrame([dict(window.target)] * pressed)
        drift = DRIFT if k >= GOOD_DAYS else 0.0
        runs["cure_temperature"] = runs["cure_temperature"] + drift
        runs["fabric"] = COTTON
        runs["oven_load"], runs["press_round"] = np.arange(pressed) // 6, np.arange(pressed) // 8
        graded = bench.press(runs, rng)
        failed = int(((graded["peel"] < 4) | (graded["wash"] < 4)).sum())
        word = "grainy underside" if drift else "bubbles"
        book.bench.count(
            COTTON, pressed, failed, day=FIRST_DAY + timedelta(days=k),
            symptoms={word: failed} if failed else "", warm_up=k == 0, by="invented",
        )  # fmt: skip
