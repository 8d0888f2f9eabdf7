"""The room: air temperature, humidity and altitude, with dew point and boiling point worked out.

The file holds °C, % and metres; a person tells and reads temperatures in the session's unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entry_fields, journal
from dtfexp.describe import fields, units
from dtfexp.describe.errors import LogbookError
from dtfexp.maths.physics import air

if TYPE_CHECKING:
    import pandas as pd

KIND = "room"
#: What can be told, with its unit in the file and the range that a workshop can have.
_RANGES = {
    "temperature": ("°C", -20.0, 60.0),
    "film_temperature": ("°C", -20.0, 60.0),
    "humidity": ("%", 1.0, 100.0),
    "altitude": ("", -450.0, 6000.0),
}
#: Metres in one of them; "m" alone is no unit of a setting, where it may be meant as minutes.
_HEIGHTS = {"m": 1.0, "metres": 1.0, "meters": 1.0, "ft": 0.3048, "feet": 0.3048}
_HEIGHT = re.compile(r"\s*([+-]?[\d.,]+)\s*([A-Za-z]+)\s*")
QUANTITIES = tuple(_RANGES)
#: A reading so long after the last press entry is of another day, not of the presses.
SAME_SESSION = timedelta(hours=12)
#: How far past what the presses met a room may be before it is another room, in °C, % and m.
#: Common practice, no source.
_ANOTHER = {"temperature": 5.0, "humidity": 10.0, "altitude": 300.0}


def keep_room(
    bench: journal.BenchOwner, *, by: str = "", id: str | None = None, **given: object
) -> str:
    """Note a reading of the room; returns the note's id.

    given: some of ``temperature`` (of the air), ``film_temperature`` (the coldest film,
    powder or garment), both in the session's unit unless the text says its own, ``humidity`` in
    % and ``altitude`` in m ("5280 ft" is understood).
    """
    said = {}
    for name, value in given.items():
        if name not in _RANGES:
            raise LogbookError(f"room: {name!r} is not known; accepted {', '.join(QUANTITIES)}")
        if value is not None:
            said[name] = _in_the_file(bench.book.session.temperature_unit, name, value)
    if not said:
        raise LogbookError("room: nothing is told; give temperature, humidity or altitude")
    return bench.book.keep(KIND, said, by=by, id=id)


def latest(notes: Iterable[journal.Note]) -> dict[str, float]:
    """Return the latest value of every quantity of the room, and derived ones, in °C, % and m."""
    now: dict[str, float] = {}
    for note in notes:
        if note.kind == KIND:
            now.update({name: float(value) for name, value in note.said.items()})
    return with_derived(now)


def with_derived(given: dict[str, float]) -> dict[str, float]:
    """Return ``given`` with derived quantities where they can be computed.

    ``dew_point`` (°C), ``moisture`` (g/m³), ``pressure`` (hPa) and ``boiling_point`` (°C).
    """
    full = dict(given)
    if "temperature" in given and "humidity" in given:
        full["dew_point"] = air.dew_point(given["temperature"], given["humidity"])
        full["moisture"] = air.moisture(given["temperature"], given["humidity"])
    if "altitude" in given:
        pascals = air.pressure_at(given["altitude"])
        full["pressure"] = pascals / 100
        full["boiling_point"] = air.boiling_point(pascals)
    return full


def frame(bench: journal.BenchOwner) -> pd.DataFrame:
    """Return every reading of the room, NaN where not known.

    ``time``, ``by``, ``temperature``, ``film_temperature``, ``dew_point``, ``boiling_point`` in the
    session's unit, ``humidity`` in %, ``moisture`` in g/m³, ``altitude`` in m, ``pressure`` in hPa.
    An altitude applies to the readings after it.
    """
    import pandas as pd

    unit = bench.book.session.temperature_unit
    columns = (*QUANTITIES, "dew_point", "moisture", "pressure", "boiling_point")
    degrees = ("temperature", "film_temperature", "dew_point", "boiling_point")
    rows: list[dict[str, Any]] = []
    altitude: dict[str, float] = {}
    for note in bench.book.kept(KIND):
        noted = {name: float(value) for name, value in note.said.items()}
        altitude = {"altitude": noted["altitude"]} if "altitude" in noted else altitude
        full = with_derived({**altitude, **noted})
        rows.append(
            {"time": note.at, "by": note.by}
            | {
                name: units.convert(full[name], "°C", unit)
                if name in degrees and name in full
                else full.get(name, float("nan"))
                for name in columns
            }
        )
    return pd.DataFrame(rows, columns=["time", "by", *columns])


def while_pressing(rooms: pd.DataFrame, last: datetime | None) -> pd.DataFrame:
    """Return the readings of :func:`frame` during which presses were made.

    Up to half a day after the ``last`` of them was pressed; none before the first press.
    """
    return rooms.iloc[:0] if last is None else rooms[rooms["time"] <= last + SAME_SESSION]


def outside_of_tested(rooms: pd.DataFrame, met: pd.DataFrame, unit: str) -> list[str]:
    """One sentence for each reading of today's room that lies outside what the presses met.

    rooms as :func:`frame` gives it, temperatures in ``unit``; met: those of them that
    :func:`while_pressing` finds.  Says nothing of what was read on one side only.
    """
    today = rooms.loc[rooms.index.difference(met.index)]
    found = []
    for name, apart in _ANOTHER.items():
        before, now = met[name].dropna(), today[name].dropna()
        if not len(before) or not len(now):
            continue
        sign, far = {"humidity": " %", "altitude": " m"}.get(name, f" {unit}"), apart
        if name == "temperature":
            far = units.convert_difference(apart, "°C", unit)
        value, low, high = float(now.iloc[-1]), float(before.min()), float(before.max())
        if low - far <= value <= high + far:
            continue
        span = f"{low:.0f}{sign}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}{sign}"
        found.append(
            f"Outside what was tested: {name} is {value:.0f}{sign} now, the presses were made at "
            f"{span}. Press a few coupons at the target before you trust the window."
        )
    return found


def _in_the_file(reading_unit: str, name: str, value: object) -> float:
    unit, low, high = _RANGES[name]
    place = f"room, {name.replace('_', ' ')}"
    if name == "altitude":
        return _metres(place, value, low, high)
    if unit != "°C":
        return entry_fields.quantity(place, value, unit, low, high)
    low, high = (units.convert(limit, "°C", reading_unit) for limit in (low, high))
    number = entry_fields.quantity(place, value, reading_unit, low, high)
    return round(float(units.convert(number, reading_unit, "°C")), 9)


def _metres(place: str, value: object, low: float, high: float) -> float:
    match = _HEIGHT.fullmatch(value) if isinstance(value, str) else None
    size = _HEIGHTS.get(match[2].casefold()) if match else 1.0
    number: object = match[1] if match else value
    if size is None:
        raise fields.refusal(place, value, "m and ft", LogbookError)
    return round(size * entry_fields.quantity(place, number, "", low / size, high / size), 6)
