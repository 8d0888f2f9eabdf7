"""Coupons judged again without a look at their grade: how well the eye repeats itself.

A second judgement is a note of its own and never supersedes a grade; the fit does not read it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from dtfexp.book.coupons.readings import CouponBook, readings
from dtfexp.book.store import entry_fields
from dtfexp.book.store.typed_values import is_missing
from dtfexp.describe.errors import LogbookError
from dtfexp.describe.outcome import Outcome
from dtfexp.dialin.evaluate.agreement import Agreement, agreement

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
        beyond = [o.name for o in book.session.outcomes if _washed(o) > _washed(outcome)]
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
        raise LogbookError(f"press {number}: {described.name} has no grade yet to compare with")
    checked = None if grade is None else described.check(grade)
    said = {
        "press": number,
        "outcome": described.name,
        "grade": checked,
        "first": float(str(first)),
    }
    return book.keep(KIND, said, by=by, id=id)


def _washed(outcome: Outcome) -> int:
    """Return after how many washes an outcome is judged; one where its name alone says so."""
    if outcome.washes is None:
        return int("wash" in outcome.name.casefold())
    return outcome.washes


def eye_against_itself(book: GradedBook, outcome: Outcome) -> Agreement | None:
    """Return how well grades of an outcome were repeated; None while none was judged again."""
    notes = [
        note.said
        for note in book.kept(KIND)
        if note.said["outcome"] == outcome.name and note.said["grade"] is not None
    ]
    return agreement([n["first"] for n in notes], [n["grade"] for n in notes], outcome.grades)


def eye_against_picture(book: GradedBook, outcome: Outcome) -> Agreement | None:
    """Return how grades of an outcome agree with what pictures proposed for the same coupons.

    Only grades given before their picture was read are independent of it. Of a press graded
    several times the first counts. None without any.
    """
    told: dict[int, tuple[float, float]] = {}
    found = readings(book)
    history = book.history()
    for row in history[history[outcome.name].notna()].to_dict("records"):
        press = int(row["press"])
        later = [r for r in found if r.press == press and outcome.name in r.proposals]
        if press not in told and later and row["time"] < later[0].at:
            told[press] = (float(row[outcome.name]), later[-1].proposals[outcome.name].value)
    first: list[Any] = [pair[0] for pair in told.values()]
    return agreement(first, [pair[1] for pair in told.values()], outcome.grades)
