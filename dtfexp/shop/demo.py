"""The whole job on the demo bench: plan, press, record, follow up, fit, report. All invented."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.book.coupons.pictures import jpeg
from dtfexp.coupon.payload import session_code
from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.shop.demo_bench import COTTON, DemoBench
from dtfexp.shop.invented.washed_coupons import washed_picture
from dtfexp.shop.progress import Told

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.logbook import Logbook
    from dtfexp.coupon.reading.reading import PictureRead
    from dtfexp.dialin.fit import Fit

BOOK = "demo.dtfbook"
FIRST_LOOK = 18
FOLLOW_UPS = (18,)
SEED = 7
#: Coupons of the first look that are drawn as photographed after the wash, and read.
PICTURED = 2
INVENTED = "demo, invented"
_STEPS = 3 + 2 * len(FOLLOW_UPS) + 12


@dataclass(frozen=True)
class Demo:
    """The result of a demo run: logbook, papers, fit, how many presses, and what is next.

    ``pictures``: what the drawn pictures of coupons gave, in lines.
    """

    book: Path
    papers: list[Path]
    fit: Fit
    presses: int
    pictures: list[str]
    next_step: str


def run_demo(out: Path, given: Told) -> Demo:
    """Run the demo into ``out``.

    An earlier demo logbook there is replaced; any other file is left alone.
    """
    from dtfexp.dialin.side_by_side import beside, start_workers
    from dtfexp.show.report import report as papers

    start_workers(papers.load)
    from dtfexp.book.kept_verdicts import key_of
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.status import status
    from dtfexp.dialin.design.plan import plan
    from dtfexp.dialin.fit import fit
    from dtfexp.dialin.following.next_presses import next_presses

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
        pictures = beside(partial(washed_picture, session_code(book.mark), _shown(late)))
        _record(book, late)
        for count in FOLLOW_UPS:
            step("choosing the next presses")
            more = next_presses(bench.session, book.results(), count, seed=SEED)
            if not len(more.runs):
                break
            book.add(more)
            step("pressing and grading (invented)")
            late = bench.press(more.runs, rng)
            _record(book, late)
        told = _keep(book, pictures())
        step("fitting and writing the report")
        start = done
        key, results = key_of(book), book.results()
        fitted = fit(bench.session, results)
        written = papers.write_papers_of_book(
            book,
            fitted,
            out / "report",
            progress=lambda at, steps, what: given(
                start + round(at / max(steps, 1) * (_STEPS - start)), _STEPS, what
            ),
        )
        return Demo(path, written, fitted, len(results), told, status(book, fitted, key).next_step)


def _shown(graded: pd.DataFrame) -> dict[int, float]:
    """Return press -> wash grade of the presses whose coupons are drawn: one of each good grade."""
    some = graded.sort_values(["wash", "press"], ascending=False)
    some = some[some["fabric"] == COTTON].drop_duplicates("wash").head(PICTURED)
    return {
        int(press): float(wash) for press, wash in zip(some["press"], some["wash"], strict=True)
    }


def _keep(book: Logbook, read: PictureRead | str) -> list[str]:
    """Keep what a picture gave, accept the grades it proposes, and return that in lines."""
    from dtfexp.book.coupons.readings import keep_reading
    from dtfexp.show.text.reading_text import reading_lines

    if isinstance(read, str):
        return [read]
    lines = []
    for one in read.coupons:
        washes = book.session.outcome("wash").washes or 0
        kept = keep_reading(book, one.measures, jpeg(one.picture), washes=washes, by=INVENTED)
        grades = {name: proposal.value for name, proposal in kept.proposals.items()}
        book.record(kept.press, grades, note="as its picture proposes", by=INVENTED)
        told = reading_lines(kept)
        lines += [*told[:2], *told[len(told) - len(kept.proposals) :]]
    return lines


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


def _record(book: Logbook, graded: pd.DataFrame) -> None:
    """Record both grades of every press, the wash too."""
    for run in graded.to_dict("records"):
        book.record(int(run["press"]), {name: run[name] for name in ("peel", "wash")}, by=INVENTED)
