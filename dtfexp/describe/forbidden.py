"""Forbidden combinations of settings: a corner, or everything beyond a sloping limit."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING, Any

from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

Condition = str | tuple[str, ...]
Point = tuple[tuple[str, str], tuple[str, str]]
"""Two numeric factors and the value of each, as text."""

_ACCEPTED = 'such as "> 140", ">= 140 °C", "< 8", "140 to 150" or "= 150"'
_NUMBER = r"[+-]?\d+(?:[.,]\d+)?"
_UNIT = r"([^\d<>=]*?)"
_COMPARED = re.compile(rf"(>=|<=|≥|≤|>|<|=)?\s*({_NUMBER})\s*{_UNIT}")
_BETWEEN = re.compile(rf"({_NUMBER})\s*{_UNIT}\s*(?:to|–|-)\s*({_NUMBER})\s*{_UNIT}")
_SIGNS: dict[str, Callable[[Any, Any], Any]] = {
    ">=": operator.ge, "≥": operator.ge, "<=": operator.le, "≤": operator.le,
    ">": operator.gt, "<": operator.lt,
}  # fmt: skip
_TOLERANCE = 1e-9
#: Far more than a bench has; a file from elsewhere must not keep the reader busy.
_MOST_CORNERS = 100
_MOST_CHECKS = 200_000


@dataclass(frozen=True, init=False, repr=False)
class Forbidden:
    """One forbidden corner: a press lies in it when every condition holds.

    ``conditions`` maps a factor's name to what is forbidden: for numbers text such as "> 140", "<=
    8 s" or "140 to 150 °C" (without a unit: in the factor's own), for words a word or a list of
    words. ``above`` is a sloping limit: two points of two numeric factors, such as ``[{"heat": 160,
    "time": 10}, {"heat": 150, "time": 20}]``; everything on or beyond the falling line through them
    is forbidden. ``fabric`` limits the corner to one fabric ("": all fabrics); ``note`` gives the
    reason.

    Raises ``SessionError`` for an invalid description.
    """

    conditions: tuple[tuple[str, Condition], ...]
    fabric: str
    note: str
    above: tuple[Point, ...]

    def __init__(
        self,
        conditions: Mapping[str, Any] | None = None,
        fabric: str = "",
        note: str = "",
        above: Iterable[Mapping[str, Any]] = (),
    ) -> None:
        points = _points(above)
        conditions = {} if conditions is None else conditions
        if not isinstance(conditions, Mapping) or not (conditions or points):
            raise SessionError(
                f"forbidden: got {fields.quoted(conditions)}; name at least one factor and what is "
                f"forbidden of it, {_ACCEPTED}"
            )
        pairs = tuple((str(name), _condition_of(name, value)) for name, value in conditions.items())
        object.__setattr__(self, "conditions", pairs)
        object.__setattr__(self, "fabric", fields.free_text(fabric, "forbidden", "fabric").strip())
        object.__setattr__(self, "note", fields.free_text(note, "forbidden", "note").strip())
        object.__setattr__(self, "above", points)

    @property
    def names(self) -> tuple[str, ...]:
        """The factors of the conditions and the limit, each once."""
        sloping = [name for point in self.above[:1] for name, _ in point]
        return tuple(dict.fromkeys([name for name, _ in self.conditions] + sloping))

    def holds(self, factors: Mapping[str, Factor], value_of: Callable[[str], Any]) -> Any:
        """Return whether every condition holds: a bool, or an array of them for arrays."""
        found: Any = None
        for name, condition in self.conditions:
            here = _holds(factors[name], condition, value_of(name))
            found = here if found is None else found & here
        if self.above:
            here = _beyond(factors, self.above, value_of)
            found = here if found is None else found & here
        return found

    def __str__(self) -> str:
        parts = [
            f"{name} {condition if isinstance(condition, str) else ' or '.join(condition)}"
            for name, condition in self.conditions
        ]
        if self.above:
            first, second = (" and ".join(value for _, value in point) for point in self.above)
            names = " and ".join(name for name, _ in self.above[0])
            parts.append(f"{names} on or beyond the line from {first} to {second}")
        text = " with ".join(parts)
        text += f", for {self.fabric}" if self.fabric else ""
        return text + (f": {self.note}" if self.note else "")

    def __repr__(self) -> str:
        return f"Forbidden({self})"


def normalised(
    given: Iterable[Forbidden | Mapping[str, Any]],
    factors: tuple[Factor, ...],
    fabrics: tuple[Fabric, ...],
) -> tuple[Forbidden, ...]:
    """Return forbidden corners in the session's spelling, each checked against the session.

    In a plain mapping the keys ``fabric`` and ``note`` are reserved; all others are factors, in
    which an underscore may replace a blank. Raises ``SessionError`` naming the corner.
    """
    known = {f.name: f for f in factors}
    given = tuple(given)
    if len(given) > _MOST_CORNERS:
        raise SessionError(
            f"forbidden: got {len(given)} corners; accepted are at most {_MOST_CORNERS}"
        )
    out = []
    for place, one in enumerate(given, start=1):
        try:
            out.append(_settled(_as_forbidden(one), known, [f.name for f in fabrics]))
        except SessionError as error:
            text = str(error).removeprefix("forbidden: ")
            raise SessionError(f"forbidden, number {place}: {text}") from None
    return tuple(out)


def permitted(
    forbidden: tuple[Forbidden, ...],
    factors: tuple[Factor, ...],
    settings: pd.DataFrame,
    fabric: str | None,
) -> NDArray[np.bool_]:
    """See ``Session.permits``."""
    known = {f.name: f for f in factors}
    bad: Any = settings.index.isin(())
    fabrics = None if fabric is not None or "fabric" not in settings else settings["fabric"]
    for one in forbidden:
        here = one.holds(known, lambda name: settings[name].to_numpy())
        if one.fabric and fabrics is not None:
            here = here & (fabrics == one.fabric).to_numpy()
        elif one.fabric and one.fabric != fabric:
            continue
        bad = bad | here
    allowed: NDArray[np.bool_] = ~bad
    return allowed


def first_met(
    forbidden: tuple[Forbidden, ...],
    factors: tuple[Factor, ...],
    settings: Mapping[str, Any],
    fabric: str,
) -> Forbidden | None:
    """Return the first forbidden corner that contains a press, or None."""
    known = {f.name: f for f in factors}
    for one in forbidden:
        if one.fabric in ("", fabric) and bool(one.holds(known, settings.__getitem__)):
            return one
    return None


def leaves_nothing(
    forbidden: tuple[Forbidden, ...],
    factors: tuple[Factor, ...],
    allowed: Mapping[str, tuple[Any, ...]],
    fabric: str,
) -> str:
    """Return one line when the forbidden corners leave no setting for a fabric, else "".

    ``allowed``: what every factor may be set to for the fabric, from low to high. Settings that
    meet the same conditions are equivalent, so only the lowest of each kind is checked: it lies
    beyond a sloping limit only if all of its kind do.
    """
    choices = []
    for factor in factors:
        conditions = [t for one in forbidden for name, t in one.conditions if name == factor.name]
        kinds: dict[tuple[bool, ...], Any] = {}
        for value in allowed[factor.name]:
            kinds.setdefault(tuple(bool(_holds(factor, t, value)) for t in conditions), value)
        choices.append(list(kinds.values()))
    names = [f.name for f in factors]
    for looked_at, values in enumerate(product(*choices)):
        settings = dict(zip(names, values, strict=True))
        if (
            first_met(forbidden, factors, settings, fabric) is None
            or looked_at * len(forbidden) > _MOST_CHECKS
        ):
            return ""
    mine = [f"({one})" for one in forbidden if one.fabric in ("", fabric)]
    return (
        f"fabric {fabric!r}: what is forbidden leaves no setting to press it with; "
        f"loosen one of {', '.join(mine)}"
    )


def _as_forbidden(value: Forbidden | Mapping[str, Any]) -> Forbidden:
    if isinstance(value, Forbidden):
        return value
    if not isinstance(value, Mapping):
        raise SessionError(
            f"forbidden: got {fields.quoted(value)}; give a table of factors and what is forbidden "
            f"of each, {_ACCEPTED}"
        )
    kept = {key: value[key] for key in ("fabric", "note") if key in value}
    if isinstance(value.get("above"), (list, tuple)):
        kept["above"] = value["above"]
    return Forbidden({k: v for k, v in value.items() if k not in kept}, **kept)


def _settled(one: Forbidden, factors: dict[str, Factor], fabrics: list[str]) -> Forbidden:
    fabric = one.fabric and fields.spelled(one.fabric, fabrics, "fabric")
    conditions: dict[str, Condition] = {}
    for given, written in one.conditions:
        name = fields.spelled(given, list(factors), "factor")
        if name in conditions:
            raise SessionError(f"factor {name!r} is given twice; write one condition for it")
        factor = factors[name]
        condition = _checked_condition(factor, written)
        happens = any(_holds(factor, condition, value) for value in factor.settings())
        # Without a unit, another unit may be meant, and the condition would have no effect.
        if not happens and factor.unit and not any(letter.isalpha() for letter in str(condition)):
            low, high = factor.bounds
            raise SessionError(
                f"{name} is {condition!r}, which never happens: it is set from "
                f"{factor.format(low)} to {factor.format(high)}; if that is meant, write the unit "
                "too"
            )
        conditions[name] = condition
    return Forbidden(conditions, fabric, one.note, _line(one.above, factors))


def _line(points: tuple[Point, ...], factors: dict[str, Factor]) -> list[dict[str, str]]:
    """Return the two points of a sloping limit with the session's names and units."""
    settled = []
    for point in points:
        own: dict[str, str] = {}
        for given, text in point:
            factor = factors[fields.spelled(given, list(factors), "factor")]
            if not factor.is_numeric:
                raise SessionError(f"above: {factor.name} has words; a line needs two numbers")
            _value(factor, text)
            bare = not any(letter.isalpha() for letter in text)
            own[factor.name] = f"{text} {factor.unit}".strip() if bare else text
        settled.append(own)
    if not settled:
        return []
    names = list(settled[0])
    if len(names) != 2 or set(settled[1]) != set(names):
        raise SessionError("above: give the same two factors at both points")
    (x, y), (x2, y2) = ([_value(factors[n], point[n]) for n in names] for point in settled)
    if (x2 - x) * (y2 - y) >= 0:
        raise SessionError(
            f"above: from {settled[0]} to {settled[1]} the line does not fall; the point with more "
            f"{names[0]} needs less {names[1]}"
        )
    top = {name: factors[name].bounds[1] for name in names}
    line = Forbidden(above=settled)
    lettered = all(any(c.isalpha() for c in text) for point in points for _, text in point)
    if not lettered and not line.holds(factors, top.__getitem__):
        raise SessionError(
            f"above: {line} never happens in these ranges; if that is meant, write the units too"
        )
    return [{name: point[name] for name in names} for point in settled]


