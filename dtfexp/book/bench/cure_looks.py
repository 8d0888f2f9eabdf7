"""What the powder side of each oven load looked like after the cure, and how long it was cured on.

A look is a note in the journal; a later one supersedes it and both stay. A load that was cured on
was looked at before: its look is open until somebody looks again. The words and what they mean
stand in ``dialin.cure_look``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entries, entry_fields, journal
from dtfexp.describe import fields, units
from dtfexp.describe.errors import LogbookError
from dtfexp.dialin.encode import cure_look

if TYPE_CHECKING:
    import sqlite3
    from datetime import datetime

    import pandas as pd

    from dtfexp.book.store.stored_plans import Press
    from dtfexp.describe.session import Session

KIND = "cure look"
_LONGEST = 3600.0


@dataclass(frozen=True)
class Look:
    """What is known of one load.

    ``look``: how it looked last, "" when it was cured on since or nobody looked; ``ever``: all
    words said of it; ``sums``: seconds cured on in all, after each time; ``last``: id of the latest
    note; ``by`` and ``at`` of that note.
    """

    load: int
    look: str
    ever: tuple[str, ...]
    sums: tuple[float, ...]
    last: str
    by: str
    at: datetime

    @property
    def cured_on(self) -> float:
        """The total of further cure, in seconds."""
        return self.sums[-1] if self.sums else 0.0


def said(
    load: object, look: object, loads: Iterable[int], *, cured_on: object = None, note: str = ""
) -> dict[str, Any]:
    """Return the contents of a note on a planned load: its look, and further seconds of cure."""
    number = int(entry_fields.quantity("oven load", load, "", 1, 2**31))
    place = f"oven load {number}"
    if number not in (known := sorted(set(loads))):
        span = f"loads {known[0]} to {known[-1]}" if known else "no loads yet, add a plan first"
        raise LogbookError(f"{place} is not in the book; it has {span}")
    content: dict[str, Any] = {"load": number, "look": _word(place, look)}
    if cured_on is not None:
        content["cured_on"] = entry_fields.quantity(
            f"{place}, cured on", cured_on, "s", 1, _LONGEST
        )
    if note.strip():
        content["note"] = entry_fields.line(f"{place}, note", note)
    return content


def _word(place: str, look: object) -> str:
    try:
        return cure_look.parse_look(look)
    except ValueError:
        raise fields.refusal(f"{place}, the look", look, cure_look.ACCEPTED, LogbookError) from None


def looks(notes: Iterable[journal.Note]) -> dict[int, Look]:
    """Return what holds of every load that was looked at, by its number."""
    found: dict[int, Look] = {}
    for note in journal.current_notes(note for note in notes if note.kind == KIND):
        load, word = int(note.said["load"]), _word("cure look", note.said["look"])
        before = found.get(load)
        ever, sums = (before.ever, before.sums) if before else ((), ())
        if on := float(note.said.get("cured_on", 0.0)):
            sums = (*sums, (sums[-1] if sums else 0.0) + on)
        found[load] = Look(load, "" if on else word, (*ever, word), sums, note.id, note.by, note.at)
    return found


def frame(found: Mapping[int, Look]) -> pd.DataFrame:
    """Return one row per load.

    ``oven_load``, ``cure_look`` ("" when cured on since), ``cured_on`` (seconds in all), ``time``
    (with zone) and ``by`` of the last look.
    """
    import pandas as pd

    rows = [(one.load, one.look, one.cured_on, one.at, one.by) for one in found.values()]
    names = ["oven_load", cure_look.COLUMN, "cured_on", "time", "by"]
    return pd.DataFrame(sorted(rows), columns=names)


def cured(session: Session, press: Press, known: Mapping[int, Look]) -> tuple[float, ...]:
    """Return the total cure time of a press after each further cure of its load.

    In the unit of that setting; empty without further cure or without a cure time in the session.
    """
    time, look = cure_look.cure_time(session), known.get(press.oven_load)
    if time is None or look is None:
        return ()
    return tuple(
        float(press.settings[time.name]) + units.convert_difference(on, "s", time.unit)
        for on in look.sums
    )


def with_cured(
    session: Session,
    presses: Iterable[Press],
    state: Mapping[int, Mapping[str, Any]],
    known: Mapping[int, Look],
) -> list[Mapping[str, Any]]:
    """Return what is recorded of each press, with its load's true cure time if none was typed."""
    time = cure_look.cure_time(session)
    out: list[Mapping[str, Any]] = []
    for press in presses:
        sums = cured(session, press, known)
        more = {entries.ACTUAL + time.name: sums[-1]} if time is not None and sums else {}
        out.append({**more, **state.get(press.press, {})})
    return out


def take_in(
    connection: sqlite3.Connection,
    mark: str,
    file: str,
    given: Mapping[int, tuple[str, str]],
    at: datetime,
    by: str,
    remarks: list[str],
) -> Iterator[tuple[int, str]]:
    """Keep what a sheet newly says of loads; the loads of which it did, with the notes' ids.

    A word that was said of the load before is no news: the sheet may be older than the book.
    """
    notes = journal.read(connection, KIND)
    known = looks(notes)
    for load, (word, who) in sorted(given.items()):
        now = known.get(load)
        if now is None or word not in now.ever:
            # The count tells it from the same word said before an import was taken back.
            key = entries.derived_id(mark, KIND, load, word, len(notes))
            note = journal.Note(key, KIND, {"load": load, "look": word}, at, who or by)
            if journal.append(connection, note):
                yield load, key
        elif now.look != word:
            remarks.append(
                f"{file}: it says {word!r} for oven load {load} as was said before; the book was "
                "told otherwise since and keeps that"
            )


def speaks_against(load: int, notes: Iterable[journal.Note]) -> tuple[str, str] | None:
    """Return the name and sentence of a warning against pressing a load that looks wrong."""
    look = looks(notes).get(load)
    if look is not None and look.look == "grainy":
        return "grainy", (
            f"The powder of oven load {load} looks grainy or dull: the cure was too little. Cure "
            "it on before pressing; pressed so, colour and print come off in the wash."
        )
    if look is not None and look.look == "browned":
        return "browned", (
            f"Oven load {load} looks blistered or browned: the cure was too much. Expect a film "
            "that lets go neither hot nor warm; a cold peel saves some."
        )
    return None
