"""The clocks of the bench: what is about to be done too soon, too late or with old material.

Somebody (or the recording form) marks the steps as they happen; the warnings compare those marks,
the lots, the room and the machines with what the trade holds to. All its numbers are common
practice on transfer benches, no source. A clock that nobody started warns of nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import cure_looks, machine_readings, machines, material_lots, room_climate
from dtfexp.book.store import entry_fields, journal
from dtfexp.describe import fields, units
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    from dtfexp.book.store.stored_plans import Press
    from dtfexp.describe.session import Session

STEP = "step"
OVERRIDDEN = "overridden"
#: Steps of one oven load, of one press, and of the bench.
LOAD_STEPS = ("printed", "powdered", "cured")
PRESS_STEPS = ("pressed", "peeled")
BENCH_STEPS = ("oven on", "press on", "oven off", "press off")
STEPS = (*LOAD_STEPS, *PRESS_STEPS, *BENCH_STEPS)

# Common practice, no source.
POWDER_WITHIN = timedelta(hours=2)
REST_SECONDS = (5, 10)
HOT_PEEL_SECONDS = 3

#: Told so long before the powder's two hours are over.
_SOON = timedelta(minutes=15)
#: The kinds of note that the warnings read.
READ = (
    STEP,
    cure_looks.KIND,
    material_lots.KIND,
    room_climate.KIND,
    machines.KIND,
    machine_readings.MAP,
    machine_readings.CHECK,
)
#: A reading of the room says nothing about another day.
_ROOM_HOLDS = timedelta(hours=12)
_NOT_HOT = ("warm", "cold", "cool")


@dataclass(frozen=True)
class PressWarning:
    """One warning before a mistake. ``clears_at``: waiting until then is enough; else None."""

    press: int
    what: str
    says: str
    clears_at: datetime | None = None


def keep_mark(
    bench: journal.BenchOwner,
    step: str,
    *,
    press: object = None,
    load: object = None,
    at: datetime | None = None,
    by: str = "",
    id: str | None = None,
) -> str:
    """Note that a step (of ``STEPS``) has just happened, or happened ``at``; returns the note's id.

    A step of film or powder is marked for a press or for a whole oven ``load``, pressing and
    peeling for a press, a machine switched on or off for neither.
    """
    word = fields.choice(step, "mark", "step", STEPS, LogbookError)
    said: dict[str, Any] = {
        "step": word,
        "at": entry_fields.moment(f"step {word!r}", at or bench.now()).isoformat(),
    }
    if word in BENCH_STEPS:
        if press is not None or load is not None:
            raise LogbookError(f"step {word!r} is of the whole bench; give no press and no load")
    elif press is not None:
        said["press"] = entry_fields.press_number(press)
    elif load is not None and word in LOAD_STEPS:
        said["load"] = int(entry_fields.quantity(f"step {word!r}, oven load", load, "", 1, 2**31))
    else:
        which = "a press or an oven load" if word in LOAD_STEPS else "a press"
        raise LogbookError(f"step {word!r}: say of which one; give {which}")
    return bench.book.keep(STEP, said, by=by, id=id)


def keep_override(
    bench: journal.BenchOwner,
    warning: PressWarning,
    *,
    by: str = "",
    reason: str = "",
    id: str | None = None,
) -> str:
    """Note that a warning was shown and the press was made all the same; returns the note's id."""
    said = {"press": warning.press, "warning": warning.what, "says": warning.says}
    if reason.strip():
        said["reason"] = entry_fields.line("reason", reason)
    return bench.book.keep(OVERRIDDEN, said, by=by, id=id)


def warnings(
    session: Session,
    press: Press,
    notes: Sequence[journal.Note],
    now: datetime,
    made: bool = False,
) -> list[PressWarning]:
    """Everything that speaks against going on with ``press`` at ``now``, the most urgent first.

    ``session`` has its machines as they were measured (``Bench.measured_session``). What the heat
    gate says is of presses not ``made`` yet: of the others only grades are still to come.
    """
    marked = _Marks(notes, press)
    found = [
        *(() if made else _refused(session, press)),
        *_waits(session, press, marked, now),
        *_look(press, notes),
        *_warm_up(session, press, marked, notes, now),
        *_powder(press, marked, now),
        *_materials(session, press, notes, now),
        *_moisture(session, press, notes, now),
        *_display(session, press, notes),
    ]
    return found


