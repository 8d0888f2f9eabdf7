"""Learning from logbooks: each gives a small message, and the messages make one experience."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from datetime import date
from os import PathLike
from pathlib import Path

import numpy as np
import pandas as pd

from dtfexp.book.bench import changes
from dtfexp.book.logbook import Logbook
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError, PlanError
from dtfexp.describe.experience import Experience
from dtfexp.describe.session import Session
from dtfexp.describe.tomltext import write_file
from dtfexp.describe.units import convert_difference
from dtfexp.dialin.experience.book_message import BookMessage, book_message, digest_of
from dtfexp.dialin.experience.joining import joined
from dtfexp.dialin.experience.moves import Kept, Move
from dtfexp.dialin.recalibrate.change import CHANGES
from dtfexp.dialin.recalibrate.shift import Shift

#: The form of the messages kept in a folder: another one is learnt anew.
_MESSAGE_FORM = 5


def learn(
    books: Iterable[Logbook | str | PathLike[str]],
    *,
    name: str = "",
    keep: str | PathLike[str] | None = None,
    jobs: int = 1,
    progress: bool = True,
) -> Experience:
    """Return what the sessions in these logbooks taught, as a prior for new sessions.

    ``books``: open logbooks or paths; their sessions may differ in settings, ranges, units, fabrics
    and outcomes. ``name``: of the shop or supplier, for people. ``keep``: a folder in which what
    each logbook told is kept, so that a run cut short, or with more books, goes on from there.
    ``jobs``: logbooks at a time, -1 for all cores; inside ``joblib.parallel_config`` the backend
    named there does the work (such as a Dask cluster). ``progress``: a bar on stderr after a
    second. The result is the same for any number of jobs and any order of the books.

    Raises ``LogbookError`` in one line for a logbook that cannot be read, is given twice, or holds
    no grade.
    """
    from joblib import Parallel, delayed
    from tqdm import tqdm

    if isinstance(books, str | PathLike | Logbook):
        raise fields.refusal("books", books, "a list of logbooks or their paths", LogbookError)
    if not isinstance(name, str):
        raise fields.refusal("name", name, "a text", LogbookError)
    if isinstance(jobs, bool) or not isinstance(jobs, (int, np.integer)) or jobs == 0:
        raise fields.refusal("jobs", jobs, "a whole number, or -1 for all cores", PlanError)
    given = list(books)
    if not given:
        raise LogbookError("books is empty; give at least one logbook")
    folder = None if keep is None else Path(keep)
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    # Books are opened as workers get free: few are in memory at a time.
    work = Parallel(n_jobs=int(jobs), return_as="generator")(
        delayed(_message)(*content, folder) for content in _contents(given)
    )
    told = list(tqdm(work, total=len(given), desc="learning", delay=1.0, disable=not progress,
                     leave=False))  # fmt: skip
    named = [(_name_of(book), message) for book, message in zip(given, told, strict=True)]
    _check_different(named)
    # In the order of the digests, so that the order of the books changes no digit.
    named.sort(key=lambda pair: pair[1].digest)
    return joined(named, name, date.today().isoformat())


def _contents(
    books: list[Logbook | str | PathLike[str]],
) -> Iterator[tuple[Session, pd.DataFrame, pd.DataFrame]]:
    """Yield session, results and noted changes of every logbook, its machines as measured."""
    for book in books:
        if isinstance(book, Logbook):
            (session, results), noted = book.bench.for_fit(), book.bench.changes()
        elif isinstance(book, str | PathLike):
            with Logbook.open(book) as opened:
                (session, results), noted = opened.bench.for_fit(), opened.bench.changes()
        else:
            raise fields.refusal("books", book, "a Logbook or the path of one", LogbookError)
        outcomes = [outcome.name for outcome in session.outcomes]
        if not results[outcomes].notna().any(axis=None):
            raise LogbookError(
                f"{_name_of(book)}: no grade is recorded in this logbook; leave it out"
            )
        yield session.altered(experience=None), results, noted


def _name_of(book: Logbook | str | PathLike[str]) -> str:
    return Path(book.path if isinstance(book, Logbook) else book).stem


def _message(
    session: Session, results: pd.DataFrame, noted: pd.DataFrame, folder: Path | None
) -> BookMessage:
    """Return what a logbook told, from the folder where it was kept before."""
    changed = noted[["what", "after_press"]].to_csv(index=False) if len(noted) else ""
    digest = digest_of(session, results, changed)
    if folder is None:
        return _learnt(session, results, noted, digest)
    key = hashlib.sha256(f"{_MESSAGE_FORM} {digest}".encode()).hexdigest()
    kept = folder / f"{key[:32]}.json"
    if kept.exists():
        return BookMessage.from_text(kept.read_text(encoding="utf-8"))
    made = _learnt(session, results, noted, digest)
    write_file(made.to_text(), kept, LogbookError)
    return made


def _learnt(
    session: Session, results: pd.DataFrame, noted: pd.DataFrame, digest: str
) -> BookMessage:
    known = changes.redialled(session, results, noted)
    if known is None:
        return book_message(session, results, digest=digest)
    noted_moves = [
        (known.changed, known.shifts),
        *((one.changed, one.shifts) for one in known.before_that),
    ]
    moves = tuple(
        Move.of(changed, shift.factor.stage, *_in_celsius(shift, changed))
        for changed, shifts in noted_moves
        for shift in shifts
        if shift.presses
    )
    carried = known.fit.posterior
    # Where a temperature that was not varied may have moved too, less is assumed to be kept.
    kept = tuple(
        Kept.of(changed, carried, place)
        for place, (changed, shifts) in enumerate(noted_moves)
        if carried.prior.change_correlation[place] == CHANGES[changed].correlation < 1.0
        and any(shift.presses for shift in shifts)
    )
    return book_message(
        session, known.fit.results, carried=carried, moves=moves, kept=kept, digest=digest
    )


def _in_celsius(shift: Shift, what: str) -> tuple[float, float, float]:
    """Return the general prior's sd, and mean and sd of a shift, in °C."""
    mean, sd = (
        convert_difference(size, shift.factor.unit, "°C") for size in (shift.mean, shift.sd)
    )
    return CHANGES[what].moves[shift.factor.stage], mean, sd


def _check_different(named: list[tuple[str, BookMessage]]) -> None:
    seen: dict[str, str] = {}
    for called, message in named:
        if message.digest in seen:
            raise LogbookError(
                f"{called}: the same presses as in {seen[message.digest]}; give each logbook once"
            )
        seen[message.digest] = called
