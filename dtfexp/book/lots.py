"""Lots of film, powder and ink: which one is in use, since when, and until when it is good.

A lot is in use from the moment it is noted until the next lot of the same material. The two
clocks are common practice on transfer benches, no source: opened powder within 6 months, and
printed and cured film within 6 months of being printed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from dtfexp.book import checking, journal
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    import pandas as pd

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

    @property
    def use_by(self) -> date | None:
        """The last day on which it is good by common practice; None when no clock runs."""
        if self.what == "powder" and self.opened is not None:
            return months_later(self.opened, OPENED_POWDER_MONTHS)
        if self.what == "film" and self.printed is not None:
            return months_later(self.printed, STORED_FILM_MONTHS)
        return None


def keep(
    book: journal.Keeper,
    what: str,
    name: str,
    *,
    opened: object = None,
    printed: object = None,
    today: date,
    by: str = "",
    id: str | None = None,
) -> str:
    """Note that this lot is in use from now on; returns the note's id.

    ``opened`` is the day its packet was opened; ``printed``, for film only, the day it was
    printed and cured if that was done to be stored.
    """
    material = checking.choice("lot: the material", what, MATERIALS)
    said = {"what": material, "name": checking.line(f"{material} lot: its name", name)}
    if opened is not None:
        said["opened"] = checking.day(f"{material} lot, opened", opened, today)
    if printed is not None:
        if material != "film":
            raise LogbookError(f"{material} lot: printed is {printed!r}; only film is printed")
        said["printed"] = checking.day("film lot, printed", printed, today)
        if said["printed"] < said.get("opened", ""):
            raise LogbookError(
                f"film lot: it was printed {said['printed']} and opened {said['opened']}; a roll "
                "is opened before it is printed"
            )
    return book.keep(KIND, said, by=by, id=id)


def lots(notes: Iterable[journal.Note]) -> list[Lot]:
    """Every lot noted, in order."""
    return [_lot(note) for note in notes if note.kind == KIND]


def in_use(notes: Iterable[journal.Note]) -> dict[str, Lot]:
    """The lot of each material in use now: the last one noted."""
    return {lot.what: lot for lot in lots(notes)}


def frame(found: Iterable[Lot]) -> pd.DataFrame:
    """One row per lot: ``what``, ``name``, ``opened``, ``printed``, ``use_by`` (days or None),
    ``since`` (time with zone from which it was in use), ``by``."""
    import pandas as pd

    names = ("what", "name", "opened", "printed", "use_by", "since", "by")
    rows = [[getattr(lot, name) for name in names] for lot in found]
    return pd.DataFrame(rows, columns=list(names), dtype="object")


def months_later(day: date, months: int) -> date:
    """The same day of the month so many months on; the last day where the month is shorter."""
    import pandas as pd

    later: date = (pd.Timestamp(day) + pd.DateOffset(months=months)).date()
    return later


def _lot(note: journal.Note) -> Lot:
    said: dict[str, Any] = dict(note.said)
    days = {
        key: date.fromisoformat(said[key]) if key in said else None for key in ("opened", "printed")
    }
    return Lot(said["what"], said["name"], days["opened"], days["printed"], note.at, note.by)
