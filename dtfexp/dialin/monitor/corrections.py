"""Corrections of settings for a cause, on the bench's steps and inside the heat gate.

The fit or a measured drift gives the size of a move; limits and ranges bound it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import heat
from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import without_underscores
from dtfexp.describe.session import Session
from dtfexp.describe.signs import Cause
from dtfexp.describe.units import convert_difference
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.roles import HEAT, factors_with_role, peel_warmth, role

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

#: Largest move of a setting at once, in multiples of its spread.
FURTHEST = 4.0
# Smallest visible moves; common practice, no source.
_DEGREES_C, _SHARE_OF_TIME, _SECONDS, _SHARE_OF_RANGE = 5.0, 0.2, 3.0, 0.15


@dataclass(frozen=True)
class Move:
    """One setting moved: ``role``, ``direction`` +1 or -1, destination and reason."""

    factor: Factor
    role: str
    direction: int
    from_: Any
    to: Any
    reason: str


@dataclass(frozen=True)
class ProposalContext:
    """The basis of proposals.

    The fit, the session whose heat gate applies, one fabric, its present settings, and measured
    drifts (factor -> hotter than before, in its unit).
    """

    fit: FittedModel
    gate: Session
    fabric: str
    at: Mapping[str, Any]
    drift: Mapping[str, float]

    def shown(self, factor: Factor, value: Any) -> str:
        """Return a setting in the dial's unit and, where it differs, the reading unit."""
        text = factor.format(value)
        unit = self.gate.temperature_unit
        if factor.is_temperature and unit != factor.unit:
            return f"{text} ({heat.setting_text(factor, value, unit, self.gate.fabrics)})"
        return text


def allowed_moves(bench: ProposalContext, cause: Cause, by_fit: bool = True) -> list[Move]:
    """Return every move that remedies a cause and passes the heat gate, best first."""
    found: list[Move] = []
    for name, direction in cause.moves:
        for factor in factors_with_role(bench.gate, name):
            # The fit gives the size of the first choice; further ones are trials.
            to, reason = _place(bench, factor, direction, by_fit and not found)
            if to is not None:
                here = bench.at[factor.name]
                found.append(Move(factor, name, direction, here, to, reason))
    return found


def blocked_moves(bench: ProposalContext, cause: Cause) -> tuple[str, ...]:
    """Return a line for each preferred setting that cannot be moved, up to the first that can."""
    lines: list[str] = []
    for name, direction in cause.moves:
        for factor in factors_with_role(bench.gate, name):
            if len(_ways(bench, factor, direction)):
                return tuple(lines)
            if name != "peel warmth":
                lines.append(_blocked(bench, factor, direction))
    return tuple(lines)


def bound_text(bench: ProposalContext, factor: Factor) -> str:
    """Return the bounds of a setting for this fabric, in one line."""
    if heat.limit(factor, bench.gate.fabric(bench.fabric)) is not None:
        return bench.gate.limit_note(bench.fabric)
    allowed = bench.gate.allowed(factor, bench.fabric)
    if not factor.is_numeric:
        words = " / ".join(map(str, allowed))
        return f"{without_underscores(factor.name)} for {bench.fabric}: {words}"
    low, high = (bench.shown(factor, allowed[k]) for k in (0, -1))
    return f"{without_underscores(factor.name)} for {bench.fabric}: {low} to {high}"


def _blocked(bench: ProposalContext, factor: Factor, direction: int) -> str:
    name, here = without_underscores(factor.name), bench.shown(factor, bench.at[factor.name])
    allowed = bench.gate.allowed(factor, bench.fabric)
    further = _beyond(factor, bench.at[factor.name], direction, allowed)
    if further:
        line = bench.gate.refusal({**bench.at, factor.name: further[0]}, bench.fabric)
        return f"{name} cannot go beyond {here}: {line}"
    limited = heat.limit(factor, bench.gate.fabric(bench.fabric)) is not None
    if direction > 0 and limited and len(allowed) < len(factor.settings()):
        return f"{name} cannot go above {here}: {bench.gate.limit_note(bench.fabric)}"
    end = "top" if direction > 0 else "bottom"
    return f"{name} is at the {end} of its range, {here}"


