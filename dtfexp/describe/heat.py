"""The heat gate: which settings a fabric allows, and why a press may not be made.

A fabric's heat limit is what the fabric may meet. It applies to press-stage temperatures: the
hottest temperature the heat press reaches at a set-point (``Factor.hottest``) must not exceed it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from dtfexp.describe import fields, units
from dtfexp.describe import forbidden as corners
from dtfexp.describe.errors import SessionError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import and_list
from dtfexp.describe.forbidden import Forbidden

_TOLERANCE = 1e-9


def limit(factor: Factor, fabric: Fabric) -> float | None:
    """Return the fabric's heat limit in the factor's unit; None where it does not apply."""
    if factor.stage != "press" or not factor.is_temperature:
        return None
    return fabric.limit_in(factor.unit)


def highest_dial(factor: Factor, fabric: Fabric, unit: str) -> str:
    """Return the highest dial setting the heat limit allows, rounded down, in ``unit``; "" without.

    It may lie between the dial steps of the plan, whose last allowed one is then lower.
    """
    bound = limit(factor, fabric)
    return "" if bound is None else _highest(factor, bound, unit)


def no_higher(
    factor: Factor, number: float, value: float, unit: str, fabrics: tuple[Fabric, ...]
) -> float:
    """Return ``number``, a setting as told in ``unit``, no higher than the highest dial told.

    Nearest rounding may tell a setting a degree above the limit of a fabric that allows it: 147 °C
    is 296.6 °F, told as 297 beside "set 296 °F or less". ``value`` is the setting itself.
    """
    for fabric in fabrics:
        bound = limit(factor, fabric)
        if bound is not None and factor.reach.hottest(value) <= bound + _TOLERANCE:
            number = min(number, _highest_number(factor, bound, unit))
    return number


def setting_text(factor: Factor, value: Any, unit: str, fabrics: tuple[Fabric, ...]) -> str:
    """Return a setting as text, a temperature in ``unit``; see ``no_higher``."""
    if not factor.is_temperature or unit == factor.unit:
        return factor.format(value)
    number = round(units.convert(float(value), factor.unit, unit))
    return f"{no_higher(factor, number, float(value), unit, fabrics):g} {unit}"


def in_range(factor: Factor, fabric: Fabric) -> tuple[Any, ...]:
    """Return every setting in the fabric's own range, ignoring its heat limit."""
    own = fabric.ranges.get(factor.name)
    if own is None:
        return factor.settings()
    if not factor.is_numeric:
        return tuple(word for word in factor.levels if word in own)
    low, high = own
    return tuple(s for s in factor.settings() if low - _TOLERANCE <= s <= high + _TOLERANCE)


def allowed(factor: Factor, fabric: Fabric) -> tuple[Any, ...]:
    """Return every setting in the fabric's range that keeps its heat limit; may be empty."""
    bound = limit(factor, fabric)
    settings = in_range(factor, fabric)
    if bound is None:
        return settings
    reach = factor.reach
    return tuple(s for s in settings if reach.hottest(s) <= bound + _TOLERANCE)


def usual(factor: Factor, fabric: Fabric, settings: tuple[Any, ...]) -> Any:
    """Return the fabric's usual setting, else the factor's, moved to the nearest of ``settings``.

    A tie goes to the lower setting; an unavailable unordered word is replaced by the first.
    """
    wanted = fabric.usual.get(factor.name, factor.usual)
    if factor.is_numeric:
        return min(settings, key=lambda s: (round(abs(s - float(wanted)), 9), s))
    if wanted in settings or not factor.ordered:
        return wanted if wanted in settings else settings[0]
    place = factor.levels.index
    return min(settings, key=lambda s: (abs(place(s) - place(str(wanted))), place(s)))


def too_hot_today(factor: Factor, fabric: Fabric) -> Any:
    """Return the fabric's usual setting where its heat limit does not allow it; else None."""
    bound = limit(factor, fabric)
    if bound is None:
        return None
    wanted = usual(factor, fabric, in_range(factor, fabric))
    return wanted if factor.reach.hottest(wanted) > bound + _TOLERANCE else None


def normalised_fabric(fabric: Fabric, factors: tuple[Factor, ...]) -> Fabric:
    """Return the fabric in the session's spelling, its own settings checked."""
    known = {f.name: f for f in factors}
    place = f"fabric {fabric.name!r}"
    ranges: dict[str, tuple[Any, ...]] = {}
    own: dict[str, Any] = {}
    with fields.at(place, SessionError):
        for given, value in fabric.ranges.items():
            factor = known[fields.spelled(given, list(known), "factor")]
            ranges[factor.name] = _own_range(factor, value)
        for given, wanted in fabric.usual.items():
            factor = known[fields.spelled(given, list(known), "factor")]
            own[factor.name] = _own_usual(factor, wanted, ranges.get(factor.name))
    if ranges == fabric.ranges and own == fabric.usual:
        return fabric
    return replace(fabric, ranges=ranges, usual=own)


