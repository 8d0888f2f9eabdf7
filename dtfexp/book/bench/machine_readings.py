"""Readings of the machines: nine-point maps of platen or oven bed, and single checks.

Both belong to a factor of the session: a press-stage temperature is the platen's, a cure-stage
one the oven bed's. The file holds readings in the factor's unit, after the correction of an
infrared gun, with what the gun itself said beside them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from dtfexp.book.bench import machines
from dtfexp.book.store import entry_fields, journal, plausible, typed_values
from dtfexp.describe import fields, units
from dtfexp.describe.errors import LogbookError
from dtfexp.dialin.encode import calibrations
from dtfexp.dialin.encode.calibrations import Calibrations

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

MAP, CHECK = "map", "check"
INSTRUMENTS = ("probe", "gun")
#: The nine points in the order they are told: seen from the operator, row by row from the back.
SPOTS = tuple(
    f"{row} {column}"
    for row in ("back", "middle", "front")
    for column in ("left", "centre", "right")
)
#: ASTM E1933 measures emissivity for infrared cameras by a contact probe or a coating of known
#: emissivity; that the same serves a spot gun is common practice. From memory, not verified.
GUN_CAUTION = (
    "An infrared gun reads bare, shiny metal far too cold. Measure on matte tape, cloth or a "
    "silicone pad that lies on it, and set the gun to that surface's emissivity, or compare it "
    "with a contact probe."
)
_MOST_PASSES = 50
#: What a probe or gun held to a press may be off by, in °C: common practice, no source.
_READING_ERROR = 3.0


class MapSummary(NamedTuple):
    """What a map says, in the factor's unit.

    ``offset``: mean of all readings less the set-point. ``coldest`` and ``hottest``: the spots'
    means, with where they are. ``spread``: half of hottest less coldest. ``repeatability``: the
    standard deviation of one spot from pass to pass, pooled over the spots; NaN after one pass.
    """

    mean: float
    offset: float
    coldest: float
    coldest_spot: str
    hottest: float
    hottest_spot: str
    spread: float
    repeatability: float
    passes: int


@dataclass(frozen=True)
class PlatenMap:
    """One map: ``passes`` of nine readings each, in the unit of ``factor``.

    ``machine`` is the name of the measured machine, "" for the session's own.
    """

    id: str
    factor: str
    unit: str
    set_point: float
    passes: tuple[tuple[float, ...], ...]
    instrument: str
    at: datetime
    by: str
    machine: str = ""

    @property
    def caution(self) -> str:
        """What to mind about the instrument; "" for a contact probe."""
        return GUN_CAUTION if self.instrument == "gun" else ""

    @property
    def summary(self) -> MapSummary:
        """Mean offset, coldest, hottest, spread and repeatability."""
        return summary(self.set_point, np.array(self.passes))

    @property
    def spots(self) -> tuple[float, ...]:
        """What each spot reaches more than all together, mean of the passes, in ``SPOTS`` order."""
        spots = np.array(self.passes).mean(axis=0)
        return tuple(np.round(spots - spots.mean(), 6).tolist())

    def __repr__(self) -> str:
        found = self.summary
        said = (
            f"{self.factor} set to {self.set_point:g} {self.unit}: mean {found.mean:.1f} "
            f"({found.offset:+.1f}), coldest {found.coldest:.1f} {found.coldest_spot}, hottest "
            f"{found.hottest:.1f} {found.hottest_spot}, spread ±{found.spread:.1f} {self.unit}"
        )
        return f"{said}. {self.caution}".strip()


def summary(set_point: float, passes: np.ndarray[Any, np.dtype[np.float64]]) -> MapSummary:
    """Return the summary of readings of shape (passes, 9)."""
    spots = passes.mean(axis=0)
    mean, (cold, hot) = float(spots.mean()), (int(spots.argmin()), int(spots.argmax()))
    low, high = float(spots[cold]), float(spots[hot])
    repeatability = float(np.sqrt(passes.var(axis=0, ddof=1).mean())) if len(passes) > 1 else np.nan
    ends = (low, SPOTS[cold], high, SPOTS[hot])
    return MapSummary(mean, mean - set_point, *ends, (high - low) / 2, repeatability, len(passes))


def keep_map(
    bench: journal.BenchOwner,
    factor: str,
    set_point: object,
    readings: object,
    *,
    instrument: str = "probe",
    emissivity: object = None,
    set_to: object = 0.95,
    reflected: object = None,
    unit: str | None = None,
    machine: str | None = None,
    by: str = "",
    id: str | None = None,
) -> PlatenMap:
    """Keep a nine-point map of platen or oven bed and return it.

    ``machine`` names the one that was measured; by default it is the session's own.

    ``readings``: nine numbers (or three rows of three) per pass, in the order of ``SPOTS``; one
    pass or a list of passes. Numbers are in ``unit``, by default the factor's. For a gun that was
    not set to the emissivity of the surface, ``emissivity`` is the surface's, ``set_to`` the
    gun's, and ``reflected`` what the surface mirrors (by default 25 °C): the readings are then
    corrected.
    """
    book = bench.book
    chosen = _factor(book.session, factor)
    if not chosen.is_temperature:
        raise LogbookError(
            f"map of {chosen.name!r}: a map is of a temperature; use a check instead"
        )
    place = f"map of {chosen.name!r}"
    tool = fields.choice(instrument, place, "instrument", INSTRUMENTS, LogbookError)
    wanted = _set_point(place, chosen, set_point)
    passes = [
        [
            _reading(f"{place}, pass {k}, {spot}", chosen, value, wanted, unit)
            for spot, value in zip(SPOTS, nine, strict=True)
        ]
        for k, nine in enumerate(_passes(place, readings), start=1)
    ]
    said: dict[str, Any] = {
        "factor": chosen.name,
        "unit": chosen.unit,
        "instrument": tool,
        "set": wanted,
    } | _of_machine(book.session, chosen, machine)
    if emissivity is not None:
        if tool != "gun":
            raise LogbookError(f"{place}: emissivity is for a gun; a probe touches the surface")
        e = entry_fields.quantity(f"{place}, emissivity", emissivity, "", 0.01, 1.0)
        gun = entry_fields.quantity(f"{place}, set_to", set_to, "", 0.01, 1.0)
        mirrored = 25.0
        if reflected is not None:
            room = book.session.temperature_unit
            degrees = _placed(f"{place}, reflected", typed_values.number, reflected, room)
            mirrored = float(units.convert(degrees, room, "°C"))
        said |= {"gun_said": passes, "emissivity": e, "set_to": gun, "reflected": mirrored}
        passes = [[_corrected(place, chosen, v, e, gun, mirrored) for v in nine] for nine in passes]
    key = book.keep(MAP, said | {"points": passes}, by=by, id=id)
    (kept,) = (one for one in maps(book.kept(MAP)) if one.id == key)
    return kept


def keep_check(
    bench: journal.BenchOwner,
    factor: str,
    set_point: object,
    reached: object,
    *,
    machine: str | None = None,
    by: str = "",
    id: str | None = None,
) -> str:
    """Store one reading: what was set and what was reached, of any numeric factor.

    ``machine`` as for a map.
    """
    book = bench.book
    chosen = _factor(book.session, factor)
    place = f"check of {chosen.name!r}"
    wanted = _set_point(place, chosen, set_point)
    read = _reading(f"{place}, reached", chosen, reached, wanted)
    said = {"factor": chosen.name, "unit": chosen.unit, "set": wanted, "reached": read}
    return book.keep(CHECK, said | _of_machine(book.session, chosen, machine), by=by, id=id)


def maps(notes: Iterable[journal.Note]) -> list[PlatenMap]:
    """Return the maps among the notes, in order."""
    return [
        PlatenMap(
            note.id,
            note.said["factor"],
            note.said["unit"],
            float(note.said["set"]),
            tuple(tuple(float(value) for value in nine) for nine in note.said["points"]),
            note.said["instrument"],
            note.at,
            note.by,
            str(note.said.get("machine", "")),
        )
        for note in notes
        if note.kind == MAP
    ]


def here(session: Session, notes: Iterable[journal.Note]) -> list[journal.Note]:
    """Return the notes without maps and checks of machines that are not this session's."""
    return [
        note
        for note in notes
        if note.kind not in (MAP, CHECK)
        or machines.is_here(session, session.factor(note.said["factor"]).stage, note.said)
    ]


