"""What changed at the bench, and after which press: where dialling in again starts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING, Protocol

from dtfexp.book import checking, entries, journal
from dtfexp.describe.errors import LogbookError
from dtfexp.dialin.redial import CHANGES

if TYPE_CHECKING:
    import pandas as pd

    class Book(journal.Keeper, Protocol):
        """What a change needs of its logbook."""

        def results(self) -> pd.DataFrame: ...


KIND = "change"
#: What can change: what ``redial`` understands.
WHAT = tuple(CHANGES)


def keep(
    book: Book,
    what: str,
    *,
    day: object = None,
    after_press: object = None,
    today: date,
    by: str = "",
) -> str:
    """Note a change; returns the note's id. The same change of the same day is noted once.

    ``after_press`` is the last press that belongs to before (default: the last one planned).
    """
    word = checking.choice("what changed", what, WHAT)
    when = checking.day(f"{word} changed: the day", day or today, today)
    key = entries.derived_id(KIND, word, when)
    for note in book.kept(KIND):
        if note.id == key:
            return key
    numbers = book.results()["press"]
    last = int(numbers.max()) if len(numbers) else 0
    if after_press is not None:
        told = checking.press_number(after_press)
        if told > last:
            raise LogbookError(
                f"{word} changed: after_press is {told}; the last press in this book is {last}"
            )
        last = told
    return book.keep(KIND, {"what": word, "day": when, "after_press": last}, by=by, id=key)


def frame(notes: Iterable[journal.Note]) -> pd.DataFrame:
    """One row per change, in order: ``what``, ``day`` (date), ``after_press``, ``by``."""
    import pandas as pd

    rows = [
        (
            note.said["what"],
            date.fromisoformat(note.said["day"]),
            int(note.said["after_press"]),
            note.by,
        )
        for note in notes
        if note.kind == KIND
    ]
    return pd.DataFrame(rows, columns=["what", "day", "after_press", "by"])


def last_of_the_bench(changes: pd.DataFrame) -> tuple[date, int] | None:
    """Day of the last change noted, and the last press of before; a new fabric is none: it leaves
    all others as they were.  None when there was none."""
    of_all = changes[changes["what"] != "fabric"]
    if not len(of_all):
        return None
    return of_all["day"].max(), int(of_all["after_press"].max())
