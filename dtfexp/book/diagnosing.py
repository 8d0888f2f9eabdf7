"""``diagnose``: rank the causes of signs with the logbook's knowledge of the bench."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import machine_readings, material_lots, room_climate, step_clocks
from dtfexp.describe import fields
from dtfexp.describe.errors import ResultsError
from dtfexp.describe.units import convert_difference
from dtfexp.dialin.monitor.causes import Circumstances, hear
from dtfexp.dialin.monitor.corrections import difference_text

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.store.journal import Note
    from dtfexp.describe.fabric import Fabric
    from dtfexp.describe.session import Session
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.monitor.diagnosis import Diagnosis

#: Recent events that may be causes. Common practice for all of these, no source.
_RECENT = timedelta(days=14)
_HUMID = 60.0  # % relative
_DRIFT_C = 3.0  # °C, less is what platens do anyway
#: What was passed over with a warning -> the causes it leads to.
_OVERRIDDEN = {
    "rest": ("no rest",),
    "hot peel": ("peeled early",),
    "powder": ("no powder", "late powder", "bad powder"),
    "old powder": ("bad powder",),
    "old film": ("bad powder", "moisture"),
    "dew": ("moisture",),
    "oven warm-up": ("cure low",),
    "press warm-up": ("press low",),
}


def diagnose(
    defects: Iterable[str] | Mapping[str, int] | str,
    settings: Mapping[str, Any],
    fabric: str | Fabric,
    book: Logbook,
    *,
    fit: Fit | None = None,
    now: datetime | None = None,
) -> Diagnosis:
    """Return the probable causes of what is seen on prints, most probable first.

    defects: words ("grainy underside"), a list of them, or counts ({"bubbles": 3}).  settings:
    what is run now, factor -> setting (a factor left out: the fabric's usual setting).  The
    trade's table of signs is weighed by the fit (which side of each stage these settings fail on),
    and by what the book knows: maps of platen and oven, lots, humidity, warnings passed over.
    Nothing that is proposed lies past the fabric's heat limit, outside a range or in what is
    forbidden.

    ``fit``: one of the book's results, when there is one already.  ``now``: the moment of asking
    (this one).  Raises ``SessionError`` for an unknown fabric or factor, ``ResultsError`` for a
    value that is no setting.
    """
    from dtfexp.dialin.fit import fit as make_fit
    from dtfexp.dialin.monitor.diagnosis import diagnosis

    session = book.session
    name = session.fabric(fabric).name
    at = _settings(session, settings, name)
    heard = hear(defects)
    gate = book.bench.true_settings().session(session)
    if fit is None:
        measured, results = book.bench.for_fit()
        # The defects are the question, so they must not count twice.
        fit = make_fit(measured, results.drop(columns="defects", errors="ignore"))
    notes = book.kept()
    moment = datetime.now().astimezone() if now is None else now
    drift = drifts(session, notes)
    around = _drifted(Circumstances(), session, drift)
    around = _room(_warnings_overridden(around, notes, moment), notes, moment)
    around = _lots(around, session, notes, moment)
    return diagnosis(fit, at, name, heard, around, drift, gate)


def drifts(session: Session, notes: Sequence[Note]) -> dict[str, float]:
    """Return factor -> how much hotter its machine was on the last map than on the first.

    With one map only, its offset from the display. In the factor's unit.
    """
    found: dict[str, list[float]] = {}
    for one in machine_readings.maps(machine_readings.here(session, notes)):
        found.setdefault(one.factor, []).append(one.summary.offset)
    return {
        name: (offsets[-1] - offsets[0] if len(offsets) > 1 else offsets[0])
        for name, offsets in found.items()
    }


def _settings(session: Session, settings: Mapping[str, Any], fabric: str) -> dict[str, Any]:
    from dtfexp.book.store.typed_values import reading

    given = {session.factor(name).name: value for name, value in settings.items()}
    at = {}
    for factor in session.factors:
        usual = session.usual(factor, fabric) if session.allowed(factor, fabric) else factor.usual
        value = given.get(factor.name, usual)
        with fields.at(f"setting of {factor.name!r} is {fields.quoted(value)}", ResultsError):
            at[factor.name] = reading(factor, value)
    return at


def _drifted(around: Circumstances, session: Session, drift: Mapping[str, float]) -> Circumstances:
    for name, by in drift.items():
        factor = session.factor(name)
        degrees = convert_difference(by, factor.unit, "°C")
        if abs(degrees) < _DRIFT_C or factor.stage not in ("cure", "press"):
            continue
        side, other = ("low", "high") if degrees < 0 else ("high", "low")
        machine = "oven" if factor.stage == "cure" else "press"
        size = difference_text(factor, by, session.temperature_unit)
        why = f"the {machine} was measured {size} {'below' if by < 0 else 'above'} where it was"
        # Twice as likely for 3 °C, five times from 12 °C on.
        times = 1.0 + min(abs(degrees), 12.0) / 3.0
        around = around.with_factor(f"{factor.stage} {side}", times, why)
        around = around.with_factor(f"{factor.stage} {other}", 1.0 / times, "")
    return around


def _room(around: Circumstances, notes: Sequence[Note], now: datetime) -> Circumstances:
    fresh = [
        n for n in notes if n.kind == room_climate.KIND and timedelta(0) <= now - n.at <= _RECENT
    ]
    here = room_climate.latest(fresh)
    humidity = here.get("humidity")
    if humidity is not None and humidity >= _HUMID:
        why = f"the air is humid ({humidity:.0f} %)"
        around = around.with_factor("moisture", 2.0, why).with_factor("powder left", 1.5, why)
    if here.get("film_temperature", 99.0) <= here.get("dew_point", -273.15):
        around = around.with_factor("moisture", 3.0, "film or garment is colder than the dew point")
    return around


def _lots(
    around: Circumstances, session: Session, notes: Sequence[Note], now: datetime
) -> Circumstances:
    for what, lot in material_lots.lots_in_use(notes, session).items():
        if lot.use_by is not None and now.date() > lot.use_by:
            why = f"{what} lot {lot.name} is past its months"
            around = around.with_factor("bad powder" if what == "powder" else "moisture", 2.5, why)
        several = sum(other.what == what for other in material_lots.lots(notes)) > 1
        if several and timedelta(0) <= now - lot.since <= _RECENT:
            why = f"{what} lot {lot.name} is new since {lot.since.date()}"
            around = around.with_factor("changed", 3.0, why).with_factor("another lot", 3.0, why)
            for key in ("bad powder", "cure low", "cure high") if what == "powder" else ():
                around = around.with_factor(key, 1.3, why)
    return around


def _warnings_overridden(
    around: Circumstances, notes: Sequence[Note], now: datetime
) -> Circumstances:
    kinds = {
        str(n.said["warning"])
        for n in notes
        if n.kind == step_clocks.OVERRIDDEN and timedelta(0) <= now - n.at <= _RECENT
    }
    for warning in sorted(kinds):
        for key in _OVERRIDDEN.get(warning, ()):
            around = around.with_factor(key, 2.0, f"a warning was passed over: {warning}")
    return around