def _beyond(factor: Factor, here: Any, direction: int, allowed: tuple[Any, ...]) -> list[Any]:
    """Return allowed settings further in a direction, the nearest first."""
    place = _place_of(factor)
    start = place(here)
    if start is None:
        return []
    further = [
        (abs(p - start), value)
        for value in allowed
        if (p := place(value)) is not None and direction * (p - start) > 1e-9
    ]
    return [value for _, value in sorted(further, key=lambda pair: pair[0])]


def _place_of(factor: Factor) -> Any:
    """Return a function from a setting to its position on an axis; None without an axis."""
    if factor.is_numeric:
        return float
    if role(factor) == "peel warmth":
        return peel_warmth
    if factor.ordered:
        return lambda word: float(factor.levels.index(factor.snap(word)))
    return lambda _: None


def _ways(bench: ProposalContext, factor: Factor, direction: int) -> list[Any]:
    """Return settings further in a direction that the gate permits, the others unchanged."""
    allowed = bench.gate.allowed(factor, bench.fabric)
    return [
        value
        for value in _beyond(factor, bench.at[factor.name], direction, allowed)
        if not bench.gate.refusal({**bench.at, factor.name: value}, bench.fabric)
    ]


def _place(bench: ProposalContext, factor: Factor, direction: int, by_fit: bool) -> tuple[Any, str]:
    ways = _ways(bench, factor, direction)
    if not ways:
        return None, ""
    if role(factor) == "peel warmth":
        # Cold first: it shows at once whether warmth is the cause.
        return (ways[-1] if direction < 0 else ways[0]), "a trial; the film maker's advice is first"
    here = grids.as_axis(factor, bench.at[factor.name])
    unit = max(grids.width_unit(factor), factor.grid_step if factor.is_numeric else 1.0)
    axis = np.array([grids.as_axis(factor, value) for value in ways])
    reach = max(FURTHEST * unit, _smallest_try(factor, here))
    near = np.abs(axis - here) <= reach + 1e-9
    near[0] = True
    axis, ways = axis[near], [value for value, kept in zip(ways, near, strict=True) if kept]
    drift = bench.drift.get(factor.name)
    wanted = here + direction * max(unit, _smallest_try(factor, here))
    reason = "a trial; measure first, the fit alone would not move it"
    if drift is not None and direction * drift < 0:
        wanted = here - drift
        size = difference_text(factor, drift, bench.gate.temperature_unit)
        reason = f"the machine was measured {size} off"
    elif by_fit and role(factor) in HEAT | {"pressure", "peel wait"}:
        frame = pd.DataFrame([{**bench.at, factor.name: value} for value in (*ways, None)])
        frame.loc[len(ways), factor.name] = bench.at[factor.name]
        frame[factor.name] = frame[factor.name].astype(float if factor.is_numeric else object)
        *rates, now = bench.fit.pass_posterior(frame, bench.fabric).expected()
        if max(rates) > now + 0.02:
            wanted = float(axis[int(np.argmax(rates))])
            reason = "where the fit expects most to pass"
    return ways[int(np.argmin(np.abs(axis - wanted)))], reason


def difference_text(factor: Factor, by: float, unit: str) -> str:
    """Return a difference of a setting as text: "8 °C"."""
    if factor.is_temperature and unit != factor.unit:
        return f"{round(abs(convert_difference(by, factor.unit, unit))):g} {unit}"
    return factor.format(round(abs(by), 1))


def _smallest_try(factor: Factor, here: float) -> float:
    """Return the smallest move visible on a print."""
    if not factor.is_numeric:
        return 1.0
    if factor.is_temperature:
        return float(convert_difference(_DEGREES_C, "°C", factor.unit))
    what = role(factor)
    low, high = factor.bounds
    if what.endswith("time"):
        return _SHARE_OF_TIME * here
    if what in ("rest", "pre-press", "peel wait", "finish"):
        return float(convert_difference(_SECONDS, "s", factor.unit))
    return _SHARE_OF_RANGE * (high - low)
