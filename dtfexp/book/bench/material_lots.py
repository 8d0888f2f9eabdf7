"""Lots of film, powder and ink: which one is in use, since when, and until when it is good.

A lot is in use from the moment it is noted until the next lot of the same material; one that
names a machine counts only where that machine is used. The two clocks are common practice on
transfer benches, no source: opened powder within 6 months, and printed and cured film within
6 months of being printed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from dtfexp.book.store import entry_fields, journal
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session

KIND = "lot"
MATERIALS = ("film", "powder", "ink")
#: Common practice, no source.
OPENED_POWDER_MONTHS = 6
STORED_FILM_MONTHS = 6


@dataclass(frozen=True)
class Lot:
    """One lot: what it is, the name on its packet, and its days."""

    what: str
    name: str
    opened: date | None
    printed: date | None
    since: datetime
    by: str
    machine: str = ""

    @property
    def use_by(self) -> date | None:
        """The last day on which it is good by common practice; None when no clock runs."""
        if self.what == "powder" and self.opened is not None:
            return months_later(self.opened, OPENED_POWDER_MONTHS)
        if self.what == "film" and self.printed is not None:
            return months_later(self.printed, STORED_FILM_MONTHS)
        return None


def keep_lot(
    bench: journal.BenchOwner,
    what: str,
    name: str,
    *,
    opened: object = None,
    printed: object = None,
    machine: str = "",
    by: str = "",
    id: str | None = None,
) -> str:
    """Note that this lot is in use from now on; return the note's id.

    At ``machine`` only, if one is named. ``opened`` is the day its packet was opened; ``printed``,
    for film only, the day it was printed and cured if it was then stored.
    """
    book, today = bench.book, bench.now().date()
    material = fields.choice(what, "lot", "material", MATERIALS, LogbookError)
    said = {"what": material, "name": entry_fields.line(f"{material} lot: its name", name)}
    if opened is not None:
        said["opened"] = entry_fields.day(f"{material} lot, opened", opened, today)
    if printed is not None:
        if material != "film":
            raise LogbookError(f"{material} lot: printed is {printed!r}; only film is printed")
        said["printed"] = entry_fields.day("film lot, printed", printed, today)
        if said["printed"] < said.get("opened", ""):
            raise LogbookError(
                f"film lot: it was printed {said['printed']} and opened {said['opened']}; a roll "
                "is opened before it is printed"
            )
    if machine:
        own = {"oven": book.session.oven, "press": book.session.press}
        named = entry_fields.line(f"{material} lot: its machine", machine)
        said["machine"] = own.get(named.casefold(), named)
    return book.keep(KIND, said, by=by, id=id)


def lots(notes: Iterable[journal.Note]) -> list[Lot]:
    """Every lot noted, in order."""
    return [_lot(note) for note in notes if note.kind == KIND]


def here(found: Iterable[Lot], session: Session) -> list[Lot]:
    """Return the lots in use at this session's machines."""
    own = ("", session.oven.casefold(), session.press.casefold())
    return [lot for lot in found if lot.machine.casefold() in own]


def lots_in_use(notes: Iterable[journal.Note], session: Session) -> dict[str, Lot]:
    """Return the lot of each material in use now at this session's machines: the last one noted."""
    return {lot.what: lot for lot in here(lots(notes), session)}


def frame(bench: journal.BenchOwner) -> pd.DataFrame:
    """Return every lot noted.

    ``what``, ``name``, ``opened``, ``printed``, ``use_by`` (days or None), ``since`` (time with
    zone from which it was in use), ``by``, ``machine`` ("" for all).
    """
    import pandas as pd

    names = ("what", "name", "opened", "printed", "use_by", "since", "by", "machine")
    rows = [[getattr(lot, name) for name in names] for lot in lots(bench.book.kept(KIND))]
    return pd.DataFrame(rows, columns=list(names), dtype="object")


def months_later(day: date, months: int) -> date:
    """Return the same day ``months`` later; the last day where that month is shorter."""
    import pandas as pd

    later: date = (pd.Timestamp(day) + pd.DateOffset(months=months)).date()
    return later


def _lot(note: journal.Note) -> Lot:
    said = note.said
    opened, printed = (
        date.fromisoformat(said[key]) if key in said else None for key in ("opened", "printed")
    )
    machine = said.get("machine", "")
    return Lot(said["what"], said["name"], opened, printed, note.at, note.by, machine)
