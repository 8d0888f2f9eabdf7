"""What changed at the bench, and after which press: where dialling in again starts."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from dtfexp.book.store import entry_fields, journal
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError
from dtfexp.dialin.recalibrate.change import CHANGES

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session
    from dtfexp.dialin.recalibrate.redial import Redial

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
    word = fields.choice(what, "change", "what", WHAT, LogbookError)
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


def take_back_change(
    bench: journal.BenchOwner, what: str, *, day: object = None, by: str = ""
) -> None:
    """Take back the note that something changed, on ``day`` or on the last day noted.

    ``LogbookError`` where no such change is noted.
    """
    book, today = bench.book, bench.now().date()
    word = fields.choice(what, "change", "what", WHAT, LogbookError)
    when = None if day is None else entry_fields.day(f"{word} changed: the day", day, today)
    same = [n for n in book.kept(KIND) if n.said["what"] == word]
    days = [n.said["day"] for n in same]
    if not days or (when or days[0]) not in days:
        known = ", ".join(dict.fromkeys(days)) or "there is none"
        raise LogbookError(f"{word} changed: got {when or 'no day'}; accepted a day noted: {known}")
    for one in same:
        if one.said["day"] == (when or max(days)):
            book.take_back(one.id, by=by)


def _last_press_made(book: journal.BenchBook) -> int:
    """Return the highest number of a press with any record.

    Planned presses are still to be made on the changed bench.
    """
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
    """Return the day of the last change, and the last press before it; None without one.

    A new fabric does not count: it leaves all others unchanged.
    """
    of_all = changes[changes["what"] != "fabric"]
    if not len(of_all):
        return None
    return of_all["day"].max(), int(of_all["after_press"].max())


def redialled(
    session: Session, results: pd.DataFrame, changes: pd.DataFrame, fabric: str | None = None
) -> Redial | None:
    """Return the session dialled in again since the last change noted; None when there was none.

    changes: a frame as of ``changes.frame``.  fabric: whose target the first new presses lie
    beside (default: the one with most grades before the change).  A new fabric is no change to the
    others; it is one to itself when it is the ``fabric`` asked for.  All changes are
    integrated at once.
    """
    if not len(changes):
        return None
    # Imported when something changed: it brings the whole fit along.
    import numpy as np

    from dtfexp.dialin.recalibrate.redial import redial, redial_through
    from dtfexp.dialin.recalibrate.shift import graded_rows

    if fabric is not None:
        fabric = session.fabric(fabric).name
    noted = _with_presses_between(changes, results, session)
    press = results["press"]
    known = None
    if noted:
        ends = [after for _, after in noted]
        chapter = np.searchsorted(ends, press)
        chapters = [results[chapter == k] for k in range(len(ends) + 1)]
        chosen = fabric or _most_graded_fabric(results[chapter < len(ends)], session)
        known = redial_through(session, chapters, chosen, [what for what, _ in noted])
    added = changes.loc[changes["what"] == "fabric", "after_press"]
    if known is None and fabric is not None and len(added):
        old = results[press <= added.max()]
        graded = graded_rows(session, old)
        if graded.any() and not (graded & (old["fabric"] == fabric)).any():
            now = results[press > added.max()]
            known = redial(session, old, fabric, changed="fabric", now=now)
    return known


def _with_presses_between(
    changes: pd.DataFrame, results: pd.DataFrame, session: Session
) -> list[tuple[str, int]]:
    """Return (what, after_press) in order.

    Among changes without a grade between them only the one that keeps least is returned.
    """
    from dtfexp.dialin.recalibrate.shift import graded_rows

    graded = results.loc[graded_rows(session, results), "press"]
    found: dict[int, tuple[str, int]] = {}
    rows = changes.sort_values("after_press", kind="stable")
    for what, after in zip(rows["what"], rows["after_press"], strict=True):
        known = int((graded <= after).sum())
        if what == "fabric" or not known:
            continue
        before = found[known][0] if known in found else what
        least = min(before, what, key=lambda one: CHANGES[one].correlation)
        found[known] = (least, after)
    return list(found.values())


def _most_graded_fabric(results: pd.DataFrame, session: Session) -> str:
    from dtfexp.dialin.recalibrate.shift import graded_rows

    graded = results.loc[graded_rows(session, results), "fabric"]
    return str(graded.mode().iloc[0])
