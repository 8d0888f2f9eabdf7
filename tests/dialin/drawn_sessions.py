"""Drawn sessions, and a gate worked out anew for each, to hold every proposal against."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from dtfexp import Fabric, Factor, Outcome, Session
from dtfexp.dialin.window.window import Window

WORDS = ("light", "medium", "firm")
PEELS = ("hot", "warm", "cold")
COTTON, NYLON = "cotton", "nylon"


@dataclass(frozen=True)
class Drawn:
    """A session and what may be pressed in it, by rules of the test's own."""

    session: Session
    allows: Callable[[Mapping[str, Any], str], bool]

    def hold(self, runs: pd.DataFrame) -> None:
        """Every row is let through by the package's gate and by the test's."""
        for row in runs.to_dict("records"):
            fabric = str(row["fabric"])
            assert self.session.refusal(row, fabric) == "", (row, self.session)
            assert self.allows(row, fabric), (row, self.session)

    def hold_window(self, window: Window) -> None:
        """Target and all corners of the box."""
        rows = [window.target] if window.target else []
        if window.low is not None and window.high is not None:
            ends = [{window.low[n], window.high[n]} for n in window.low]
            rows += [dict(zip(window.low, corner, strict=True)) for corner in product(*ends)]
        if rows:
            self.hold(pd.DataFrame(rows).assign(fabric=window.fabric))


def to_celsius(value: float, unit: str) -> float:
    return (value - 32) / 1.8 if unit == "°F" else value


def hottest(setting: float, said: Mapping[str, Any]) -> float:
    """The gate's arithmetic once more, by numpy's own line."""
    pairs, spots = said.get("readings", ()), said.get("spots", ())
    slope, start = 1.0, 0.0
    if len(pairs) == 1:
        start = pairs[0][1] - pairs[0][0]
    elif pairs:
        slope, start = np.polyfit(*np.array(pairs).T, 1)
    more = max(spots) if spots else said.get("spread", 0.0)
    return max(setting, start + slope * setting + more * max(1.0, slope))


@st.composite
def machines(draw: st.DrawFn, scale: float, middle: float) -> dict[str, Any]:
    """What is known of the heat press, in its unit."""
    said: dict[str, Any] = {"spread": draw(st.sampled_from([0, 2.5, 4, 6])) * scale}
    if draw(st.booleans()):
        spots = draw(st.lists(st.integers(-6, 6), min_size=2, max_size=9))
        said = {"spots": tuple(spot * scale for spot in spots)}
    kind = draw(st.sampled_from(["none", "offset", "line"]))
    off, slope = draw(st.integers(-12, 12)) * scale, draw(st.sampled_from([0.8, 1.0, 1.25]))
    if kind == "offset":
        said["readings"] = ((middle, middle + off),)
    elif kind == "line":
        away = 10 * scale
        said["readings"] = tuple((middle + a, middle + off + slope * a) for a in (-away, 0.0, away))
    return said


@st.composite
def drawn(draw: st.DrawFn, small: bool = False) -> Drawn:
    """Two fabrics, five settings, a limit, ranges, a forbidden corner and a sloping limit.

    small: only the heat press's heat and time, and the pressure, for fits that take no time.
    """
    unit = draw(st.sampled_from(["°C", "°F"]))
    scale = 1.0 if unit == "°C" else 1.8
    low = 130.0 if unit == "°C" else 270.0
    high, step = low + 50 * scale, draw(st.sampled_from([5.0, 2.5]))
    said = draw(machines(scale, low + 25 * scale))
    usual = draw(st.sampled_from([None, low, high]))
    heat = Factor("press heat", low, high, unit, step, "press", True, usual=usual, **said)
    factors = [
        Factor("cure heat", 110, 150, "°C", 5, "cure", spread=3),
        heat,
        Factor("press time", 8, 24, "s", 1, spread=1),
        Factor("pressure", levels=WORDS, ordered=True, stage="press", usual="medium"),
        Factor("peel", levels=PEELS),
    ]
    if small:
        factors = factors[1:4]
    limit = draw(st.sampled_from([None, 140, 150, 165]))
    ranges: dict[str, Any] = {}
    if draw(st.booleans()):
        ranges = {"press time": (9, draw(st.integers(12, 20)))}
        if not small:
            ranges["peel"] = ("cold", "warm")
    if draw(st.booleans()):
        ranges["pressure"] = ("light", "medium")
    own: dict[str, Any] = {"press time": 10} if draw(st.booleans()) else {}
    corner = {"pressure": "light", "press time": "> 15"} if draw(st.booleans()) else None
    sloping = draw(st.booleans())
    a, b = (low + 45 * scale, 9.0), (low + 20 * scale, 20.0)
    forbidden: list[dict[str, Any]] = [corner] if corner else []
    if sloping:
        forbidden.append({"above": [dict(zip(("press heat", "press time"), p)) for p in (a, b)]})  # noqa: B905
    session = Session(
        "drawn",
        factors,
        [Outcome("grade")],
        [COTTON, Fabric(NYLON, limit, usual=own, ranges=ranges)],
        forbidden=forbidden,
        strict=False,
    )

    def allows(row: Mapping[str, Any], fabric: str) -> bool:
        t, s = float(row["press heat"]), float(row["press time"])
        fine = low <= t <= high and 8 <= s <= 24 and 110 <= row.get("cure heat", 110) <= 150
        if corner:
            fine &= not (row["pressure"] == "light" and s > 15)
        if sloping:
            # On the line through both points, s as a function of t.
            fine &= s < a[1] + (t - a[0]) * (b[1] - a[1]) / (b[0] - a[0]) - 1e-9
        if fabric == NYLON:
            if limit is not None:
                fine &= to_celsius(hottest(t, said), unit) <= limit + 1e-6
            span = ranges.get("press time", (8, 24))
            fine &= span[0] <= s <= span[1]
            fine &= row["pressure"] in ranges.get("pressure", WORDS)
            fine &= row.get("peel", "warm") in ranges.get("peel", PEELS)
        return bool(fine)

    return Drawn(session, allows)
