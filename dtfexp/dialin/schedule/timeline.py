"""The timeline of a plan: the work of oven, press and hands, and the waits.

One oven, one press, one person, who works in two stages: the loads that a press round needs are
cured, attended; then the round's coupons are pressed one by one. Oven and press change their
temperature unattended, as soon as the last use of the old one ends, so that the two waits overlap
with each other and with work. Coupons with a cold peel cool meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import pandas as pd

from dtfexp.describe import units
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.schedule.cured import reading

COLUMNS = ("at", "what", "start", "end", "press", "oven_load", "press_round", "detail")
_SHORT_WAIT = 60.0
"""Longest wait for a peel spent idle, in seconds; a longer one is used for the next press."""
Slow = dict[str, Any]


def timeline(session: Session, runs: pd.DataFrame) -> pd.DataFrame:
    """Return every step of a plan in minutes from switching on; ``runs``: ``Plan.runs``.

    Columns: ``at`` ("oven", "press" or "hands"), ``what`` ("warm-up", "change-over", "cure",
    "load", "handle", "press", "finish", "peel", "grade", or "wait"), ``start`` and ``end``
    (minutes), ``press``, ``oven_load``, ``press_round`` (0 where none applies) and ``detail``, a
    few words: the change, or the reason of the wait. Ordered by start. Every block of the plan is a
    day and begins with a warm-up. Washing comes later and is not included.
    """
    clock = _BenchClock(session)
    if len(runs):
        ordered = runs.sort_values("press", kind="stable")
        blocks = ordered["block"] if "block" in ordered else pd.Series("", index=ordered.index)
        for label in dict.fromkeys(blocks):
            clock.simulate_block(ordered[blocks == label])
    frame = pd.DataFrame(clock.steps, columns=list(COLUMNS))
    frame["start"], frame["end"] = frame["start"].round(4), frame["end"].round(4)
    return frame.sort_values(["start", "end"], kind="stable").reset_index(drop=True)


@dataclass
class _BenchClock:
    """The minutes at which hands, oven and press are free, and the steps so far."""

    session: Session
    steps: list[tuple[Any, ...]] = field(default_factory=list)
    hands: float = 0.0
    oven: float = 0.0
    platen: float = 0.0
    aside: list[tuple[float, dict[str, Any]]] = field(default_factory=list)

    def simulate_block(self, runs: pd.DataFrame) -> None:
        """Warm up, make all presses of one block, peel the last."""
        start = max(self.hands, self.oven, self.platen)
        ready = start + self.session.warm_up_minutes
        for at in ("oven", "press"):
            self._add(at, "warm-up", start, ready)
        self.oven = self.platen = ready
        self.hands = start
        self._wait(ready, "warm-up")
        oven_now: Slow | None = None
        platen_now: Slow | None = None
        cured: dict[int, float] = {}
        rows = [
            {str(name): value for name, value in run.items()} for run in runs.to_dict("records")
        ]
        for _, members in groupby(rows, key=lambda row: int(row["press_round"])):
            of_round = list(members)
            for row in of_round:
                load = int(row["oven_load"])
                if load not in cured:
                    oven_now = self._change("oven", oven_now, row)
                    coupons = int((runs["oven_load"] == load).sum())
                    cured[load] = self._cure(row, coupons)
            for row in of_round:
                platen_now = self._change("press", platen_now, row)
                self._press(row, cured[int(row["oven_load"])])
        while self.aside:
            self._wait(self.aside[0][0], "cold peel")
            self._peel_due_coupons()

    def _change(self, at: str, before: Slow | None, row: dict[str, Any]) -> Slow:
        """Start the change of oven or press to the row's settings, from the end of its last use."""
        stage = "cure" if at == "oven" else "press"
        slow = [f for f in self.session.factors if f.stage == stage and f.is_slow]
        now = {f.name: row[f.name] for f in slow}
        changed = [f for f in slow if before is not None and before[f.name] != now[f.name]]
        if before is None or not changed:
            return now
        minutes = max(_change_minutes(self.session, at, f, before[f.name], now[f.name])
                      for f in changed)  # fmt: skip
        text = ", ".join(
            # A single temperature needs no name: it is the machine's.
            (f"{f.name} " if len(slow) > 1 else "")
            + f"{reading(self.session, f, before[f.name])} to "
            + reading(self.session, f, now[f.name])
            for f in changed
        )
        start = self.oven if at == "oven" else self.platen
        self._add(at, "change-over", start, start + minutes, row, text)
        if at == "oven":
            self.oven = start + minutes
        else:
            self.platen = start + minutes
        return now

    def _cure(self, row: dict[str, Any], coupons: int) -> float:
        """Cure one load, attended; return the minute at which it is out."""
        self._peel_due_coupons()
        self._wait(self.oven, "oven")
        hands = self.session.pace.load_seconds / 60.0
        text = f"{coupons} coupon{'' if coupons == 1 else 's'}"
        self._work("load", hands, row, text)
        start = self.hands
        end = start + _minutes(self.session, row, "cure", self.session.pace.cure_seconds)
        pace = self.session.pace
        settings = [
            reading(self.session, f, row[f.name])
            + (f" ({dwell})" if (dwell := pace.dwell_note(row[f.name], f.unit)) else "")
            for f in self.session.factors
            if f.stage == "cure"
        ]
        self._add("oven", "cure", start, end, row, ", ".join([*settings, text]))
        self._wait(end, "cure", peels=False)
        self.oven = end
        return end

    def _press(self, row: dict[str, Any], cured: float) -> None:
        pace = self.session.pace
        self._peel_due_coupons()
        handling = pace.handling_seconds / 60.0
        rested = cured + pace.rest_seconds / 60.0
        self._wait(self.platen, "press")
        self._wait(rested - handling, "rest")
        self._work("handle", handling, row)
        end = self.hands + _minutes(self.session, row, "press", pace.press_seconds)
        settings = [
            reading(self.session, f, row[f.name])
            for f in self.session.factors
            if f.stage == "press"
        ]
        self._add("press", "press", self.hands, end, row, ", ".join(settings))
        self.hands = self.platen = end
        wait = _peel_wait(self.session, row)
        if wait > _SHORT_WAIT:
            self.aside.append((end + wait / 60.0, row))
            self.aside.sort(key=lambda one: (one[0], one[1]["press"]))
            return
        self._wait(end + wait / 60.0, "peel", peels=False)
        self._finish(row)

    def _finish(self, row: dict[str, Any]) -> None:
        """Peel, press again, and grade the outcomes judged at once."""
        pace = self.session.pace
        self._work("peel", pace.peel_seconds / 60.0, row)
        start = max(self.hands, self.platen)
        self._wait(start, "press", peels=False)
        end = start + pace.finish_seconds / 60.0
        self._add("press", "finish", start, end, row)
        self.hands = self.platen = end
        judged = sum(o.washes is None for o in self.session.outcomes)
        self._work("grade", judged * pace.grading_seconds / 60.0, row)

    def _peel_due_coupons(self) -> None:
        while self.aside and self.aside[0][0] <= self.hands + 1e-9:
            _, row = self.aside.pop(0)
            self._finish(row)

    def _wait(self, until: float, what: str, *, peels: bool = True) -> None:
        """Wait until a minute; coupons that become cold meanwhile are peeled."""
        while peels and self.aside and self.aside[0][0] < until and self.hands < until:
            self._idle(self.aside[0][0], what)
            self._peel_due_coupons()
            # The finish press needs the press at its temperature, which may have changed.
            until = max(until, self.platen) if what == "press" else until
        self._idle(until, what)

    def _idle(self, until: float, what: str) -> None:
        if until > self.hands + 1e-9:
            self._add("hands", "wait", self.hands, until, None, what)
            self.hands = until

    def _work(self, what: str, minutes: float, row: dict[str, Any], detail: str = "") -> None:
        if minutes > 0:
            self._add("hands", what, self.hands, self.hands + minutes, row, detail)
            self.hands += minutes

    def _add(
        self,
        at: str,
        what: str,
        start: float,
        end: float,
        row: dict[str, Any] | None = None,
        detail: str = "",
    ) -> None:
        numbers = (
            int(row[c]) if row is not None else 0 for c in ("press", "oven_load", "press_round")
        )
        self.steps.append((at, what, start, end, *numbers, detail))


