"""Plans inside the book: the presses to be made, in their running order."""

from __future__ import annotations

import json
import math
import numbers
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import chain, entries, journal
from dtfexp.book.store.entry_fields import press_number
from dtfexp.describe import fields
from dtfexp.describe.errors import DtfexpError, LogbookError

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.design.plan import Plan

#: The columns of a plan before its factors.
HEAD = ("press", "fabric", "oven_load", "press_round")


@dataclass(frozen=True)
class Press:
    """One planned test press. ``settings`` has every factor, ``extra`` any further column."""

    press: int
    fabric: str
    oven_load: int
    press_round: int
    settings: dict[str, Any]
    extra: dict[str, Any]


def presses_of(session: Session, plan: Plan) -> list[Press]:
    """Return the rows of ``plan`` as presses; ``LogbookError`` for a row that fits no session."""
    runs = plan.runs
    names = [str(column) for column in runs.columns]
    factors = {factor.name: factor for factor in session.factors}
    lacking = [name for name in (*HEAD, *factors) if name not in names]
    if lacking:
        raise LogbookError(f"the plan has no column {lacking[0]!r}; nothing was added")
    fabrics = [fabric.name for fabric in session.fabrics]
    found: dict[int, Press] = {}
    for row in runs.itertuples(index=False, name=None):
        cells = {name: _plain(value) for name, value in zip(names, row, strict=True)}
        press = press_number(cells["press"])
        place = f"the plan, press {press}"
        if press in found:
            raise LogbookError(f"{place}: the number is given twice; nothing was added")
        if cells["fabric"] not in fabrics:
            raise fields.refusal(
                f"{place}, fabric",
                cells["fabric"],
                f"one of {', '.join(fabrics)}; nothing was added",
                LogbookError,
            )
        settings = {}
        for name, factor in factors.items():
            try:
                setting = factor.snap(cells[name])
            except DtfexpError as error:
                raise LogbookError(f"{place}: {error}; nothing was added") from None
            if factor.is_numeric and abs(setting - cells[name]) > 1e-6 * factor.grid_step:
                low, high = factor.bounds
                raise LogbookError(
                    f"{place}: {name} is {factor.format(cells[name])}; a plan keeps to "
                    f"{factor.format(low)} up to {factor.format(high)} in steps of "
                    f"{factor.grid_step:g}; nothing was added"
                )
            settings[name] = setting
        extra = {name: cells[name] for name in names if name not in factors and name not in HEAD}
        load, round_ = (_whole(place, name, cells[name]) for name in HEAD[2:])
        found[press] = Press(press, cells["fabric"], load, round_, settings, extra)
    return list(found.values())


def check_session(theirs: Session, ours: Session) -> None:
    """Raise ``LogbookError`` for a plan of another session than the book's."""
    if not _same_but_spreads(theirs, ours):
        raise LogbookError(
            f"the plan was made for {_difference(theirs, ours)}; nothing was added. Make the plan "
            "from book.session"
        )


def _same_but_spreads(theirs: Session, ours: Session) -> bool:
    """Equal, or with machines measured since, or another experience: that changes no press."""
    if theirs == ours or type(theirs) is not type(ours):
        return theirs == ours
    plain = [
        s.altered(factors=tuple(map(_unmeasured, s.factors)), experience=None)
        for s in (theirs, ours)
    ]
    return plain[0] == plain[1]


def _unmeasured(factor: Factor) -> Factor:
    return replace(factor, spread=0.0, spots=(), readings=())


def _difference(theirs: Session, ours: Session) -> str:
    if theirs.name != ours.name:
        return f"session {theirs.name!r}, and this book is for {ours.name!r}"
    pairs = zip(theirs.to_toml().splitlines(), ours.to_toml().splitlines(), strict=False)
    for plans, books in pairs:
        if plans != books:
            return (
                f"another version of session {ours.name!r} (it has {plans.strip()!r} where this "
                f"book has {books.strip()!r})"
            )
    return f"another version of session {ours.name!r}"


