"""Coupons judged again without a look at their grade: how well the eye repeats itself.

A second judgement is a note of its own and never supersedes a grade; the fit reads both, as two
judgements of one print.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from dtfexp.book.coupons.readings import CouponBook, readings
from dtfexp.book.store import entry_fields
from dtfexp.book.store.typed_values import is_missing
from dtfexp.describe.errors import LogbookError
from dtfexp.describe.outcome import Outcome
from dtfexp.dialin.encode.results import second_grades
from dtfexp.dialin.evaluate.agreement import Agreement, agreement
from dtfexp.maths.inference.observations import EYE_AGAIN

if TYPE_CHECKING:
    import pandas as pd

KIND = "blind grade"
#: One coupon in so many is brought back, and only after so many others were judged since.
ONE_IN, SINCE = 5, 4


class GradedBook(CouponBook, Protocol):
    """What judging again needs of its logbook."""

    def results(self) -> pd.DataFrame: ...


@dataclass(frozen=True)
class Again:
    """A coupon to judge again: its press and the outcome."""

    press: int
    outcome: str


def due(book: GradedBook, history: pd.DataFrame, results: pd.DataFrame) -> Again | None:
    """Return the coupon to bring back now; None while none is due.

    One grade in ``ONE_IN`` is asked for again, of a press judged ``SINCE`` grades ago or more and
    not washed on since. Which one looks like chance, and is the same for every window of the form.
    ``history`` and ``results`` are those of the book.
    """
    done = {(note.said["press"], note.said["outcome"]) for note in book.kept(KIND)}
    left_out = set(results.loc[results["excluded"], "press"])
    offered: list[tuple[str, Again]] = []
    graded = 0
    for outcome in book.session.outcomes:
        if outcome.kind == "measured":
            continue
        rows = history[history[outcome.name].notna()]
        latest = rows.groupby("press")["entry"].max().sort_values()
        known = results.set_index("press")[outcome.name].notna()
        beyond = [o.name for o in book.session.outcomes if o.least_washes > outcome.least_washes]
        changed = results.set_index("press")[beyond].notna().any(axis=1)
        standing = [int(p) for p in latest.index if known[p] and p not in left_out]
        graded += len(standing)
        for press in standing[: max(0, len(standing) - SINCE)]:
            if (press, outcome.name) not in done and not changed[press]:
                told = f"{book.mark} {press} {outcome.name} {len(done)}"
                chance = hashlib.sha256(told.encode("utf-8", "replace")).hexdigest()
                offered.append((chance, Again(press, outcome.name)))
    if not offered or len(done) >= graded // ONE_IN:
        return None
    return min(offered, key=lambda one: one[0])[1]


def judge_again(
    book: GradedBook,
    press: int,
    outcome: str,
    grade: object,
    *,
    by: str = "",
    id: str | None = None,
) -> str:
    """Keep a second judgement of a coupon; returns the note's id. Its grade stays as it is.

    None: the coupon is not at hand, and is not asked for again.
    Raises ``LogbookError`` for a press without a grade of that outcome, ``ValueError`` for a grade
    off the scale.
    """
    number, described = entry_fields.press_number(press), book.session.outcome(outcome)
    book.history(number)  # raises for an unknown press
    first = book.results().set_index("press")[described.name].to_dict()[number]
    if is_missing(first):
        raise LogbookError(f"press {number}: {described.name} has no grade yet; grade it first")
    checked = None if grade is None else described.check(grade)
    said = {
        "press": number,
        "outcome": described.name,
        "grade": checked,
        "first": float(str(first)),
    }
    return book.keep(KIND, said, by=by, id=id)


def with_second_grades(book: GradedBook, results: pd.DataFrame) -> pd.DataFrame:
    """Return the results with the second grades that coupons got, in columns of their own.

    ``<outcome>_again``: judged again by eye, while the grade it repeated stands;
    ``<outcome>_picture``: proposed by a picture read after the grade was given. A column without
    any is left out.
    """
    grades = results.set_index("press")
    for judgement, outcome, column in second_grades(book.session):
        told = _repeated(book, outcome) if judgement == EYE_AGAIN else _pictured(book, outcome)
        stands = grades[outcome.name].to_dict()
        second = {p: seen for p, (first, seen) in told.items() if stands.get(p) == first}
        if second:
            results[column] = results["press"].map(second).astype(float)
    return results


def eye_against_itself(book: GradedBook, outcome: Outcome) -> Agreement | None:
    """Return how well grades of an outcome were repeated; None while none was judged again."""
    return _agreement(outcome, _repeated(book, outcome))


def eye_against_picture(book: GradedBook, outcome: Outcome) -> Agreement | None:
    """Return how grades of an outcome agree with what pictures proposed for the same coupons.

    Only grades given before their picture was read are independent of it. Of a press graded
    several times the first counts. None without any.
    """
    return _agreement(outcome, _pictured(book, outcome))


def _agreement(outcome: Outcome, pairs: dict[int, tuple[float, float]]) -> Agreement | None:
    first: list[float] = [pair[0] for pair in pairs.values()]
    return agreement(first, [pair[1] for pair in pairs.values()], outcome.grades)


def _repeated(book: GradedBook, outcome: Outcome) -> dict[int, tuple[float, float]]:
    """Return press -> the grade it had, and the one it got when judged again."""
    notes = [note for note in book.kept(KIND) if note.said["outcome"] == outcome.name]
    if not notes:
        return {}
    redone = _redone(book.history())
    return {
        int(note.said["press"]): (float(note.said["first"]), float(note.said["grade"]))
        for note in notes
        if note.said["grade"] is not None and not note.at < redone.get(note.said["press"], note.at)
    }


def _redone(history: pd.DataFrame) -> dict[int, datetime]:
    """Return press -> since when it is another print than before."""
    again = history[history["kind"] == "redo"]
    return {int(press): time for press, time in zip(again["press"], again["time"], strict=True)}


def _pictured(book: GradedBook, outcome: Outcome) -> dict[int, tuple[float, float]]:
    """Return press -> the grade it had, and what a picture read later proposed."""
    told: dict[int, tuple[float, float]] = {}
    found = readings(book)
    if not any(outcome.name in one.proposals for one in found):
        return told
    history = book.history()
    redone = _redone(history)
    for row in history[history[outcome.name].notna()].to_dict("records"):
        press = int(row["press"])
        if row["time"] < redone.get(press, row["time"]):
            continue
        later = [r for r in found if r.press == press and outcome.name in r.proposals]
        if press not in told and later and row["time"] < later[0].at:
            told[press] = (float(row[outcome.name]), later[-1].proposals[outcome.name].value)
    return told
