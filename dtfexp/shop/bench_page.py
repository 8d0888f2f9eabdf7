"""The cells of the bench notebook: its entry forms, and what is known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.book.bench import machine_readings, machines, material_lots
from dtfexp.book.logbook import Logbook, now
from dtfexp.describe.fields import without_underscores
from dtfexp.describe.units import convert
from dtfexp.shop.runsheet import refused_lines
from dtfexp.show.paper.run_sheet import limits

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.encode.calibrations import CalibrationLine
    from dtfexp.show.forms.sheet_form import SheetForm
    from dtfexp.show.style.template import Shown

#: An invented platen: hotter in the middle, cooler at the front edge, 6 °C under its display.
_INVENTED = (
    (150.5, 154.0, 151.0, 155.5, 158.5, 156.0, 151.5, 154.5, 150.0),
    (151.0, 154.5, 151.5, 156.0, 159.5, 156.5, 152.0, 155.0, 150.0),
)


def book_if_there(name: str) -> Logbook | None:
    """Return the logbook ``name``, opened; None, with a message, when there is none."""
    if Path(name).exists():
        return Logbook.open(name)
    print(f"{name} does not exist yet: 1_plan.ipynb makes it. Nothing is stored until then.")
    return None


def bench_forms(book: Logbook | None) -> SheetForm | None:
    """Return the forms of readings, lots, room and machines; None, without a logbook."""
    from dtfexp.show.forms.entries import entry_form, lots, machine, nine_points, room

    if book is None:
        return None
    return entry_form(book, nine_points(book), lots(book), room(book), machine(book))


def last_map(book: Logbook | None) -> machine_readings.PlatenMap:
    """Return the last nine-point map booked; an invented one without any."""
    if book is not None and (found := book.bench.maps()):
        return found[-1]
    print("No readings are booked yet. This map is INVENTED, as an example.")
    unit = "°C" if book is None else book.session.temperature_unit
    readings = [tuple(round(float(convert(t, "°C", unit)), 1) for t in row) for row in _INVENTED]
    return machine_readings.PlatenMap(
        "invented", "press temperature", unit, float(convert(160.0, "°C", unit)), tuple(readings),
        "probe", now(), "invented",
    )  # fmt: skip


def reached(book: Logbook | None) -> pd.DataFrame:
    """Return what each measured setting reaches today, and what to set to reach the setting.

    Columns ``setting``, ``unit``, ``set``, ``reaches``, ``low``, ``high`` (90 % interval, NaN with
    one reading), ``to_reach_that_set``, ``spread``, ``readings``.
    """
    import pandas as pd

    rows = []
    if book is not None:
        true = book.bench.true_settings()
        for factor in book.session.factors:
            if factor.name in true.lines:
                usual = float(factor.usual)
                line = true.lines[factor.name]
                found = line.mean_reached(usual)
                rows.append(
                    {
                        "setting": factor.name,
                        "unit": factor.unit,
                        "set": usual,
                        "reaches": round(found.value, 1),
                        "low": round(found.low, 1),
                        "high": round(found.high, 1),
                        "to_reach_that_set": true.setting_for(factor, usual).value,
                        "spread": round(true.spreads.get(factor.name, float("nan")), 1),
                        "readings": len(line.sets),
                    }
                )
    columns = [
        "setting", "unit", "set", "reaches", "low", "high", "to_reach_that_set", "spread",
        "readings",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def what_to_set(book: Logbook | None) -> Shown:
    """Return the same as a table for readers, or how to begin."""
    from dtfexp.show.notebook.panel import panel
    from dtfexp.show.text.tables import LINE, NUMBER, Table

    rows = []
    for row in reached(book).to_dict("records"):
        unit, sure = row["unit"], row["low"] == row["low"]
        between = f" ({row['low']:g} to {row['high']:g})" if sure else ""
        rows.append(
            [
                without_underscores(row["setting"]), f"{row['set']:g} {unit}",
                f"{row['reaches']:g} {unit}{between}", f"{row['to_reach_that_set']:g} {unit}",
                f"±{row['spread']:g} {unit}", str(row["readings"]),
            ]
        )  # fmt: skip
    if not rows:
        return panel(
            "What to set", ["No reading is in this logbook yet: book some above, and run again."]
        )
    heads = ["Setting", "Set to", "Reaches (90 % sure)", "To reach it, set", "Spread", "Readings"]
    table = Table(heads, ["", LINE, LINE, LINE, LINE, NUMBER], rows)
    return panel("What to set", [], rows=table, settings=True)


def held(book: Logbook | None) -> None:
    """Print the highest dial for each fabric, and the planned presses beyond it."""
    if book is not None and len(reached(book)):
        for line in (*limits(book), *refused_lines(book)):
            print(line)


def lines(book: Logbook | None) -> list[tuple[CalibrationLine, Factor]]:
    """Return the lines from set to reached with more than one reading, with their factors."""
    if book is None:
        return []
    known = book.bench.true_settings().lines
    factors = [factor for factor in book.session.factors if factor.name in known]
    return [(known[f.name], f) for f in factors if known[f.name].df > 0]


def told(book: Logbook | None) -> None:
    """Print what is known of lots, room and machines, one line each."""
    if book is None:
        return
    found = material_lots.lots_in_use(book.kept(material_lots.KIND), book.session)
    for lot in found.values():
        until = ""
        if lot.use_by:
            over = lot.use_by < now().date()
            until = f", {'TOO OLD since' if over else 'good until'} {lot.use_by}"
        print(f"{lot.what}: lot {lot.name} in use since {lot.since:%Y-%m-%d}{until}")
    rooms = book.bench.rooms()
    unit = book.session.temperature_unit
    if len(rooms):
        last = rooms.iloc[-1]
        words = {
            "temperature": f"air {last['temperature']:.0f} {unit}",
            "humidity": f"humidity {last['humidity']:.0f} %",
            "dew_point": f"dew point {last['dew_point']:.0f} {unit}",
            "boiling_point": f"water boils at {last['boiling_point']:.1f} {unit}",
        }
        known = [text for name, text in words.items() if last[name] == last[name]]
        print(f"room on {last['time']:%Y-%m-%d %H:%M}: {', '.join(known)}")
    for which in machines.MACHINES:
        machine = book.bench.what(which)
        print(
            f"{machine.which}: warm-up {machine.warm_up_minutes:g} min, change-over "
            f"{machine.change_over_minutes:g} min"
        )