def _change_minutes(session: Session, at: str, factor: Factor, before: Any, now: Any) -> float:
    """Return the minutes of one change, from the bench's rate or the session's figure."""
    if not factor.is_temperature:
        return session.change_over_minutes
    pace = session.pace
    heating, cooling = (
        (pace.oven_heating, pace.oven_cooling)
        if at == "oven"
        else (pace.press_heating, pace.press_cooling)
    )
    rate = heating if float(now) > float(before) else cooling
    if rate is None:
        return session.change_over_minutes
    degrees = units.convert_difference(abs(float(now) - float(before)), factor.unit, pace.unit)
    return degrees / rate + pace.settle_minutes


def _minutes(session: Session, row: dict[str, Any], stage: str, otherwise: float) -> float:
    """Return the minutes of one stage.

    From its settings that are times, or speeds over a known length, else from the pace.
    """
    times = list(_times(session, row, stage))
    return sum(times) if times else otherwise / 60.0


def _times(session: Session, row: dict[str, Any], stage: str) -> Iterator[float]:
    for factor in session.factors:
        if factor.stage != stage or not factor.is_numeric:
            continue
        if units.kind(factor.unit) == "time":
            yield units.convert(float(row[factor.name]), factor.unit, "min")
        elif units.kind(factor.unit) == "speed":
            dwell = session.pace.dwell_seconds(float(row[factor.name]), factor.unit)
            if dwell is not None:
                yield dwell / 60.0


def _peel_wait(session: Session, row: dict[str, Any]) -> float:
    """Return the seconds from press to peel.

    A peel-stage time as it is, else by the word hot, warm or cold of a peel-stage setting or the
    film.
    """
    times = list(_times(session, row, "peel"))
    if times:
        return 60.0 * sum(times)
    pace = session.pace
    waits = {
        "cold": pace.cold_peel_seconds,
        "warm": pace.warm_peel_seconds,
        "hot": pace.hot_peel_seconds,
    }
    for factor in session.factors:
        if factor.stage == "peel" and not factor.is_numeric:
            for word, seconds in waits.items():
                if word in str(row[factor.name]).casefold():
                    return seconds
    return waits.get(session.film_peel, pace.hot_peel_seconds)
