"""The whole job on the demo bench: plan, press, record, follow up, fit, report. All invented."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.shop.demo_bench import DemoBench
from dtfexp.shop.progress import Told

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.logbook import Logbook
    from dtfexp.dialin.fit import Fit

BOOK = "demo.dtfbook"
FIRST_LOOK = 18
FOLLOW_UPS = (18,)
SEED = 7
_STEPS = 3 + 2 * len(FOLLOW_UPS) + 9


@dataclass(frozen=True)
class Demo:
    """The result of a demo run: logbook, papers, fit, how many presses, and what is next."""

    book: Path
    papers: list[Path]
    fit: Fit
    presses: int
    next_step: str


def run_demo(out: Path, given: Told) -> Demo:
    """Run the demo into ``out``.

    An earlier demo logbook there is replaced; any other file is left alone.
    """
    from dtfexp.dialin.side_by_side import start_workers

    start_workers("dtfexp.show.report.fabric_section")
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.status import status
    from dtfexp.dialin.design.plan import plan
    from dtfexp.dialin.fit import fit
    from dtfexp.dialin.following.next_presses import next_presses
    from dtfexp.show.report.report import write_papers_of_book

    bench = DemoBench()
    rng = np.random.default_rng(SEED)
    path = _fresh_book(out)
    done = 0

    def step(what: str) -> None:
        nonlocal done
        given(done, _STEPS, what)
        done += 1

    step("planning a first look")
    with Logbook.create(path, bench.session) as book:
        first = plan(bench.session, FIRST_LOOK, seed=SEED)
        book.add(first)
        step("pressing and grading (invented)")
        late = bench.press(first.runs, rng)
        _record(book, late, "peel")
        for count in FOLLOW_UPS:
            step("choosing the next presses")
            # By now the wash grades of the first batch are in; those of the next come later.
            _record(book, late, "wash")
            more = next_presses(bench.session, book.results(), count, seed=SEED)
            if not len(more.runs):
                break
            book.add(more)
            step("pressing and grading (invented)")
            late = bench.press(more.runs, rng)
            _record(book, late, "peel")
        _record(book, late, "wash")
        step("fitting and writing the report")
        start = done
        results = book.results()
        fitted = fit(bench.session, results)
        papers = write_papers_of_book(
            book,
            fitted,
            out / "report",
            progress=lambda at, steps, what: given(
                start + round(at / max(steps, 1) * (_STEPS - start)), _STEPS, what
            ),
        )
        return Demo(path, papers, fitted, len(results), status(book, fitted).next_step)


def _fresh_book(out: Path) -> Path:
    """Return the demo's logbook path, free to use; only an earlier demo's book is removed."""
    from dtfexp.book.logbook import Logbook

    path = out / BOOK
    try:
        out.mkdir(parents=True, exist_ok=True)
        if path.exists():
            with Logbook.open(path) as book:
                if book.session != DemoBench().session:
                    raise LogbookError(
                        f"{path}: this logbook is not the demo's and was not changed; choose "
                        "another folder with --out"
                    )
            path.unlink()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise DtfexpError(
            f"{out}: cannot write the demo there ({reason}); choose a folder with --out"
        ) from None
    return path


def _record(book: Logbook, grade_scales: pd.DataFrame, outcome: str) -> None:
    """Record one outcome of every press: peel at the press, wash days later."""
    for run in grade_scales.to_dict("records"):
        book.record(int(run["press"]), {outcome: run[outcome]}, by="demo, invented")