def _points(above: object) -> tuple[Point, ...]:
    accepted = "give two points, each a table of two factors and a value of each"
    if isinstance(above, (str, bytes, Mapping)) or not isinstance(above, Iterable):
        raise SessionError(f"forbidden: above is {fields.quoted(above)}; {accepted}")
    points = []
    for point in above:
        if not isinstance(point, Mapping) or len(point) != 2:
            raise SessionError(f"forbidden: above holds {fields.quoted(point)}; {accepted}")
        (a, x), (b, y) = point.items()
        points.append(((str(a), _text(a, x)), (str(b), _text(b, y))))
    if len(points) not in (0, 2):
        raise SessionError(f"forbidden: above holds {len(points)} points; {accepted}")
    return tuple(points)


def _text(name: object, value: Any) -> str:
    if isinstance(value, str):
        return fields.free_text(value, "forbidden: above", str(name)).strip()
    return str(fields.int_if_whole(fields.number(value, "forbidden: above", str(name))))


def _value(factor: Factor, text: str) -> float:
    found = _COMPARED.fullmatch(text)
    if not found or found.group(1):
        raise SessionError(f'above: {factor.name} is {text!r}; write a number, such as "150 °C"')
    return _number(factor, found.group(2), found.group(3))


def _beyond(
    factors: Mapping[str, Factor], points: tuple[Point, ...], value_of: Callable[[str], Any]
) -> Any:
    """Return where two settings lie on or beyond the falling line through two points."""
    first, second = (dict(point) for point in points)
    a, b = first
    x1, y1, x2, y2 = (
        _value(factors[name], point[name]) for point in (first, second) for name in (a, b)
    )
    # Counted from the first point in lengths of the line, the two add up to 0 on it.
    past = (value_of(a) - x1) / abs(x2 - x1) + (value_of(b) - y1) / abs(y2 - y1)
    return past >= -_TOLERANCE


