"""Ovens and heat presses by name: what their displays can be set to, and how long they take.

A bench may have several. The words "oven" and "press" stand for those of the session
(``Session.oven``, ``Session.press``); any other is named. A note that names no machine was made
for the session's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entry_fields, journal
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

KIND = "machine"
#: The machine, and the stage whose settings it has.
STAGES = {"oven": "cure", "press": "press"}
MACHINES = tuple(STAGES)
_LONGEST_MINUTES = 600.0


@dataclass(frozen=True)
class Machine:
    """An oven or a press; ``which`` is its name.

    ``low``, ``high`` and ``step`` are of its temperature display, in ``unit``; None where not told.
    """

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

        number = round(float(convert(value, factor.unit, self.unit)), 6)
        said = factor.format(value)
        for limit, beyond in ((self.low, -1), (self.high, 1)):
            if limit is not None and beyond * (number - limit) > 1e-6:
                word = "lowest" if beyond < 0 else "highest"
                return f"{said} is beyond the {self.which}'s {word} setting, {limit:g} {self.unit}"
        if self.step is not None and factor.unit == self.unit:
            steps = (number - (self.low or 0.0)) / self.step
            if abs(steps - round(steps)) > 1e-6:
                return f"{said} is between two steps of the {self.which}'s display"
        return ""


def name_of(session: Session, stage: str, named: object) -> str:
    """Return the machine meant by ``named`` where a setting of ``stage`` is measured.

    One line of text; None or the words "oven" and "press" mean the session's own; "" for a stage
    without one.
    """
    own = session.machine(stage)
    if named is None:
        return own
    said = entry_fields.line("machine: its name", named)
    return own if said.casefold() in (*MACHINES, own.casefold()) else said


def is_here(session: Session, stage: str, said: Mapping[str, Any]) -> bool:
    """Whether a note on a setting of ``stage`` is of this session's machine."""
    named = str(said.get("machine", "")).casefold()
    return not named or named == session.machine(stage).casefold()


def _role_and_name(
    book: journal.JournalOwner, which: object, is_a: object | None
) -> tuple[str, str]:
    """Return "oven" or "press", and the name of the machine meant."""
    session = book.session
    own = {"oven": session.oven, "press": session.press}
    known = {note.said.get("name", ""): note.said["which"] for note in book.kept(KIND)}
    roles = {name.casefold(): (role, name) for name, role in known.items() if name}
    roles |= {name.casefold(): (role, name) for role, name in own.items()}
    roles |= {role: (role, name) for role, name in own.items()}
    word = " ".join(which.split()) if isinstance(which, str) else ""
    if word.casefold() in roles:
        return roles[word.casefold()]
    if is_a is not None and word:
        return fields.choice(is_a, f"machine {word!r}", "is_a", MACHINES, LogbookError), word
    accepted = dict.fromkeys([*MACHINES, *(name for _, name in roles.values())])
    raise fields.refusal(
        "machine",
        which,
        f'''one of {", ".join(accepted)}, or a new name with is_a="oven" or "press"''',
        LogbookError,
    )


def keep_machine(
    bench: journal.BenchOwner,
    which: str,
    *,
    is_a: object | None = None,
    by: str = "",
    id: str | None = None,
    **given: object,
) -> str:
    """Note what a machine can do; returns the note's id.

    ``which`` is its name, or "oven" or "press" for the session's own; ``is_a`` says which of the
    two a new name is. given: some of ``low``, ``high``, ``step`` (of its temperature display, in
    the session's temperature unit), ``warm_up_minutes`` and ``change_over_minutes``.
    """
    role, machine = _role_and_name(bench.book, which, is_a)
    unit = bench.book.session.temperature_unit
    ranges = {
        "low": (unit, -100.0, 1000.0),
        "high": (unit, -100.0, 1000.0),
        "step": ("", 0.01, 100.0),
        "warm_up_minutes": ("min", 0.0, _LONGEST_MINUTES),
        "change_over_minutes": ("min", 0.0, _LONGEST_MINUTES),
    }
    said: dict[str, Any] = {"which": role, "unit": unit}
    for name, value in given.items():
        if name not in ranges:
            raise LogbookError(f"{machine}: {name!r} is not known; accepted {', '.join(ranges)}")
        if value is not None:
            said[name] = entry_fields.quantity(f"{machine}, {name}", value, *ranges[name])
    if len(said) == 2:
        raise LogbookError(f"{machine}: nothing is told; give some of {', '.join(ranges)}")
    if said.get("low", -1e9) >= said.get("high", 1e9):
        raise LogbookError(
            f"{machine}: low is {said['low']:g} and high is {said['high']:g}; low must be the "
            "lower one"
        )
    # Notes of a bench with one oven and one press stay as they always were.
    named = {} if machine == role else {"name": machine}
    return bench.book.keep(KIND, said | named, by=by, id=id)


def machine(notes: Iterable[journal.Note], session: Session, which: str) -> Machine:
    """Return what is known of a machine: the last note on it, else the session's data.

    ``which``: a name, or "oven" or "press" for the session's own.
    """
    own = {"oven": session.oven, "press": session.press}
    name = own.get(which, which)
    said: dict[str, Any] = {}
    for note in notes:
        if note.kind == KIND:
            noted = str(note.said.get("name", own[note.said["which"]]))
            if noted.casefold() == name.casefold():
                said = dict(note.said)
    unit = said.get("unit", session.temperature_unit)
    minutes = [said.get(k, getattr(session, k)) for k in ("warm_up_minutes", "change_over_minutes")]
    return Machine(name, unit, said.get("low"), said.get("high"), said.get("step"), *minutes)