def refusal(
    factors: tuple[Factor, ...],
    forbidden: tuple[Forbidden, ...],
    fabric: Fabric,
    settings: Mapping[str, Any],
    unit: str,
) -> str:
    """Return one line why a press may not be made; "" when it may. See ``Session.refusal``."""
    given = {f.name: settings[f.name] for f in factors if not _missing(settings.get(f.name))}
    for check in (_too_hot, _out_of_range):
        for factor in factors:
            if factor.name in given:
                line = check(factor, fabric, given[factor.name], unit)
                if line:
                    return line
    for corner in forbidden:
        if set(corner.names) <= set(given):
            found = corners.first_met((corner,), factors, given, fabric.name)
            if found is not None:
                return f"{fabric.name}: forbidden combination: {found}"
    return ""


def limit_note(factors: tuple[Factor, ...], fabric: Fabric, unit: str) -> str:
    """Return one line: the limit, the heat press's excess over its dial, and the highest dial."""
    held = [(f, bound) for f in factors if (bound := limit(f, fabric)) is not None]
    if not held:
        return ""
    parts = [f"{fabric.name} takes {_limit_text(fabric, unit)} at most."]
    for factor, bound in held:
        machine = (
            "The heat press" if len(held) == 1 else f"The {fields.without_underscores(factor.name)}"
        )
        parts.append(f"{machine} {_excess_text(factor, bound, unit)}: {_set(factor, bound, unit)}.")
    return " ".join(parts)


def nothing_left(
    factors: tuple[Factor, ...], forbidden: tuple[Forbidden, ...], fabric: Fabric, unit: str
) -> str:
    """Return why a fabric cannot be pressed at all, and what to do; "" when it can."""
    for factor in factors:
        bound = limit(factor, fabric)
        # Of a fabric without a limit every setting in its range is allowed, and there is one.
        if bound is not None and not allowed(factor, fabric):
            return _none_left(factor, fabric, bound, unit)
    if forbidden:
        choices = {f.name: allowed(f, fabric) for f in factors}
        return corners.leaves_nothing(forbidden, factors, choices, fabric.name)
    return ""


def _none_left(factor: Factor, fabric: Fabric, bound: float, unit: str) -> str:
    lowest = in_range(factor, fabric)[0]
    met = factor.hottest(lowest)
    # Neither helps where the dial itself is past the limit.
    machine = "calibrate the heat press, " if factor.measured else "measure the heat press, "
    do = machine if lowest <= bound + _TOLERANCE else ""
    name = fields.without_underscores(factor.name)
    return (
        f"{fabric.name} takes {_limit_text(fabric, unit)} at most, and the lowest setting of "
        f"{name}, {factor.format(lowest, unit)}, {_meets(factor, met, unit)}: "
        f"{_up(met - bound, factor, unit, difference=True)} too hot; {do}lower the range, "
        "take a powder that melts lower, or use another method"
    )


def _too_hot(factor: Factor, fabric: Fabric, value: Any, unit: str) -> str:
    bound = limit(factor, fabric)
    if bound is None or not fields.is_number(value):
        return ""
    met = factor.hottest(float(value))
    if met <= bound + _TOLERANCE:
        return ""
    return (
        f"{fabric.name} takes {_limit_text(fabric, unit)} at most: "
        f"{fields.without_underscores(factor.name)} "
        f"{factor.format(value, unit)} {_meets(factor, met, unit)}, "
        f"{_up(met - bound, factor, unit, difference=True)} too hot; {_set(factor, bound, unit)}"
    )


def _out_of_range(factor: Factor, fabric: Fabric, value: Any, unit: str) -> str:
    shown_in = unit if factor.is_temperature else None
    place = f"{fabric.name}, {fields.without_underscores(factor.name)}"
    if not factor.is_numeric:
        words = in_range(factor, fabric)
        known = {word.casefold() for word in words}
        if isinstance(value, str) and value.strip().casefold() in known:
            return ""
        return f"{place}: got {fields.quoted(value)}; accepted {' or '.join(words)}"
    low, high = fabric.ranges.get(factor.name, factor.bounds)
    accepted = f"accepted {factor.format(low, shown_in)} to {factor.format(high, shown_in)}"
    if not fields.is_number(value):
        return f"{place}: got {fields.quoted(value)}; {accepted}"
    if low - _TOLERANCE <= float(value) <= high + _TOLERANCE:
        return ""
    return f"{place}: got {factor.format(value, shown_in)}; {accepted}"


