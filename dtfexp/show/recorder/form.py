"""The contents of the recording form, as plain JSON-able values from a logbook.

The form decides nothing: the next press, the changes since the last one and the coupons that wait
for a wash grade are determined here, where they can be tested without a browser.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dtfexp.book import steps_of_day
from dtfexp.book.store import photos, plausible
from dtfexp.book.store.typed_values import is_missing
from dtfexp.describe.signs import chips
from dtfexp.describe.signs.guide import published_scale
from dtfexp.dialin.schedule.cured import FILM, changes, cured_fact, reading
from dtfexp.show.recorder import cure_looks, proposed, regraded
from dtfexp.show.recorder.countdowns import countdowns
from dtfexp.show.text.cautions import ONE_LINE
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session
    from dtfexp.dialin.schedule.day_steps import DaySteps

#: Signs to tap on a coupon: at the press, and after a wash.
DEFECTS, WASH_DEFECTS = chips("press"), chips("wash")
#: Number of latest entry ids sent to the form, which then knows what has arrived.
RECENT = 200


def form_state(book: Logbook, day: DaySteps | None = None) -> dict[str, Any]:
    """Return everything the form shows of ``book`` now.

    ``day``: ``steps_of_day.steps_of(book)``, which changes only with a new plan. ``stops`` are the
    places of the day in walking order: each load to ``cure`` and each coupon to ``press``, with
    ``first`` (the steps before it), ``done``, and the first coupon concerned.
    """
    day = steps_of_day.steps_of(book) if day is None else day
    session = book.session
    results, waiting, history = book.results(), book.waiting(), book.history()
    untouched = set(waiting.loc[~waiting["pressed"].astype(bool), "press"].tolist())
    done = steps_of_day.cured(book)
    loads = cure_looks.of_loads(book, done)
    presses = _presses(session, results, untouched, loads, *_machine_state(history, untouched))
    gate = book.bench.measured_session()
    refused = book.bench.refused(gate)
    limits = {fabric.name: gate.limit_note(fabric) for fabric in session.fabrics}
    taken = photos.counts(photos.photos(book))
    pictured = proposed.shown(book)
    for one in presses:
        one["proposed"] = pictured.get(one["press"], {})
        one["photos"] = taken.get(one["press"], 0)
        one["limit"] = limits[one["fabric"]]
        one["refused"] = refused.get(one["press"], "")
    return {
        "key": book_key(book),
        "session": session.name,
        "caution": ONE_LINE,
        "outcomes": [_outcome(outcome) for outcome in session.outcomes],
        "defects": list(DEFECTS),
        "wash_defects": list(WASH_DEFECTS),
        "looks": cure_looks.chips(),
        "cure_on": list(cure_looks.CURE_ON),
        "loads": loads,
        "presses": presses,
        "stops": _stops(session, day, results, done, untouched),
        "next": next((p["press"] for p in presses if not p["pressed"]), None),
        "again": regraded.due(book, history, results),
        "waiting": [p["press"] for p in presses if p["pressed"] and p["waiting"]],
        "recent": history["id"].tolist()[-RECENT:],
    }


def _stops(
    session: Session, day: DaySteps, results: pd.DataFrame, cured: set[int], untouched: set[int]
) -> list[dict[str, Any]]:
    rows = {int(row["press"]): row for row in results.to_dict("records")}
    oven: dict[str, Any] = {}
    stops: list[dict[str, Any]] = []
    first: list[str] = []
    for step in day.steps:
        if step.kind not in ("cure", "press"):
            # What follows the cure is on the page of the cure itself.
            first += [step.says] if step.kind not in ("look", "rest") else []
            continue
        row = rows[step.presses[0]]
        stop: dict[str, Any] = {"load": step.load, "first": first, "press": step.presses[0]}
        first = []
        if step.kind == "cure":
            now = {f.name: row[f.name] for f in session.factors if f.stage == "cure"}
            was = {name: oven[name] for name in now if name in oven and oven[name] != now[name]}
            oven = now
            stop["settings"] = _settings(session, row, was, ("cure",))
            stop["coupons"] = [
                {
                    "press": press,
                    "fabric": rows[press]["fabric"],
                    "settings": _settings(session, rows[press], {}, ("print",)),
                }
                for press in step.presses
            ]
            # Pressing goes on with the coupons that are still to be made.
            stop["press"] = next((p for p in step.presses if p in untouched), step.presses[0])
            stop["done"] = step.load in cured
        else:
            stop["done"] = step.presses[0] not in untouched
        stops.append(stop)
    return stops


def book_key(book: Logbook) -> str:
    """Return a name of this book for the browser's storage that does not reveal its path."""
    told = f"{book.path.resolve()}\n{book.session.to_toml()}"
    return hashlib.sha256(told.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "name": outcome.name,
        "label": label(outcome.name),
        "unit": outcome.unit,
        "accepted": outcome.accepted,
        "washes": outcome.washes,
        "published": published_scale(outcome.name, outcome.washes),
        "grades": [
            {
                "value": grade,
                "label": f"{grade:g}",
                "sentence": outcome.guide.get(grade, ""),
                "passes": outcome.passes(grade),
            }
            for grade in outcome.grades
        ],
    }