@dataclass(frozen=True)
class Mark:
    """One step that happened: of one press, of one oven load, or of the bench."""

    step: str
    at: datetime
    press: int | None
    load: int | None


def marks(notes: Iterable[journal.Note]) -> list[Mark]:
    """Every step marked, in the order in which they were noted."""
    return [
        Mark(
            note.said["step"],
            entry_fields.moment("step", note.said["at"]),
            note.said.get("press"),
            note.said.get("load"),
        )
        for note in notes
        if note.kind == STEP
    ]


class _Marks:
    """When each step last happened, as far as one press is concerned."""

    def __init__(self, notes: Iterable[journal.Note], press: Press) -> None:
        self._at = {
            mark.step: mark.at
            for mark in marks(notes)
            if mark.press in (None, press.press) and mark.load in (None, press.oven_load)
        }

    def at(self, step: str) -> datetime | None:
        return self._at.get(step)

    def open(self, step: str, ends: str) -> datetime | None:
        """When ``step`` happened, unless the step that ``ends`` its clock came after it."""
        start, end = self.at(step), self.at(ends)
        return None if start is None or (end is not None and end >= start) else start


def _waits(session: Session, press: Press, marks: _Marks, now: datetime) -> Iterator[PressWarning]:
    pressed = marks.open("pressed", "peeled")
    if pressed is not None and _is_hot_peel(session, press):
        ready = pressed + timedelta(seconds=HOT_PEEL_SECONDS)
        if now < ready:
            yield PressWarning(
                press.press,
                "hot peel",
                f"Wait {HOT_PEEL_SECONDS} s before a hot peel, then peel slowly, rolling, the film "
                "close to the cloth: small letters and corners pull up.",
                ready,
            )
    cured = marks.open("cured", "pressed")
    if cured is not None:
        low, high = REST_SECONDS
        ready = cured + timedelta(seconds=low)
        if now < ready:
            yield PressWarning(
                press.press,
                "rest",
                f"Let the film rest {low} to {high} s after the cure: pressed at once, solid areas "
                "get bubbles.",
                ready,
            )


def _is_hot_peel(session: Session, press: Press) -> bool:
    """Return False only when a peel setting in words or the film says another kind of peel."""
    for factor in session.factors:
        if factor.stage == "peel" and not factor.is_numeric:
            word = str(press.settings[factor.name]).casefold()
            return not any(kind in word for kind in _NOT_HOT)
    return session.film_peel in ("", "hot")


def _look(press: Press, notes: Sequence[journal.Note]) -> Iterator[PressWarning]:
    against = cure_looks.speaks_against(press.oven_load, notes)
    if against is not None:
        yield PressWarning(press.press, *against)


def _warm_up(
    session: Session, press: Press, marks: _Marks, notes: Sequence[journal.Note], now: datetime
) -> Iterator[PressWarning]:
    for which, done in (("oven", "cured"), ("press", "pressed")):
        on = marks.open(f"{which} on", f"{which} off")
        if on is None or marks.open(done, f"{which} on") is not None:
            continue
        minutes = machines.machine(notes, session, which).warm_up_minutes
        ready = on + timedelta(minutes=minutes)
        if now < ready:
            name = "oven" if which == "oven" else "heat press"
            yield PressWarning(
                press.press,
                f"{which} warm-up",
                f"The {name} was switched on {_span_text(now - on)} ago: let it warm up "
                f"{minutes:g} min, that is {_span_text(ready - now)} more.",
                ready,
            )


