"""The steps of the day: what the hands do, one after another, in one order for form and paper.

People work in two stages. The loads that a press round needs are cured, looked at and left to rest;
then the press is set once and the round's coupons are pressed, peeled and graded one by one. Films
of a load that wait for a later round keep their clocks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from dtfexp.describe.fields import without_underscores
from dtfexp.describe.session import Session
from dtfexp.dialin.schedule.cured import reading
from dtfexp.dialin.schedule.timeline import timeline

_SHORTEST_WAIT = 0.75
"""Shortest wait that is told, in minutes."""


@dataclass(frozen=True)
class Step:
    """One step: what it is, its words, and the minute from switching on at which it begins.

    ``kind``: "warm-up", "print" (and powder), "oven" (set for ``load``), "cure", "look", "rest",
    "set" (the press, for ``press_round``), "wait", "round" (its coupons are due) or "press".
    ``presses``: the coupons it is for.
    """

    kind: str
    says: str
    minute: float
    presses: tuple[int, ...] = ()
    load: int = 0
    press_round: int = 0


@dataclass(frozen=True)
class DaySteps:
    """All steps of a plan, or of a book, in walking order."""

    steps: tuple[Step, ...] = ()

    def before(self, press: int) -> list[str]:
        """Return the steps between the press before and this one, a line for each piece of work."""
        lines: list[list[str]] = []
        last: object = None
        for step in self._until(press):
            work = (step.load, step.press_round) if step.load or step.press_round else step
            if work == last and step.kind != "oven":
                lines[-1].append(step.says)
            else:
                lines.append([step.says])
            last = work
        return [" → ".join(line) for line in lines]

    def minute(self, press: int) -> float:
        """Return the minute at which the hands turn to a press."""
        return next(s.minute for s in self.steps if s.kind == "press" and s.presses == (press,))

    def without_films(self, cured: Collection[int]) -> DaySteps:
        """Return the steps without those of loads whose films are done, and their waits."""
        left: list[Step] = []
        dropped = False
        for step in self.steps:
            waits = step.kind == "wait" and step.says.endswith("oven")
            dropped = step.load in cured or (dropped and waits)
            if not dropped:
                left.append(step)
        return DaySteps(tuple(left))

    def next(self, pressed: Collection[int], cured: Collection[int]) -> list[str]:
        """Return what to do now: the steps up to the next cure or press not done; [] at the end.

        ``pressed``: presses made or left out; ``cured``: loads whose films are done.
        """
        said: list[str] = []
        for step in self.steps:
            if step.load in cured or (step.kind == "press" and step.presses[0] in pressed):
                said = []
                continue
            said.append(step.says)
            if step.kind in ("cure", "press"):
                return said
        return []

    def _until(self, press: int) -> Iterator[Step]:
        before: list[Step] = []
        for step in self.steps:
            if step.kind != "press":
                before.append(step)
            elif step.presses == (press,):
                break
            else:
                before = []
        yield from before


def day_steps(session: Session, runs: pd.DataFrame) -> DaySteps:
    """Return the steps of a plan; ``runs``: ``Plan.runs``, minutes from ``timeline``."""
    clock = timeline(session, runs)
    # Steps that begin in the same minute as a press are told before it.
    clock = clock.assign(late=clock["what"] == "handle").sort_values(
        ["start", "late"], kind="stable"
    )
    rows = {int(row["press"]): row for row in runs.to_dict("records")}
    of_load = runs.groupby("oven_load", sort=False)["press"].apply(tuple).to_dict()
    of_round = runs.groupby("press_round", sort=False)["press"].apply(tuple).to_dict()
    begun: set[int] = set()
    steps: list[Step] = []
    for event in clock.to_dict("records"):
        what, at, start = event["what"], event["at"], float(event["start"])
        load, round_ = int(event["oven_load"]), int(event["press_round"])
        lasts = event["end"] - event["start"]
        if what == "warm-up" and at == "oven":
            later = clock[(clock["what"] == "handle") & (clock["start"] >= event["end"])]
            first = rows[int(later["press"].iloc[0])]
            steps.append(Step("warm-up", _warm_up(session, first, lasts), start))
        elif what == "change-over" and at == "oven":
            told = f"set the oven for load {load}: {event['detail']}"
            steps.append(Step("oven", told, start, of_load[load], load))
        elif what == "change-over":
            told = f"set the press for round {round_}: {event['detail']}"
            steps.append(Step("set", told, start, of_round[round_], press_round=round_))
        elif what == "cure":
            steps += _film(session, runs, load, of_load[load], start, event)
        elif what == "wait" and event["detail"] in ("press", "oven"):
            if lasts >= _SHORTEST_WAIT:
                told = f"wait about {lasts:.0f} min for the {event['detail']}"
                steps.append(Step("wait", told, start))
        elif what == "handle":
            press = int(event["press"])
            if round_ not in begun:
                begun.add(round_)
                told = _round(session, [rows[one] for one in of_round[round_]])
                steps.append(Step("round", told, start, of_round[round_], press_round=round_))
            told = f"press {press}: {rows[press]['fabric']}"
            steps.append(Step("press", told, start, (press,)))
    return DaySteps(tuple(steps))


def _warm_up(session: Session, first: dict[Any, Any], minutes: float) -> str:
    """Return what to switch on, with the temperatures that the first load and press need."""
    machines = []
    for machine, stage in (("oven", "cure"), ("press", "press")):
        hot = [f for f in session.factors if f.stage == stage and f.is_temperature]
        told = ", ".join(reading(session, f, first[f.name]) for f in hot)
        machines.append(f"{machine} at {told}" if told else machine)
    return f"warm up {' and '.join(machines)}, {minutes:.0f} min"


def coupons(presses: Collection[int]) -> str:
    """Return "coupon 5" or "coupons 5, 8, 11"."""
    return f"coupon{'' if len(presses) == 1 else 's'} {', '.join(map(str, presses))}"


def _film(
    session: Session,
    runs: pd.DataFrame,
    load: int,
    presses: tuple[int, ...],
    start: float,
    event: dict[Any, Any],
) -> Iterator[Step]:
    printed = _printed(session, runs[runs["oven_load"] == load])
    if printed:
        told = f"print and powder load {load}: {printed}"
        yield Step("print", told, start, presses, load)
    settings = event["detail"].rpartition(", ")[0]
    told = f"cure load {load} ({coupons(presses)})" + (f" at {settings}" if settings else "")
    yield Step("cure", told, start, presses, load)
    yield Step("look", "look at the powder side", float(event["end"]), presses, load)
    yield Step("rest", "let it rest", float(event["end"]), presses, load)


def _printed(session: Session, rows: pd.DataFrame) -> str:
    """Return how a load's coupons are printed and powdered; "" if not varied.

    Coupons treated alike are told jointly. Printed film is powdered within 2 h: common practice.
    """
    factors = [f for f in session.factors if f.stage == "print"]
    alike: dict[str, list[int]] = {}
    for row in rows.to_dict("records") if factors else []:
        said = ", ".join(
            f"{without_underscores(f.name)} {reading(session, f, row[f.name])}" for f in factors
        )
        alike.setdefault(said, []).append(int(row["press"]))
    return "; ".join(f"{said} ({coupons(presses)})" for said, presses in alike.items())


def _round(session: Session, rows: list[dict[Any, Any]]) -> str:
    """Return a round's name, the settings that all its presses share, and its coupons."""
    shared = ", ".join(
        reading(session, factor, rows[0][factor.name])
        for factor in session.factors
        if factor.stage == "press" and len({row[factor.name] for row in rows}) == 1
    )
    number, of = int(rows[0]["press_round"]), coupons([int(row["press"]) for row in rows])
    return f"press round {number} ({of})" + (f" at {shared}" if shared else "")
