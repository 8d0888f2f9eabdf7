"""Entry forms on a logbook: a tap books, a list shows it, a further entry takes it back.

Nothing is booked by running a cell, and nothing booked is lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import (
    changes,
    daily_counts,
    machine_readings,
    machines,
    material_lots,
    opening_checks,
    room_climate,
)
from dtfexp.book.store import typed_values
from dtfexp.describe import units
from dtfexp.describe.errors import LogbookError
from dtfexp.describe.fields import without_underscores
from dtfexp.show.forms.sheet_form import Desk, SheetForm, button, field, row
from dtfexp.show.recorder.form import book_key

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.store.journal import Note

Values = Mapping[str, str]
#: Latest entries listed.
_LISTED = 20


@dataclass(frozen=True)
class Part:
    """One entry form.

    ``keep`` books the values under an id and returns what was booked; ``off`` says why not yet.
    ``kind`` is the kind of note it lists, ``says`` a note in words, ``same`` what notes of one
    entry share: a later one corrects an earlier one, and they are taken back together.
    """

    title: str
    label: str
    fields: Callable[[], Sequence[dict[str, Any]]]
    keep: Callable[[Values, str], str]
    kind: str = ""
    says: Callable[[Mapping[str, Any]], str] = str
    same: Callable[[Note], object] = lambda note: note.id
    lines: Callable[[], Sequence[str | tuple[str, str]]] = tuple
    off: Callable[[], str] = str


class EntryDesk(Desk):
    """Some entry forms on one book, which must stay open while they are used."""

    def __init__(self, book: Logbook, *parts: Part) -> None:
        super().__init__()
        self.book, self.parts = book, parts

    def state(self) -> dict[str, Any]:
        """Return each form with its list, the latest entry first."""
        found = []
        for number, part in enumerate(self.parts):
            off = part.off()
            found.append(
                {
                    "title": part.title,
                    "lines": list(part.lines()),
                    "fields": [] if off else list(part.fields()),
                    "buttons": [button(f"keep {number}", part.label, off=off)],
                    "rows": [
                        row(notes[-1].id, part.says(notes[-1].said), _when(notes[-1]),
                            f"undo {number}")
                        for notes in self._entries(part)[: -_LISTED - 1 : -1]
                    ],
                }
            )  # fmt: skip
        titles = " ".join(part.title for part in self.parts)
        return {
            "key": f"{book_key(self.book)}:{titles}",
            "live": False,
            "today": self.book.bench.today.isoformat(),
            "sections": found,
        }

    def act(self, op: str, message: Mapping[str, Any]) -> str:
        """Book ("keep N"), take back ("undo N", with ``of``, the note), or "look" at today.

        ``today`` of the message is the day that the form showed as today.
        """
        if op == "look":
            return ""
        word, _, number = op.partition(" ")
        part = self.parts[int(number)]
        if off := part.off():
            raise LogbookError(off)
        if word == "keep":
            values = {k: str(v).strip() for k, v in (message.get("values") or {}).items()}
            _check_day(values.get("day"), message.get("today"), self.book.bench.today.isoformat())
            return part.keep(values, str(message["id"]))
        for notes in self._entries(part):
            if notes[-1].id == message.get("of"):
                for note in notes:
                    self.book.take_back(note.id)
                return f"{part.says(notes[-1].said)}: taken back; it stays in the history"
        raise LogbookError("that entry is not in the list any more; run this page again")

    def _entries(self, part: Part) -> list[list[Note]]:
        entries: dict[object, list[Note]] = {}
        for note in self.book.kept(part.kind) if part.kind else ():
            entries.setdefault(part.same(note), []).append(note)
        return list(entries.values())


def entry_form(book: Logbook, *parts: Part) -> SheetForm:
    """Return entry forms for a cell."""
    return SheetForm(EntryDesk(book, *parts))


def _check_day(given: str | None, shown: object, today: str) -> None:
    """Refuse, once, the day of a form left open over midnight."""
    if given and given == shown != today:
        raise LogbookError(
            f"the form was open since {shown}, and today is {today}. Look at the day, then tap "
            "again: the day shown now is booked"
        )


def _when(note: Note) -> str:
    return f"booked {note.at:%Y-%m-%d %H:%M} {note.by}".strip()


def _day(book: Logbook, label: str, key: str = "day", value: str | None = None) -> dict[str, Any]:
    today = book.bench.today.isoformat()
    return field(key, label, today if value is None else value, kind="date")


def counts(book: Logbook, fabric: str, lines: Callable[[], Sequence[str]] = tuple) -> Part:
    """Return the form of a day's garments; ``lines``: what the watch says now."""

    def keep(values: Values, id: str) -> str:
        book.bench.count(
            values["fabric"], values["pressed"], values["failed"], day=values["day"],
            symptoms=values["symptoms"], id=id,
        )  # fmt: skip
        return says({n.id: n.said for n in book.kept(daily_counts.KIND)}[id])

    def says(said: Mapping[str, Any]) -> str:
        seen = "".join(f"; {word}: {n}" for word, n in said.get("symptoms", {}).items())
        return (
            f"{said['day']}, {said['fabric']}: {said['failed']} of {said['pressed']} failed{seen}"
        )

    return Part(
        "Count a day",
        "Book this day",
        lambda: [
            _day(book, "Day"),
            field("fabric", "Fabric", fabric, choices=[f.name for f in book.session.fabrics]),
            field("pressed", "Garments pressed"),
            field("failed", "… of them failed", "0"),
            field("symptoms", "Seen on the failed ones", hint="grainy underside: 2; bubbles: 1"),
        ],
        keep,
        daily_counts.KIND,
        says,
        lambda note: (note.said["day"], note.said["fabric"]),
        lines,
    )