def frame(found: Sequence[PlatenMap]) -> pd.DataFrame:
    """Return one row per map.

    ``time``, ``by``, ``factor``, ``unit``, ``set_point``, the columns of ``MapSummary`` in that
    unit, ``instrument``, ``machine`` ("" for the session's own).
    """
    import pandas as pd

    columns = ["time", "by", "factor", "unit", "set_point", *MapSummary._fields]
    columns += ["instrument", "machine"]
    made = attrgetter("at", "by", "factor", "unit", "set_point")
    rows = [[*made(one), *one.summary, one.instrument, one.machine] for one in found]
    return pd.DataFrame(rows, columns=columns)


def calibrations_of(
    session: Session, notes: Sequence[journal.Note], results: pd.DataFrame | None = None
) -> Calibrations:
    """Everything read of this session's machines, as lines and spreads.

    The line of a factor goes through its checks, the mean of every pass of its maps, and the
    readings of presses where most presses have one. Its spread, and the spots behind it, are those
    of its widest map.
    """
    notes = here(session, notes)
    pairs: dict[str, list[tuple[float, float]]] = {}
    widest: dict[str, PlatenMap] = {}
    if results is not None:
        for name, read in calibrations.press_readings(session, results).items():
            pairs.setdefault(name, []).extend(read)
    for note in notes:
        if note.kind == CHECK:
            pair = (float(note.said["set"]), float(note.said["reached"]))
            pairs.setdefault(note.said["factor"], []).append(pair)
    for one in maps(notes):
        means = [(one.set_point, float(np.mean(nine))) for nine in one.passes]
        pairs.setdefault(one.factor, []).extend(means)
        so_far = widest.setdefault(one.factor, one)
        if one.summary.spread > so_far.summary.spread:
            widest[one.factor] = one
    lines = {
        name: calibrations.fit_calibration_line(name, *zip(*read, strict=True))
        for name, read in pairs.items()
    }
    return Calibrations(
        lines,
        {name: one.summary.spread for name, one in widest.items()},
        {name: one.spots for name, one in widest.items()},
    )