def _limit_text(fabric: Fabric, unit: str) -> str:
    """Return the limit in the reading unit and as it was given."""
    own = f"{fabric.heat_limit:g} {fabric.unit}"
    if unit == fabric.unit:
        return own
    return f"{math.floor((fabric.limit_in(unit) or 0.0) + 1e-6)} {unit} ({own})"


def _meets(factor: Factor, met: float, unit: str) -> str:
    if factor.measured:
        return f"reaches up to {_up(met, factor, unit)} (measured)"
    return f"may reach {_up(met, factor, unit)} {_allowance(factor, unit)}"


def _excess_text(factor: Factor, bound: float, unit: str) -> str:
    """Return how far the heat press may exceed its dial, for the limit note."""
    if not factor.measured:
        return f"may run hotter than its dial {_allowance(factor, unit)}"
    dial = factor.reach.highest_set(bound)
    if bound - dial <= _TOLERANCE:
        return "reaches no more than its dial (measured)"
    more = _up(bound - dial, factor, unit, difference=True)
    return f"reaches up to {more} above its dial (measured)"


def _allowance(factor: Factor, unit: str) -> str:
    if not factor.spread:
        return "(not measured, no allowance)"
    return f"(not measured: allowance {_up(factor.spread, factor, unit, difference=True)})"


def _set(factor: Factor, bound: float, unit: str) -> str:
    return f"set {_highest(factor, bound, unit)} or less"


def _highest(factor: Factor, bound: float, unit: str) -> str:
    return f"{fields.int_if_whole(_highest_number(factor, bound, unit))} {unit}"


def _highest_number(factor: Factor, bound: float, unit: str) -> float:
    return _rounded(factor.reach.highest_set(bound), factor, unit, math.floor)


def _up(value: float, factor: Factor, unit: str, difference: bool = False) -> str:
    number = _rounded(value, factor, unit, math.ceil, difference)
    return f"{fields.int_if_whole(number)} {unit}"


def _rounded(value: float, factor: Factor, unit: str, to: Any, difference: bool = False) -> float:
    """Round to the safe side: what may be set down to the dial's digits, what is reached up."""
    converted = units.convert_difference if difference else units.convert
    scale = 10**factor.dial_places if to is math.floor else 10
    if unit != factor.unit:
        scale = 1
    nudge = -1e-6 if to is math.ceil else 1e-6
    return float(to(converted(value, factor.unit, unit) * scale + nudge) / scale)


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def _own_range(factor: Factor, value: tuple[Any, ...]) -> tuple[Any, ...]:
    where = f"ranges: {factor.name}"
    if not factor.is_numeric:
        chosen = {fields.one_of(word, factor.levels, where) for word in value}
        words = tuple(word for word in factor.levels if word in chosen)
        places = [factor.levels.index(word) for word in words]
        # A window of ordered words is given by its two ends, so all between must be allowed.
        if factor.ordered and places[-1] - places[0] >= len(places):
            raise SessionError(f"{where} is {and_list(words)}; give neighbours of {factor.levels}")
        return words
    low, high = factor.bounds
    ends = f"{factor.format(low)} to {factor.format(high)}"
    if any(isinstance(end, str) for end in value):
        raise fields.refusal(where, list(value), f"[low, high], in {ends}")
    bottom, top = value
    if bottom < low - _TOLERANCE or top > high + _TOLERANCE:
        raise SessionError(f"{where} is {bottom:g} to {top:g}; it must lie in {ends}")
    if not any(bottom - _TOLERANCE <= s <= top + _TOLERANCE for s in factor.settings()):
        raise SessionError(
            f"{where} is {bottom:g} to {top:g}; no setting lies in it: they go from "
            f"{factor.format(low)} in steps of {factor.grid_step:g}"
        )
    return bottom, top


def _own_usual(factor: Factor, value: Any, own: tuple[Any, ...] | None) -> Any:
    where = f"usual: {factor.name}"
    if not factor.is_numeric:
        word = fields.one_of(value, factor.levels, where)
        if own is not None and word not in own:
            raise fields.refusal(where, word, f"one of {and_list(own)}")
        return word
    low, high = own or factor.bounds
    if isinstance(value, str) or not low - _TOLERANCE <= value <= high + _TOLERANCE:
        raise fields.refusal(where, value, f"from {factor.format(low)} to {factor.format(high)}")
    return value
