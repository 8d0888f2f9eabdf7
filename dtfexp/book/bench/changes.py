"""What changed at the bench, and after which press: where dialling in again starts."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from dtfexp.book.store import entry_fields, journal
from dtfexp.describe.errors import LogbookError
from dtfexp.dialin.recalibrate.redial import CHANGES

if TYPE_CHECKING:
    import pandas as pd

KIND = "change"
#: What can change: what ``redial`` understands.
WHAT = tuple(CHANGES)


def keep_change(
    bench: journal.BenchOwner,
    what: str,
    *,
    day: object = None,
    after_press: object = None,
    by: str = "",
) -> str:
    """Note that something (one of ``WHAT``) changed today, or on ``day``; returns the note's id.

    Dialling in again starts there. ``after_press`` is the last press made before it (default: the
    last one made so far). The same change of the same day is noted once; told again with another
    ``after_press``, it is corrected.
    """
    book, today = bench.book, bench.now().date()
    word = entry_fields.choice("what changed", what, WHAT)
    when = entry_fields.day(f"{word} changed: the day", day or today, today)
    same = [n for n in book.kept(KIND) if (n.said["what"], n.said["day"]) == (word, when)]
    if after_press is None:
        last = int(same[-1].said["after_press"]) if same else _last_press_made(book)
    else:
        last = entry_fields.press_number(after_press)
        most = max(book.results()["press"], default=0)
        if last > most:
            raise LogbookError(
                f"{word} changed: after_press is {last}; the last press in this book is {most}"
            )
    if same and same[-1].said["after_press"] == last:
        return same[-1].id
    return book.keep(KIND, {"what": word, "day": when, "after_press": last}, by=by)


def _last_press_made(book: journal.BenchBook) -> int:
    """The highest number of a press of which anything is recorded; planned ones are still to be
    made on the bench as it is now."""
    press, waiting = book.results()["press"], book.waiting()
    made = press[~press.isin(waiting.loc[~waiting["pressed"].astype(bool), "press"])]
    return int(max(made, default=0))


def frame(bench: journal.BenchOwner) -> pd.DataFrame:
    """One row per change, in order: ``what``, ``day`` (date), ``after_press``, ``by``."""
    import pandas as pd

    # Told again, a change of one day takes the place of the earlier word on it.
    said = {(n.said["what"], n.said["day"]): n for n in bench.book.kept(KIND)}
    rows = [
        (what, date.fromisoformat(day), int(note.said["after_press"]), note.by)
        for (what, day), note in said.items()
    ]
    return pd.DataFrame(rows, columns=["what", "day", "after_press", "by"])


def last_bench_change(changes: pd.DataFrame) -> tuple[date, int] | None:
    """Day of the last change noted, and the last press of before; a new fabric is none: it leaves
    all others as they were.  None when there was none."""
    of_all = changes[changes["what"] != "fabric"]
    if not len(of_all):
        return None
    return of_all["day"].max(), int(of_all["after_press"].max())
