"""The steps before each press of a book: loads to cure, settings to change, waits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.dialin.schedule.timeline import PressSteps, schedule

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook


def steps_before_presses(book: Logbook) -> list[PressSteps]:
    """Return the steps of each press of ``book.runs()``, in that order.

    Every plan is a separate sitting with its own minute 0 and warm-up.
    """
    runs, found, start = book.runs(), [], 0
    for count in book.plans()["presses"]:
        found += schedule(book.session, runs.iloc[start : start + int(count)])
        start += int(count)
    return found
