"""The form's question about each oven load after the cure."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import cure_looks, step_clocks
from dtfexp.dialin.encode.cure_look import LOOKS

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook

#: The text of each chip; common practice, no source.
_SAYS = {
    "grainy": ("Grainy or dull", "Powder still visible or felt: too little cure."),
    "good": ("Melted, glossy", "One smooth film, like orange peel: as it should be."),
    "browned": ("Blistered or browned", "Bubbles, brown or shrunken spots: too much cure."),
}
#: Seconds offered for further curing; common practice, no source.
CURE_ON = (15, 30)


def chips() -> list[dict[str, str]]:
    """Return the three looks to tap, from too little to too much."""
    return [{"look": look, "word": _SAYS[look][0], "says": _SAYS[look][1]} for look in LOOKS]


def of_loads(book: Logbook, done: Collection[int]) -> dict[str, dict[str, Any]]:
    """Return the state of each oven load of the book.

    ``look`` ("" when open), ``cured_on`` seconds in all, ``cured`` (the end of its cure was
    recorded), ``done`` (of ``done``: the loads whose films are done), ``first`` press, ``looked``
    (a look can be taken back).
    """
    known = cure_looks.looks(book.kept(cure_looks.KIND))
    cured = {
        one.load for one in step_clocks.marks(book.kept(step_clocks.STEP)) if one.step == "cured"
    }
    runs = book.runs()
    found = {}
    for load, press in runs.groupby("oven_load", sort=False)["press"].first().items():
        look = known.get(int(load))  # type: ignore[call-overload]
        found[str(load)] = {
            "look": look.look if look else "",
            "cured_on": look.cured_on if look else 0.0,
            "cured": load in cured,
            "done": load in done,
            "first": int(press),
            "looked": look is not None,
        }
    return found


def say(book: Logbook, message: Mapping[str, Any], by: str) -> str:
    """Store the look of the form's message, or take back the last one; return the text to show."""
    load = message.get("load")
    if message.get("op") == "forget look":
        known = cure_looks.looks(book.kept(cure_looks.KIND)).get(int(load or 0))
        if known is not None:
            book.take_back(known.last, by=by)
        return f"oven load {load}: the last look is taken back; it stays in the history"
    on = message.get("cured_on")
    book.bench.look(load, message.get("look"), cured_on=on, by=by, id=message.get("id"))
    return f"oven load {load}: {message.get('look')}" + (f", cured on {on:g} s" if on else "")


def lines(book: Logbook, press: int) -> list[tuple[Any, str, str]]:
    """Return time, person and look of each note on a press's load, in order."""
    runs = book.runs()
    load = runs.loc[runs["press"] == press, "oven_load"].tolist()
    return [
        (note.at, note.by, "powder side: " + _told(note.said))
        for note in book.kept(cure_looks.KIND)
        if note.said["load"] in load
    ]


def _told(said: Any) -> str:
    on = f", cured on {said['cured_on']:g} s" if "cured_on" in said else ""
    note = f" ({said['note']})" if "note" in said else ""
    return f"{_SAYS[said['look']][0].casefold()}{on}{note}"