def _checked_condition(factor: Factor, given: Condition) -> Condition:
    """Return a condition in the factor's form: text for a number, known words for words."""
    if not factor.is_numeric:
        return tuple(factor.snap(word) for word in ((given,) if isinstance(given, str) else given))
    if isinstance(given, str):
        return given
    raise SessionError(f"{factor.name} is {fields.quoted(list(given))}; write {_ACCEPTED}")


def _condition_of(name: object, value: Any) -> Condition:
    place = f"forbidden: {name}"
    if isinstance(value, str):
        return fields.free_text(value, "forbidden", str(name)).strip()
    if isinstance(value, (list, tuple)) and value:
        return tuple(fields.name(word, place) for word in value)
    number = fields.number(value, "forbidden", str(name), f"text {_ACCEPTED}, or a list of words")
    return f"= {fields.int_if_whole(number)}"


def _holds(factor: Factor, given: Condition, value: Any) -> Any:
    """Return whether a setting (or each of an array of settings) meets one condition."""
    if isinstance(given, tuple):
        found: Any = False
        for word in given:
            found = found | (value == word)
        return found
    found = True
    for compare, limit in _compared(factor, given):
        # Rounding of a limit given in another unit must not miss the setting meant.
        slack = _TOLERANCE * max(1.0, abs(limit))
        off = slack if compare in (operator.le, operator.gt) else -slack
        found = found & compare(value, limit + off)
    return found


@lru_cache(maxsize=512)
def _compared(factor: Factor, given: str) -> tuple[tuple[Callable[[Any, Any], Any], float], ...]:
    """Return the text of a condition as comparisons in the factor's own unit."""
    between = _BETWEEN.fullmatch(given)
    if between:
        first, unit, second, last = between.groups()
        low, high = _number(factor, first, unit or last), _number(factor, second, last)
        if low > high:
            raise SessionError(f"{factor.name} is {given!r}; write the lower number first")
        return ((operator.ge, low), (operator.le, high))
    compared = _COMPARED.fullmatch(given)
    if not compared:
        raise SessionError(f"{factor.name} is {given!r}; write {_ACCEPTED}")
    sign, digits, unit = compared.groups()
    limit = _number(factor, digits, unit)
    if sign in _SIGNS:
        return ((_SIGNS[sign], limit),)
    return ((operator.ge, limit), (operator.le, limit))


def _number(factor: Factor, digits: str, unit: str) -> float:
    value = float(digits.replace(",", "."))
    return units.convert(value, unit, factor.unit) if unit.strip() else value