def changed(book: Logbook) -> Part:
    """Return the form of a change at the bench."""

    def keep(values: Values, id: str) -> str:
        last = values["after"]
        after = typed_values.whole(last, "the number of a press") if last else None
        book.bench.changed(values["what"], day=values["day"], after_press=after)
        return f"{values['what']} changed on {values['day']}"

    return Part(
        "Something changed at the bench",
        "Note the change",
        lambda: [
            field("what", "What", choices=list(changes.WHAT)),
            _day(book, "Day"),
            field("after", "Last test press made before it", hint="the last one made so far"),
        ],
        keep,
        changes.KIND,
        lambda said: f"{said['day']}, {said['what']}, after press {said['after_press']}",
        lambda note: (note.said["what"], note.said["day"]),
    )


def checks(book: Logbook) -> Part:
    """Return the form of the opening checks."""

    def keep(values: Values, id: str) -> str:
        book.bench.checked(values["check"], day=values["day"], id=id)
        return f"{values['check']}, {values['day']}"

    def due() -> list[tuple[str, str]]:
        rows = book.bench.checks().to_dict("records")
        return [(f"{r['check']}: {r['state']}.", r["how"]) for r in rows if r["state"] != "done"]

    return Part(
        "Opening checks",
        "Done",
        lambda: [
            field("check", "Check", choices=[c.name for c in opening_checks.CHECKS], wide=True),
            _day(book, "Day"),
        ],
        keep,
        opening_checks.KIND,
        lambda said: f"{said['day']}, {said['check']}",
        lines=due,
    )


def lots(book: Logbook) -> Part:
    """Return the form of a lot that is in use from now on."""

    def keep(values: Values, id: str) -> str:
        opened, printed = values["opened"] or None, values["printed"] or None
        book.bench.lot(values["what"], values["name"], opened=opened, printed=printed, id=id)
        return f"{values['what']} lot {values['name']} is in use"

    return Part(
        "Lots in use",
        "Note the lot",
        lambda: [
            field("what", "Material", choices=list(material_lots.MATERIALS)),
            field("name", "Lot, as its packet says"),
            _day(book, "Day its packet was opened", "opened", ""),
            _day(book, "Stored film only: day it was printed", "printed", ""),
        ],
        keep,
        material_lots.KIND,
        lambda said: f"{said['what']} lot {said['name']}",
    )


