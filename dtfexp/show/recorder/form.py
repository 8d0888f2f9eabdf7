"""The contents of the recording form, as plain JSON-able values from a logbook.

The form decides nothing: the next press, the changes since the last one and the coupons that wait
for a wash grade are determined here, where they can be tested without a browser.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import photos, plausible
from dtfexp.book.store.typed_values import is_missing
from dtfexp.describe.guide import published_scale
from dtfexp.describe.signs import chips
from dtfexp.dialin.schedule.cured import changes, cured_fact
from dtfexp.show.recorder import cure_looks, proposed
from dtfexp.show.recorder.countdowns import countdowns
from dtfexp.show.recorder.steps_before_press import steps_before_presses
from dtfexp.show.text.cautions import ONE_LINE
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session
    from dtfexp.dialin.schedule.timeline import PressSteps

#: Signs to tap on a coupon: at the press, and after a wash.
DEFECTS, WASH_DEFECTS = chips("press"), chips("wash")
#: Number of latest entry ids sent to the form, which then knows what has arrived.
RECENT = 200


def form_state(book: Logbook, steps: Mapping[int, PressSteps] | None = None) -> dict[str, Any]:
    """Return everything the form shows of ``book`` now.

    ``steps`` are those before each press (``steps_before_presses``), which change only with a new
    plan.
    """
    if steps is None:
        steps = {one.press: one for one in steps_before_presses(book)}
    session = book.session
    results, waiting, history = book.results(), book.waiting(), book.history()
    untouched = set(waiting.loc[~waiting["pressed"].astype(bool), "press"].tolist())
    loads = cure_looks.of_loads(book)
    looked = {int(load) for load, one in loads.items() if one["look"] not in ("", "grainy")}
    presses = _presses(session, results, untouched, looked, *_machine_state(history, untouched))
    gate = book.bench.measured_session()
    refused = book.bench.refused(gate)
    limits = {fabric.name: gate.limit_note(fabric) for fabric in session.fabrics}
    taken = photos.counts(photos.photos(book))
    pictured = proposed.shown(book)
    for one in presses:
        one["proposed"] = pictured.get(one["press"], {})
        one["photos"] = taken.get(one["press"], 0)
        before = steps[one["press"]]
        done = before.film if one["cured"] else ()
        one["first"] = [step for step in before.first if step not in done]
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
        "next": next((p["press"] for p in presses if not p["pressed"]), None),
        "waiting": [p["press"] for p in presses if p["pressed"] and p["waiting"]],
        "recent": history["id"].tolist()[-RECENT:],
    }


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
    looked: set[int],
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
    cured = {
        press: _cured(session, row, before.get(press, made), by_number, looked)
        for press, row in by_number.items()
    }
    found = []
    for place, row in enumerate(rows, start=1):
        counted = {}
        for group in ("oven_load", "press_round"):
            key = (group, row[group])
            places[key] = places.get(key, 0) + 1
            counted[group] = f"{row[group]}, coupon {places[key]} of {sizes[key]}"
        press = int(row["press"])
        excluded = bool(row["excluded"])
        earlier = [by_number[one] for one in before.get(press, made)]
        *_, change = changes(session, [*earlier, row], cured)
        # The cure's own clock comes first and is gone once the film is cured.
        clocks = countdowns(session, row)
        end = next(k for k, clock in enumerate(clocks) if clock["ends"] == "cured")
        grades = {
            outcome.name: float(row[outcome.name])
            for outcome in session.outcomes
            if not is_missing(row[outcome.name])
        }
        found.append(
            {
                "press": press,
                "place": place,
                "fabric": row["fabric"],
                "oven_load": int(row["oven_load"]),
                "load": counted["oven_load"],
                "round": counted["press_round"].replace("coupon", "press"),
                "settings": _settings(session, row, change),
                "cured": cured[press],
                "cure": clocks[end],
                "past": plausible.past_limits(session, row),
                "countdowns": clocks[end + 1 :] if cured[press] else clocks,
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


def _cured(
    session: Session,
    row: dict[Any, Any],
    before: Sequence[int],
    by_number: Mapping[int, dict[Any, Any]],
    looked: set[int],
) -> str:
    """Return how the film of a press was cured; "" while its load is still to be cured.

    It is cured when its load looked so, or when another press of the load was made before.
    """
    load = row["oven_load"]
    mine = load in looked or any(
        by_number[one]["oven_load"] == load for one in before if one != row["press"]
    )
    return cured_fact(session, row) if mine else ""


def _settings(
    session: Session, row: dict[Any, Any], change: Mapping[str, Any]
) -> list[dict[str, Any]]:
    shown = []
    for factor in session.factors:
        value = row[factor.name]
        reached = row.get(f"{factor.name}_actual")
        unit = session.temperature_unit if session.temperature_unit != factor.unit else ""
        was = change.get(factor.name)
        shown.append(
            {
                "name": factor.name,
                "label": label(factor.name),
                "stage": factor.stage,
                "unit": factor.unit,
                "words": list(factor.levels),
                "set": factor.format(value),
                "also": factor.format(value, unit)
                if factor.is_temperature and unit
                else session.pace.dwell_note(value, factor.unit),
                "was": None if was is None else factor.format(was),
                "reached": "" if is_missing(reached) else factor.format(reached),
            }
        )
    return shown