def as_hot_as_read(
    found: Calibrations,
    session: Session,
    notes: Sequence[journal.Note],
    results: pd.DataFrame,
    history: Callable[[], pd.DataFrame],
) -> Calibrations:
    """Return ``found`` with heat presses as hot as they were read since they were measured.

    What line, hottest spot and allowance do not explain may be met by the next garment too: it
    counts at the heat gate until a map or a check is made of the machine. ``history`` is asked only
    where there is such a reading.
    """
    hotter = {}
    measured = found.session(session)
    for factor in measured.factors:
        column = f"{factor.name}_actual"
        if factor.stage != "press" or not factor.is_temperature or column not in results:
            continue
        reach, spare = factor.reach, units.convert_difference(_READING_ERROR, "°C", factor.unit)
        read = results[results[column].notna()]
        over = {
            int(row["press"]): row[column] - (reach.intercept + reach.slope * row[factor.name])
            - reach.above
            for row in read.to_dict("records")
            if row[column] > reach.hottest(float(row[factor.name])) + spare
        }  # fmt: skip
        if not over:
            continue
        entries = history()
        told = entries[entries[column].notna()].groupby("press")["time"].max()
        times = [n.at for n in here(session, notes) if n.said["factor"] == factor.name]
        since = [more for press, more in over.items() if not times or told[press] > max(times)]
        if since:
            hotter[factor.name] = float(max(since))
    return replace(found, hotter=hotter) if hotter else found


def _of_machine(session: Session, factor: Factor, named: str | None) -> dict[str, str]:
    """Return the machine as a note names it; nothing on a bench with one oven and one press."""
    name = machines.name_of(session, factor.stage, named)
    return {} if name in ("", *machines.MACHINES) else {"machine": name}


def _factor(session: Session, name: object) -> Factor:
    with fields.at("reading", LogbookError):
        chosen = session.factor(name)  # type: ignore[arg-type]
    if chosen.is_numeric:
        return chosen
    raise LogbookError(f"reading of {chosen.name!r}: its settings are words; nothing to measure")


def _placed(place: str, check: Any, *arguments: object) -> Any:
    with fields.at(place, LogbookError):
        return check(*arguments)


def _set_point(place: str, factor: Factor, value: object) -> float:
    """Return what the display was set to: near the factor's range, or it is in another unit."""
    return _reading(f"{place}, set-point", factor, value, float(factor.usual))


def _reading(
    place: str, factor: Factor, value: object, setting: float, unit: str | None = None
) -> float:
    """``value`` in the factor's unit; refused when no machine set to ``setting`` reads so.

    A number far off counts when its unit is written with it, unless another unit explains it.
    """
    read = float(_placed(place, typed_values.reading, factor, value, unit))
    parsed = typed_values.parse_number(value, unit or factor.unit)
    found = plausible.implausible_reading(factor, setting, parsed)
    if found is not None and (found.meant or not parsed.own_unit):
        raise LogbookError(f"{place}: {found.refusal}")
    return read


def _passes(place: str, readings: object) -> list[list[Any]]:
    """Return passes of nine values from any of the accepted shapes."""
    flat = _flat(readings)
    if flat and len(flat) % len(SPOTS) == 0 and len(flat) <= _MOST_PASSES * len(SPOTS):
        return [flat[k : k + len(SPOTS)] for k in range(0, len(flat), len(SPOTS))]
    raise LogbookError(
        f"{place}: it has {len(flat)} readings; accepted nine for every pass, row by row from "
        f"the back, up to {_MOST_PASSES} passes"
    )


def _flat(readings: object) -> list[Any]:
    if isinstance(readings, (str, bytes, Mapping)):
        return [readings]
    if isinstance(readings, Iterable):
        return [value for part in readings for value in _flat(part)]
    return [readings]


def _corrected(
    place: str, factor: Factor, value: float, emissivity: float, set_to: float, reflected: float
) -> float:
    from dtfexp.maths.physics.infrared import true_temperature

    celsius = float(units.convert(value, factor.unit, "°C"))
    with fields.at(place, LogbookError):
        true = true_temperature(celsius, emissivity, set_to=set_to, reflected=reflected)
    return round(float(units.convert(true, "°C", factor.unit)), 6)
