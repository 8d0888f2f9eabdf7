"""The steps of the day of a logbook, and how far they are walked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.book.bench import cure_looks
from dtfexp.dialin.schedule.day_steps import DaySteps, day_steps

if TYPE_CHECKING:
    from collections.abc import Collection

    from dtfexp.book.logbook import Logbook


def steps_of(book: Logbook, without: Collection[int] = ()) -> DaySteps:
    """Return the steps of all planned presses of ``book``, ``without`` some of them.

    Every plan is a separate sitting with its own minute 0 and warm-up.
    """
    runs, found, start = book.runs(), DaySteps(), 0
    for count in book.plans()["presses"]:
        sitting = runs.iloc[start : start + int(count)]
        left = sitting[~sitting["press"].isin(without)]
        found = DaySteps(found.steps + day_steps(book.session, left).steps)
        start += int(count)
    return found


def steps_left(book: Logbook) -> DaySteps:
    """Return the steps of the presses not made yet, films that are done left out."""
    return steps_of(book, pressed(book)).without_films(cured(book))


def pressed(book: Logbook) -> set[int]:
    """Return the presses that are made or left out."""
    waiting = book.waiting()
    untouched = waiting.loc[~waiting["pressed"].astype(bool), "press"]
    return set(book.runs()["press"]) - set(untouched)


def cured(book: Logbook) -> set[int]:
    """Return the oven loads whose films are done: looked at since the cure, or pressed from."""
    runs = book.runs()
    looked = {
        load
        for load, one in cure_looks.looks(book.kept(cure_looks.KIND)).items()
        if one.look not in ("", "grainy")
    }
    return looked | set(runs.loc[runs["press"].isin(pressed(book)), "oven_load"])


def now(book: Logbook) -> list[str]:
    """Return what the hands do next, a line for each step; [] when every press is made."""
    return steps_of(book).next(pressed(book), cured(book))