def _powder(press: Press, marks: _Marks, now: datetime) -> Iterator[PressWarning]:
    printed, powdered = marks.at("printed"), marks.at("powdered")
    if printed is None or marks.open("printed", "pressed") is None:
        return
    done = powdered is not None and powdered >= printed
    took = (powdered if done and powdered is not None else now) - printed
    hours = POWDER_WITHIN.total_seconds() / 3600
    if took > POWDER_WITHIN:
        yield PressWarning(
            press.press,
            "powder",
            f"The film was {'powdered' if done else 'printed'} {_span_text(took)} "
            f"{'after printing' if done else 'ago'}: after {hours:g} h the ink is too dry to hold "
            "the powder. Print it again.",
        )
    elif not done and took > POWDER_WITHIN - _SOON:
        yield PressWarning(
            press.press,
            "powder soon",
            f"Powder the film within {_span_text(POWDER_WITHIN - took)}: {hours:g} h after "
            "printing the "
            "ink is too dry.",
        )


def _materials(
    session: Session, press: Press, notes: Sequence[journal.Note], now: datetime
) -> Iterator[PressWarning]:
    says = {
        "powder": "was opened {day}: use opened powder within {months} months, kept airtight, dry "
        "and dark.",
        "film": "was printed {day}: use stored film within {months} months, kept dry, cool and "
        "dark.",
    }
    months = {
        "powder": material_lots.OPENED_POWDER_MONTHS,
        "film": material_lots.STORED_FILM_MONTHS,
    }
    for what, lot in material_lots.lots_in_use(notes, session).items():
        if lot.use_by is not None and now.date() > lot.use_by:
            day = lot.opened if what == "powder" else lot.printed
            text = says[what].format(day=day, months=months[what])
            yield PressWarning(press.press, f"old {what}", f"The {what} lot {lot.name} {text}")


def _moisture(
    session: Session, press: Press, notes: Sequence[journal.Note], now: datetime
) -> Iterator[PressWarning]:
    fresh = [
        note for note in notes if note.kind == room_climate.KIND and now - note.at < _ROOM_HOLDS
    ]
    here = room_climate.latest(fresh)
    coldest = here.get("film_temperature")
    if coldest is None or coldest > here.get("dew_point", -273.15):
        return
    unit = session.temperature_unit
    cold, dew = (
        f"{units.convert(celsius, '°C', unit):.0f} {unit}"
        for celsius in (coldest, here["dew_point"])
    )
    yield PressWarning(
        press.press,
        "dew",
        f"Film or garment is at {cold}, the air's dew point is {dew}: water settles on it and "
        "makes bubbles. Let it warm up, and pre-press the garment.",
    )


def _display(
    session: Session, press: Press, notes: Sequence[journal.Note]
) -> Iterator[PressWarning]:
    for which, stage in machines.STAGES.items():
        machine = machines.machine(notes, session, which)
        for factor in session.factors:
            if factor.stage == stage and factor.is_temperature:
                why = machine.refuses(factor, float(press.settings[factor.name]))
                if why:
                    yield PressWarning(
                        press.press,
                        "display",
                        f"{factor.name}: {why}. Set the nearest and write down what was set.",
                    )


def refusal(session: Session, settings: Mapping[str, Any], fabric: str) -> str:
    """``Session.refusal`` with the settings named as a person reads them."""
    why = session.refusal(settings, fabric)
    for factor in session.factors:
        why = why.replace(factor.name, fields.without_underscores(factor.name))
    return why


def _refused(session: Session, press: Press) -> Iterator[PressWarning]:
    """Yield the warnings of the heat gate: heat limit, ranges, forbidden combinations."""
    why = refusal(session, press.settings, press.fabric)
    if why:
        yield PressWarning(
            press.press,
            "heat limit",
            f"DO NOT PRESS as planned: {why}. Whatever you set instead, write down what was "
            "reached.",
        )


def _span_text(span: timedelta) -> str:
    """Return a span as a person says it: "40 s", "12 min", "2 h 14 min"."""
    seconds = max(0, round(span.total_seconds()))
    if seconds < 60:
        return f"{seconds} s"
    hours, minutes = divmod(-(-seconds // 60), 60)
    if hours > 48:
        return f"{hours // 24} days"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
