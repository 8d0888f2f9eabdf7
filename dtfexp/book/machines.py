"""The oven and the heat press: what their displays can be set to, and how long they take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book import checking, journal
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

KIND = "machine"
#: The machine, and the stage whose settings it has.
STAGES = {"oven": "cure", "press": "press"}
MACHINES = tuple(STAGES)
#: Common practice, no source: at least this long before the first piece.
WARM_UP_MINUTES = 10.0
_LONGEST_MINUTES = 600.0


@dataclass(frozen=True)
class Machine:
    """An oven or a press. ``low``, ``high`` and ``step`` are of its temperature display, in
    ``unit``; None where not told."""

    which: str
    unit: str
    low: float | None
    high: float | None
    step: float | None
    warm_up_minutes: float
    change_over_minutes: float

    def refuses(self, factor: Factor, value: float) -> str:
        """Why ``value`` of a temperature ``factor`` cannot be set on this display; "" if it can."""
        from dtfexp.describe.units import convert

        told = round(float(convert(value, factor.unit, self.unit)), 6)
        said = factor.format(value)
        for limit, beyond in ((self.low, -1), (self.high, 1)):
            if limit is not None and beyond * (told - limit) > 1e-6:
                word = "lowest" if beyond < 0 else "highest"
                return f"{said} is beyond the {self.which}'s {word} setting, {limit:g} {self.unit}"
        if self.step is not None and factor.unit == self.unit:
            steps = (told - (self.low or 0.0)) / self.step
            if abs(steps - round(steps)) > 1e-6:
                return f"{said} is between two steps of the {self.which}'s display"
        return ""


def keep(
    book: journal.Keeper, which: str, told: dict[str, Any], *, by: str = "", id: str | None = None
) -> str:
    """Note what a machine can do; returns the note's id.

    ``told`` has some of ``low``, ``high``, ``step`` (of its temperature display, in the session's
    temperature unit), ``warm_up_minutes`` and ``change_over_minutes``.
    """
    machine = checking.choice("machine", which, MACHINES)
    unit = book.session.temperature_unit
    ranges = {
        "low": (unit, -100.0, 1000.0),
        "high": (unit, -100.0, 1000.0),
        "step": ("", 0.01, 100.0),
        "warm_up_minutes": ("min", 0.0, _LONGEST_MINUTES),
        "change_over_minutes": ("min", 0.0, _LONGEST_MINUTES),
    }
    said: dict[str, Any] = {"which": machine, "unit": unit}
    for name, value in told.items():
        if name not in ranges:
            raise LogbookError(
                f"{machine}: {name!r} is not known; accepted are {', '.join(ranges)}"
            )
        if value is not None:
            said[name] = checking.quantity(f"{machine}, {name}", value, *ranges[name])
    if len(said) == 2:
        raise LogbookError(f"{machine}: nothing is told; give some of {', '.join(ranges)}")
    if said.get("low", -1e9) >= said.get("high", 1e9):
        raise LogbookError(
            f"{machine}: low is {said['low']:g} and high is {said['high']:g}; low must be the "
            "lower one"
        )
    return book.keep(KIND, said, by=by, id=id)


def machine(notes: Iterable[journal.Note], session: Session, which: str) -> Machine:
    """What is known of the machine: the last note on it, else what the session says."""
    said: dict[str, Any] = {}
    for note in notes:
        if note.kind == KIND and note.said["which"] == which:
            said = dict(note.said)
    return Machine(
        which,
        said.get("unit", session.temperature_unit),
        said.get("low"),
        said.get("high"),
        said.get("step"),
        said.get("warm_up_minutes", session.warm_up_minutes),
        said.get("change_over_minutes", session.change_over_minutes),
    )