def _plain(value: Any) -> Any:
    """Return a cell of a frame as a plain Python value; missing is None."""
    if hasattr(value, "item"):
        value = value.item()
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return None
    if isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, numbers.Real):
        return float(value) if math.isfinite(float(value)) else None
    return str(value)


def _whole(place: str, name: str, value: Any) -> int:
    if isinstance(value, (int, float)) and not isinstance(value, bool) and value == int(value):
        return int(value)
    raise LogbookError(f"{place}: {name} is {fields.quoted(value)}; it is a whole number")


def add_plan(
    connection: sqlite3.Connection,
    plan: Plan,
    presses: list[Press],
    gate: Session,
    at: datetime,
    by: str,
) -> bool:
    """Write a plan and its presses; False when that very plan is there already.

    Raises ``LogbookError`` when a press number is taken by another plan, and when ``gate``, the
    session with its machines as measured, refuses a press.
    """
    rows = [[p.press, p.fabric, p.oven_load, p.press_round, p.settings, p.extra] for p in presses]
    plan_id = entries.derived_id("plan", plan.design, plan.seed, plan.reason, rows)
    if connection.execute("SELECT 1 FROM plans WHERE id = ?", (plan_id,)).fetchone():
        return False
    taken = {row[0] for row in connection.execute("SELECT press FROM presses")}
    clash = sorted(taken & {p.press for p in presses})
    if clash:
        raise LogbookError(
            f"press {clash[0]} is in the book already, from another plan (presses {min(taken)} to "
            f"{max(taken)} are taken); nothing was added. Further presses come from next_presses, "
            "which goes on with the numbers"
        )
    for p in presses:
        why = gate.refusal(p.settings, p.fabric)
        if why:
            raise LogbookError(f"the plan, press {p.press}: {why}; nothing was added")
    connection.execute(
        "INSERT INTO plans (id, seq, design, seed, reason, notes, at, by) VALUES "
        "(?, (SELECT COALESCE(MAX(seq), 0) + 1 FROM plans), ?, ?, ?, ?, ?, ?)",
        (
            plan_id,
            str(plan.design),
            int(plan.seed),
            str(plan.reason),
            entries.as_text([str(note) for note in plan.notes]),
            at.isoformat(),
            by,
        ),
    )
    connection.executemany(
        "INSERT INTO presses (press, plan, position, fabric, oven_load, press_round, settings, "
        "extra) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                p.press,
                plan_id,
                position,
                p.fabric,
                p.oven_load,
                p.press_round,
                entries.as_text(p.settings),
                entries.as_text(p.extra),
            )
            for position, p in enumerate(presses)
        ],
    )
    (number,) = connection.execute("SELECT MAX(seq) FROM plans").fetchone()
    chain.extend(connection, "plans", [number])
    chain.extend(connection, "presses", [p.press for p in presses])
    return True


def read_presses(connection: sqlite3.Connection) -> list[Press]:
    """Every planned press, plan by plan, in running order."""
    rows = connection.execute(
        "SELECT press, fabric, oven_load, press_round, settings, extra FROM presses "
        "JOIN plans ON plans.id = presses.plan ORDER BY plans.seq, position"
    )
    return [_press(row) for row in rows]


def _press(row: tuple[Any, ...]) -> Press:
    press, fabric, load, round_, settings, extra = row
    try:
        return Press(press, fabric, load, round_, dict(json.loads(settings)), json.loads(extra))
    except (ValueError, TypeError, RecursionError) as error:
        raise LogbookError(f"press {press} as planned cannot be read: {error}") from None


def taken_back(state: Mapping[int, Mapping[str, Any]]) -> tuple[int, ...]:
    """Return the presses of plans taken back; ``state``: what holds now (``entries.current``)."""
    gone = {entries.EXCLUDED: entries.PLAN_TAKEN_BACK}
    return tuple(sorted(press for press, held in state.items() if held == gone))