def _machine_state(
    history: pd.DataFrame, untouched: set[int]
) -> tuple[dict[int, list[int]], list[int]]:
    """Return the presses made before every press made, and all presses made, in order.

    Spoiled presses and those to be repeated count: the machines were set for them.
    """
    made: list[int] = []
    when: dict[int, int] = {}
    for press, kind in zip(history["press"].tolist(), history["kind"].tolist(), strict=True):
        if kind == "redo":
            when.pop(press, None)
        elif press not in when:
            when[press] = len(made)
            made.append(press)
    taken_back = {when.pop(press) for press in untouched & when.keys()}
    before: dict[int, list[int]] = {}
    stood: list[int] = []
    for place, press in enumerate(made):
        if place in taken_back:
            continue
        if when.get(press) == place:
            before[press] = list(stood)
        stood.append(press)
    return before, stood


def _presses(
    session: Session,
    results: pd.DataFrame,
    untouched: set[int],
    loads: Mapping[str, Mapping[str, Any]],
    before: dict[int, list[int]],
    made: list[int],
) -> list[dict[str, Any]]:
    rows: list[dict[Any, Any]] = results.to_dict("records")
    by_number = {int(row["press"]): row for row in rows}
    sizes: dict[tuple[str, Any], int] = {}
    for row in rows:
        for group in ("oven_load", "press_round"):
            sizes[group, row[group]] = sizes.get((group, row[group]), 0) + 1
    places: dict[tuple[str, Any], int] = {}
    found = []
    for row in rows:
        counted = {}
        for group in ("oven_load", "press_round"):
            key = (group, row[group])
            places[key] = places.get(key, 0) + 1
            counted[group] = f"{row[group]}, coupon {places[key]} of {sizes[key]}"
        press = int(row["press"])
        excluded = bool(row["excluded"])
        earlier = [by_number[one] for one in before.get(press, made)[-1:]]
        *_, change = changes(session, [*earlier, row])
        # The clocks of the film come first: they are of its load, not of this coupon.
        clocks = countdowns(session, row)
        of_film = 1 + next(k for k, clock in enumerate(clocks) if clock["letter"] == "r")
        load = loads[str(row["oven_load"])]
        grades = {
            outcome.name: float(row[outcome.name])
            for outcome in session.outcomes
            if not is_missing(row[outcome.name])
        }
        found.append(
            {
                "press": press,
                "fabric": row["fabric"],
                "oven_load": int(row["oven_load"]),
                "load": counted["oven_load"],
                "round": counted["press_round"].replace("coupon", "press"),
                "settings": _settings(session, row, change),
                "film": cured_fact(session, row),
                "cured": load["done"] or (load["cured"] and load["look"] == ""),
                "past": plausible.past_limits(session, row),
                "film_clocks": clocks[:of_film],
                "countdowns": clocks[of_film:],
                "grades": grades,
                "defects": [word for word in str(row["defects"]).split("; ") if word],
                "note": str(row["note"]),
                "excluded": excluded,
                "pressed": excluded or press not in untouched,
                "waiting": [
                    outcome.name
                    for outcome in session.outcomes
                    if outcome.name not in grades and not excluded
                ],
            }
        )
    return found


def _settings(
    session: Session, row: dict[Any, Any], change: Mapping[str, Any], stages: Sequence[str] = ()
) -> list[dict[str, Any]]:
    """Return the settings of a press, in the unit that people read, with the dial's beside it."""
    shown = []
    for factor in session.factors:
        if stages and factor.stage not in stages:
            continue
        value = row[factor.name]
        reached = row.get(f"{factor.name}_actual")
        told, dial = reading(session, factor, value), factor.format(value)
        was = change.get(factor.name)
        shown.append(
            {
                "name": factor.name,
                "label": label(factor.name),
                "of_film": factor.stage in FILM,
                "unit": factor.unit,
                "words": list(factor.levels),
                "set": told,
                "also": dial if dial != told else session.pace.dwell_note(value, factor.unit),
                "was": None if was is None else reading(session, factor, was),
                "reached": "" if is_missing(reached) else factor.format(reached),
            }
        )
    return shown
