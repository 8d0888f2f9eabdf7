"""Measurements of the machines as the papers show them: what a setting really reaches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import machine_readings
from dtfexp.book.bench import material_lots as materials
from dtfexp.book.bench.machines import MACHINES
from dtfexp.book.store import plausible
from dtfexp.describe.fields import and_list, count_phrase
from dtfexp.describe.units import convert
from dtfexp.dialin.encode.calibrations import Calibrations
from dtfexp.show.text.number_format import label, rounded_text, with_unit
from dtfexp.show.text.tables import LINE, NUMBER, Table

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.bench.machine_readings import PlatenMap
    from dtfexp.book.bench.machines import Machine
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.show.text.fabric_results import FabricResult
    from dtfexp.show.text.number_format import NumberFormat

STAY = "Holds for this oven, press, film, powder and room; a new lot or machine: re-check."


def block_names(results: pd.DataFrame) -> list[str]:
    """Return the days, rolls or lots named in the results, in their order."""
    if "block" not in results.columns:
        return []
    return list(dict.fromkeys(str(block) for block in results["block"] if str(block).strip()))


def blocks_sentence(results: pd.DataFrame) -> list[str]:
    """Return the days, rolls and lots of the results as a sentence."""
    found = block_names(results)
    return [f"Tried with (day, roll or lot): {and_list(found, 4)}."] if found else []


@dataclass(frozen=True)
class MeasuredConditions:
    """Measurements and conditions of the bench for the papers.

    The calibration lines; the latest map of every factor that has one; the lots in use (material,
    name); the room: name of a reading -> its values, in °C and %; a sentence on the last change
    noted; the display ranges of oven and press; what of today's room lies outside the tested
    conditions; and readings past a fabric's limit.
    """

    calibrations: Calibrations = field(default_factory=Calibrations)
    maps: Sequence[PlatenMap] = ()
    lots: Sequence[tuple[str, str]] = ()
    room: Mapping[str, Sequence[float]] = field(default_factory=dict)
    changed: str = ""
    machines: Sequence[Machine] = ()
    strays: Sequence[str] = ()
    past: Sequence[str] = ()

    @classmethod
    def of(cls, book: Logbook) -> MeasuredConditions:
        """Return the conditions recorded in a logbook."""
        notes = machine_readings.here(book.session, book.kept(machine_readings.MAP))
        latest = {one.factor: one for one in machine_readings.maps(notes)}
        rooms = book.bench.rooms_pressed_in()
        lots = materials.here(materials.lots(book.kept(materials.KIND)), book.session)
        unit = book.session.temperature_unit
        air = [convert(float(value), unit, "°C") for value in rooms["temperature"].dropna()]
        return cls(
            book.bench.true_settings(),
            tuple(latest.values()),
            tuple(dict.fromkeys((lot.what, lot.name) for lot in lots)),
            {"temperature": air, "humidity": [float(v) for v in rooms["humidity"].dropna()]},
            _changed(book),
            tuple(book.bench.what(which) for which in MACHINES),
            tuple(book.bench.room_strays()),
            tuple(
                f"Press {row['press']}: {line}"
                for row in book.results().to_dict("records")
                for line in plausible.past_limits(book.session, row)
            ),
        )

    def as_read(self, finding: FabricResult) -> FabricResult:
        """Return the finding with the readings of its presses as read, before correction."""
        frame = finding.presses.copy()
        for name, line in self.calibrations.lines.items():
            column = f"{name}_actual"
            if column in frame:
                readings = frame[column].astype(float)
                frame[column] = (line.intercept + line.slope * readings).round(6)
        return replace(finding, presses=frame)

    def sentences(
        self, finding: FabricResult, session: Session, reading: NumberFormat
    ) -> list[str]:
        """Return the card's lines: what each measured target reaches, lots and room."""
        reaches = [
            f"{label(factor.name).capitalize()} set to {reading.text(factor, setting)} reaches"
            f" {reached}{sure}."
            for factor, setting, reached, sure in self._reached(finding, session, reading)
        ]
        hotter = self.calibrations.hotter_lines(session, reading.temperature)
        return [*self.strays, *hotter, *reaches, *self._materials(reading)]

    def holds_for(
        self, session: Session, results: pd.DataFrame, reading: NumberFormat
    ) -> list[str]:
        """Return the page's lines: days, lots, room and machines tested, and what is missing.

        ``session``: with its machines as measured.
        """
        found = [
            *self.past,
            *self.strays,
            *blocks_sentence(results),
            *self._materials(reading),
            *self._displays(reading),
        ]
        unknown = [] if self.lots else ["lots of film, powder and ink"]
        unknown += [] if any(self.room.values()) else ["room temperature and humidity"]
        measured = any(factor.is_numeric and factor.measured for factor in session.factors)
        unknown += [] if measured else ["what the machines really reach"]
        if unknown:
            found.append(
                f"Not recorded: {and_list(unknown)}. If prints change one day, the cause may be "
                "here and nobody can check."
            )
        return [*found, STAY]

    def conditions(self, results: pd.DataFrame, reading: NumberFormat) -> dict[str, Any]:
        """Return the conditions for ``windows.json``: blocks, lots, room range, last change."""
        room = {"temperature": self._air(reading), "humidity": self.room.get("humidity", ())}
        return {
            "blocks": block_names(results),
            "lots": [{"material": what, "name": name} for what, name in self.lots],
            "room": {
                name: {"low": round(min(values), 6), "high": round(max(values), 6)}
                if values
                else None
                for name, values in room.items()
            },
            "changed": self.changed or None,
        }

    def _air(self, reading: NumberFormat) -> list[float]:
        values = self.room.get("temperature", ())
        return [float(convert(value, "°C", reading.temperature)) for value in values]

    def _displays(self, reading: NumberFormat) -> list[str]:
        """Return the display range of each machine where it is known."""
        found = []
        for one in self.machines:
            if one.low is not None and one.high is not None:
                ends = [
                    float(convert(e, one.unit, reading.temperature)) for e in (one.low, one.high)
                ]
                span = with_unit(
                    " to ".join(rounded_text(end, 0) for end in ends), reading.temperature
                )
                found.append(f"Display of the {one.which}: {span}.")
        return found

    def _materials(self, reading: NumberFormat) -> list[str]:
        found = [self.changed] if self.changed else []
        if self.lots:
            lots = and_list([f"{what} {name}" for what, name in self.lots], 5)
            found.append(f"Tried with the lots {lots}.")
        spans = []
        air = self._air(reading)
        for values, unit in ((air, reading.temperature), (self.room.get("humidity", ()), "%")):
            if values:
                ends = dict.fromkeys(rounded_text(value, 0) for value in (min(values), max(values)))
                spans.append(with_unit(" to ".join(ends), unit))
        if spans:
            found.append(f"Room while testing: {', '.join(spans)}.")
        return found

    def table(
        self, findings: Sequence[FabricResult], session: Session, reading: NumberFormat
    ) -> Table:
        """Return one row per fabric and measured setting: set, reached, with what certainty."""
        rows = [
            [
                finding.name,
                label(factor.name),
                reading.text(factor, setting),
                reached,
                sure.strip(" ()") or "more readings needed",
                str(len(self.calibrations.lines[factor.name].sets)),
            ]
            for finding in findings
            for factor, setting, reached, sure in self._reached(finding, session, reading)
        ]
        heads = ["Fabric", "Setting", "Set", "Reaches on average", "90 % interval", "Readings"]
        return Table(heads, ["", "", NUMBER, NUMBER, LINE, NUMBER], rows)

    def _reached(
        self, finding: FabricResult, session: Session, reading: NumberFormat
    ) -> list[tuple[Factor, float, str, str]]:
        found = []
        for factor in session.factors:
            if not factor.is_numeric or finding.closed:
                continue
            setting = float(finding.window.target[factor.name])
            reached = self.calibrations.mean_reached(factor, setting)
            if reached is None:
                continue
            sure = ""
            if reached.low == reached.low:
                ends = (self._number(reading, factor, v) for v in (reached.low, reached.high))
                sure = " ({} to {})".format(*ends)
            value = with_unit(self._number(reading, factor, reached.value), reading.unit(factor))
            found.append((factor, setting, value, sure))
        return found

    @staticmethod
    def _number(reading: NumberFormat, factor: Factor, value: float) -> str:
        unit: Any = reading.unit(factor)
        number = value if unit == factor.unit else convert(value, factor.unit, unit)
        return rounded_text(float(number), 1)


def _changed(book: Logbook) -> str:
    """Return a sentence on the last change noted; empty when there was none."""
    changes = book.bench.changes()
    if not len(changes):
        return ""
    last = changes.iloc[-1]
    results = book.results()
    graded = results[[outcome.name for outcome in book.session.outcomes]].notna().any(axis=1)
    new = int((graded & (results["press"] > last["after_press"])).sum())
    since = count_phrase(new, "graded press", "graded presses")
    return (
        f"{str(last['what']).capitalize()} changed on {last['day']}: {since} since; earlier "
        "presses count as far as they still apply."
    )