def last_plan(
    connection: sqlite3.Connection, state: Mapping[int, Mapping[str, Any]]
) -> tuple[list[Press], list[str]]:
    """Return the presses of the last plan that stands, and what was recorded of it, in words.

    Not a grade alone counts: a look at a load, a step marked or a photo says that work has begun.
    """
    rows = connection.execute(
        "SELECT plans.seq, press FROM presses JOIN plans ON plans.id = presses.plan"
    )
    gone = taken_back(state)
    standing = [(plan, press) for plan, press in rows if press not in gone]
    last = max((plan for plan, _ in standing), default=0)
    mine = {press for plan, press in standing if plan == last}
    presses = [one for one in read_presses(connection) if one.press in mine]
    loads = {one.oven_load for one in presses}
    begun = [f"press {number} has entries" for number in sorted(mine & set(state))]
    for note in journal.current_notes(journal.read(connection)):
        if note.said.get("press") in mine:
            begun.append(f"press {note.said['press']} has a {note.kind}")
        elif note.said.get("load") in loads:
            begun.append(f"oven load {note.said['load']} has a {note.kind}")
    return presses, begun


def take_back(
    connection: sqlite3.Connection, session: Session, at: datetime, by: str
) -> tuple[int, ...]:
    """Exclude every press of the last plan by a further entry; return their numbers.

    Raises ``LogbookError`` when no plan stands and when work on the last one has begun.
    """
    presses, begun = last_plan(connection, entries.current(entries.read(connection, session)))
    numbers = tuple(sorted(one.press for one in presses))
    if not numbers:
        raise LogbookError("no plan stands in this book; nothing was taken back")
    if begun:
        raise LogbookError(
            f"the last plan (presses {numbers[0]} to {numbers[-1]}) has begun: {begun[0]}; only a "
            "plan of which nothing is recorded can be taken back. Nothing was changed"
        )
    said = {entries.EXCLUDED: entries.PLAN_TAKEN_BACK}
    for number in numbers:
        key = entries.new_id()
        entry = entries.Entry(key, number, entries.RECORD, said, entries.BENCH, at, by)
        entries.append(connection, entry)
    return numbers


def require_planned(connection: sqlite3.Connection, press: int) -> None:
    """Raise ``LogbookError`` unless ``press`` is planned."""
    if connection.execute("SELECT 1 FROM presses WHERE press = ?", (press,)).fetchone():
        return
    raise LogbookError(f"press {press} is not in the book; {press_range_text(connection)}")


def book_mark(connection: sqlite3.Connection) -> str:
    """Return a short word that tells this book from any other, for the sheets it writes."""
    return str(connection.execute("SELECT id FROM book").fetchone()[0])[:12]


def press_range_text(connection: sqlite3.Connection) -> str:
    """Which presses the book has, in words."""
    low, high, count = connection.execute(
        "SELECT MIN(press), MAX(press), COUNT(*) FROM presses"
    ).fetchone()
    if not count:
        return "it has no presses yet, add a plan first"
    return f"it has {count} presses, numbered {low} to {high}"


def plans(connection: sqlite3.Connection) -> list[dict[str, Any]]:
    """Return the plans added, in order, with how many presses each has."""
    rows = connection.execute(
        "SELECT design, seed, reason, notes, COUNT(press), plans.at, plans.by FROM plans "
        "LEFT JOIN presses ON plans.id = presses.plan GROUP BY plans.id ORDER BY plans.seq"
    )
    return [
        {
            "design": design,
            "seed": seed,
            "reason": reason,
            "notes": tuple(json.loads(notes)),
            "presses": count,
            "time": datetime.fromisoformat(at),
            "by": by,
        }
        for design, seed, reason, notes, count, at, by in rows
    ]
