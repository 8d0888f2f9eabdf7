"""The opening checks of a day or a month, and when each was last done.

The checks and their days are common practice on transfer benches, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from dtfexp.book.bench import machine_readings, machines, room_climate
from dtfexp.book.store import entry_fields, journal
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session

KIND = "opening check"
NEVER, DUE, OVERDUE, DONE = "never done", "due", "overdue", "done"
#: Overdue from twice its days on; a daily check is due every day and overdue the day after.
_OVERDUE = 2


@dataclass(frozen=True)
class Check:
    """One check: how often, and how to do it."""

    name: str
    every_days: int
    how: str


CHECKS: tuple[Check, ...] = (
    Check("warm-up", 1, "Oven and heat press on for 10 min or more before the first piece."),
    Check("nozzle check", 1, "Print the nozzle pattern of the printer: no gaps, white too."),
    Check("room", 1, "Write down room temperature and humidity."),
    Check("first print", 1, "Press one print on scrap of the day's fabric, peel, look, then sell."),
    Check(
        "filter",
        7,
        "Look at the filters of exhaust and oven: machines off and cold, dust mask on. Clean or "
        "change them as their maker says.",
    ),
    Check(
        "platen map",
        30,
        "Measure the warm platen at nine points with a contact probe, or with an infrared gun on "
        "a matte pad: bare shiny metal reads far too cold. Gloves: the platen burns at a touch.",
    ),
    Check(
        "oven map",
        30,
        "Measure the warm oven bed at nine points, the same way. Gloves, and the exhaust on.",
    ),
)
#: The stage of a mapped temperature -> the check that its map is.
_MAPS = {"press": "platen map", "cure": "oven map"}


def keep_check_done(
    bench: journal.BenchOwner,
    check: str,
    *,
    day: object = None,
    note: str = "",
    by: str = "",
    id: str | None = None,
) -> str:
    """Note that an opening check was done (today, or on ``day``); returns the note's id."""
    today = bench.now().date()
    name = fields.choice(check, "opening checks", "check", [c.name for c in CHECKS], LogbookError)
    said = {"check": name, "day": entry_fields.day(f"{name}: the day", day or today, today)}
    if note.strip():
        said["note"] = entry_fields.line(f"{name}: note", note)
    return bench.book.keep(KIND, said, by=by, id=id)


def frame(bench: journal.BenchOwner) -> pd.DataFrame:
    """Return one row per check, the most urgent first.

    ``check``, ``last`` (day or None), ``due`` (day), ``state`` ("never done", "overdue", "due" or
    "done"), ``how``. A reading of the room and a nine-point map count as such checks.
    """
    import pandas as pd

    today, last = bench.now().date(), dict[str, date]()
    for note in bench.book.kept():
        done = _done(note, bench.book.session)
        if done is not None:
            name, day = done
            last[name] = max(day, last.get(name, day))
    rows = []
    for check in CHECKS:
        before = last.get(check.name)
        due = today if before is None else before + timedelta(days=check.every_days)
        rows.append((check.name, before, due, _state(check, before, today), check.how))
    rank = {NEVER: 1, OVERDUE: 0, DUE: 2, DONE: 3}
    rows.sort(key=lambda row: rank[row[3]])
    return pd.DataFrame(rows, columns=["check", "last", "due", "state", "how"], dtype="object")


def _state(check: Check, last: date | None, today: date) -> str:
    if last is None:
        return NEVER
    days = (today - last).days
    if days < check.every_days:
        return DONE
    return OVERDUE if days >= _OVERDUE * check.every_days else DUE


def _done(note: journal.Note, session: Session) -> tuple[str, date] | None:
    if note.kind == KIND:
        return str(note.said["check"]), date.fromisoformat(note.said["day"])
    if note.kind == room_climate.KIND:
        return "room", note.at.date()
    if note.kind == machine_readings.MAP:
        stage = session.factor(str(note.said["factor"])).stage
        if not machines.is_here(session, stage, note.said):
            return None
        return (_MAPS[stage], note.at.date()) if stage in _MAPS else None
    return None