def room(book: Logbook) -> Part:
    """Return the form of the air of the room."""
    unit = book.session.temperature_unit

    def keep(values: Values, id: str) -> str:
        given = {name: value for name, value in values.items() if value}
        book.bench.room(id=id, **given)
        return _words(given)

    return Part(
        "Air of the room",
        "Note the room",
        lambda: [
            field("temperature", f"Temperature, in {unit}"),
            field("humidity", "Humidity, in %"),
            field("altitude", "Altitude, once", hint="300 m"),
        ],
        keep,
        room_climate.KIND,
        lambda said: _words({name: _read(name, v, unit) for name, v in said.items()}),
    )


def machine(book: Logbook) -> Part:
    """Return the form of what oven and press can do."""

    def keep(values: Values, id: str) -> str:
        which = values["which"]
        given = {k: v for k, v in values.items() if v and k != "which"}
        kept = book.bench.machine(which, id=id, **given)
        return next(_machine_words(n.said) for n in book.kept(machines.KIND) if n.id == kept)

    unit = book.session.temperature_unit
    return Part(
        "Oven and press",
        "Note the machine",
        lambda: [
            field("which", "Machine", choices=list(machines.MACHINES)),
            field("low", f"Lowest the display goes, in {unit}"),
            field("high", f"Highest the display goes, in {unit}"),
            field("step", "Step of the display"),
            field("warm_up_minutes", "Warm-up, in minutes"),
        ],
        keep,
        machines.KIND,
        _machine_words,
    )


def _machine_words(said: Mapping[str, Any]) -> str:
    unit = said["unit"]
    told = (
        ("low", "from", unit), ("high", "up to", unit), ("step", "in steps of", unit),
        ("warm_up_minutes", "warm-up", "min"), ("change_over_minutes", "change-over", "min"),
    )  # fmt: skip
    words = [f"{word} {said[name]:g} {of}" for name, word, of in told if name in said]
    return f"{said.get('name', said['which'])}: {', '.join(words)}"


def nine_points(book: Logbook) -> Part:
    """Return the form of a nine-point map."""
    hot = [without_underscores(f.name) for f in book.session.factors if f.is_temperature]

    def keep(values: Values, id: str) -> str:
        kept = book.bench.map(
            values["setting"], values["set to"], values["readings"].split(),
            instrument=values["instrument"], emissivity=values["emissivity"] or None,
            unit=values["unit"] or None, machine=values["machine"] or None, id=id,
        )  # fmt: skip
        return f"{kept.summary.passes} pass(es) of nine readings. Run, Run All Cells shows the map"

    return Part(
        "Measure nine points",
        "Book the readings",
        lambda: [
            field("setting", "Setting that was measured", hot[-1] if hot else "", choices=hot),
            field("set to", "Set to, on its display"),
            field("readings", "Nine numbers for each pass: back left, back centre, back right, "
                  "middle left … front right", kind="lines", wide=True),
            field("unit", "Unit of the instrument", book.session.temperature_unit,
                  choices=["°C", "°F"]),
            field("instrument", "Instrument", "probe", choices=list(machine_readings.INSTRUMENTS)),
            field("emissivity", "Gun only: the surface's emissivity", hint="0.95"),
            field("machine", "Another oven or press of the shop", hint="its name"),
        ],
        keep,
        machine_readings.MAP,
        lambda said: f"{without_underscores(said['factor'])} at {said['set']:g} {said['unit']}, "
        f"{len(said['points'])} pass(es), {said['instrument']}",
    )  # fmt: skip


def _words(given: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{without_underscores(name)} {f'{value:g}' if isinstance(value, float) else value}"
        for name, value in given.items()
    )


def _read(name: str, value: float, unit: str) -> str:
    """Return a stored reading of the room as it is read."""
    if "temperature" in name:
        return f"{units.convert(value, '°C', unit):.0f} {unit}"
    return f"{value:g} {'%' if name == 'humidity' else 'm'}"
