"""Settings that must not meet in one press: a forbidden corner of the ranges."""

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

Told = str | tuple[str, ...]

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
_MOST_LOOKED_AT = 100_000


@dataclass(frozen=True, init=False, repr=False)
class Forbidden:
    """One forbidden corner: a press lies in it where every condition holds.

    ``conditions`` pairs a factor's name with what is forbidden of it: text such as "> 140",
    "<= 8 s" or "140 to 150 °C" for a number (without a unit: in the factor's own), words for
    words. ``fabric`` keeps it to one fabric ("": all of them); ``note`` says why.

    Raises ``SessionError`` for a description that does not make sense.
    """

    conditions: tuple[tuple[str, Told], ...]
    fabric: str
    note: str

    def __init__(self, conditions: Mapping[str, Any], fabric: str = "", note: str = "") -> None:
        if not isinstance(conditions, Mapping) or not conditions:
            raise SessionError(
                f"forbidden: got {fields.shown(conditions)}; name at least one factor and what is "
                f"forbidden of it, {_ACCEPTED}"
            )
        pairs = tuple((str(name), _told(name, value)) for name, value in conditions.items())
        object.__setattr__(self, "conditions", pairs)
        object.__setattr__(self, "fabric", fields.free_text(fabric, "forbidden", "fabric").strip())
        object.__setattr__(self, "note", fields.free_text(note, "forbidden", "note").strip())

    def holds(self, factors: Mapping[str, Factor], value_of: Callable[[str], Any]) -> Any:
        """Where every condition holds: bool, or an array of them when values are arrays."""
        found: Any = None
        for name, told in self.conditions:
            here = _holds(factors[name], told, value_of(name))
            found = here if found is None else found & here
        return found

    def __str__(self) -> str:
        text = " with ".join(
            f"{name} {told if isinstance(told, str) else ' or '.join(told)}"
            for name, told in self.conditions
        )
        text += f", for {self.fabric}" if self.fabric else ""
        return text + (f": {self.note}" if self.note else "")

    def __repr__(self) -> str:
        return f"Forbidden({self})"


def settled(
    given: Iterable[Forbidden | Mapping[str, Any]],
    factors: tuple[Factor, ...],
    fabrics: tuple[Fabric, ...],
) -> tuple[Forbidden, ...]:
    """Forbidden corners with the names as the session spells them, each checked against it.

    In a plain mapping the keys fabric and note are kept for these two; all others are factors, in
    which an underscore may stand for a blank. Raises ``SessionError`` naming the corner.
    """
    known = {f.name: f for f in factors}
    out = []
    for place, one in enumerate(given, start=1):
        try:
            out.append(_settled(_as_forbidden(one), known, [f.name for f in fabrics]))
        except SessionError as error:
            text = str(error).removeprefix("forbidden: ")
            raise SessionError(f"forbidden, number {place}: {text}") from None
    return tuple(out)


def permits(
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


def clash(
    forbidden: tuple[Forbidden, ...],
    factors: tuple[Factor, ...],
    settings: Mapping[str, Any],
    fabric: str,
) -> Forbidden | None:
    """The first forbidden corner in which one press lies, or None."""
    known = {f.name: f for f in factors}
    for one in forbidden:
        if one.fabric in ("", fabric) and bool(one.holds(known, settings.__getitem__)):
            return one
    return None


def check_something_is_left(
    forbidden: tuple[Forbidden, ...],
    factors: tuple[Factor, ...],
    allowed: Mapping[str, tuple[Any, ...]],
    fabric: str,
) -> None:
    """Raise ``SessionError`` when the forbidden corners leave no setting for a fabric.

    allowed: what every factor may be set to for the fabric. Settings that meet the same
    conditions are alike here, so that one of each kind is looked at.
    """
    choices = []
    for factor in factors:
        conditions = [t for one in forbidden for name, t in one.conditions if name == factor.name]
        kinds = {
            tuple(bool(_holds(factor, told, value)) for told in conditions): value
            for value in allowed[factor.name]
        }
        choices.append(list(kinds.values()))
    names = [f.name for f in factors]
    for looked_at, values in enumerate(product(*choices)):
        settings = dict(zip(names, values, strict=True))
        if clash(forbidden, factors, settings, fabric) is None or looked_at > _MOST_LOOKED_AT:
            return
    mine = [f"({one})" for one in forbidden if one.fabric in ("", fabric)]
    raise SessionError(
        f"fabric {fabric!r}: what is forbidden leaves no setting to press it with; "
        f"loosen one of {', '.join(mine)}"
    )


def _as_forbidden(value: Forbidden | Mapping[str, Any]) -> Forbidden:
    if isinstance(value, Forbidden):
        return value
    if not isinstance(value, Mapping):
        raise SessionError(
            f"forbidden: got {fields.shown(value)}; give a table of factors and what is forbidden "
            f"of each, {_ACCEPTED}"
        )
    kept = {key: value[key] for key in ("fabric", "note") if key in value}
    return Forbidden({k: v for k, v in value.items() if k not in kept}, **kept)


def _settled(one: Forbidden, factors: dict[str, Factor], fabrics: list[str]) -> Forbidden:
    fabric = one.fabric and _name(one.fabric, fabrics, "fabric")
    conditions: dict[str, Told] = {}
    for given, written in one.conditions:
        name = _name(given, list(factors), "factor")
        if name in conditions:
            raise SessionError(f"factor {name!r} stands twice; write one condition for it")
        factor = factors[name]
        told = _fitting(factor, written)
        happens = any(_holds(factor, told, value) for value in factor.settings())
        # Without a unit it may well be meant in another one, and would then guard nothing.
        if not happens and factor.unit and not any(letter.isalpha() for letter in str(told)):
            low, high = factor.bounds
            raise SessionError(
                f"{name} is {told!r}, which never happens: it is set from {factor.format(low)} to "
                f"{factor.format(high)}; if that is meant, write the unit too"
            )
        conditions[name] = told
    return Forbidden(conditions, fabric, one.note)


def _fitting(factor: Factor, told: Told) -> Told:
    """A condition of the factor's kind: text for a number, known words for words."""
    if not factor.is_numeric:
        return tuple(factor.snap(word) for word in ((told,) if isinstance(told, str) else told))
    if isinstance(told, str):
        return told
    raise SessionError(f"{factor.name} is {fields.shown(list(told))}; write {_ACCEPTED}")


def _name(given: str, known: list[str], word: str) -> str:
    by_key = {name.casefold().replace("_", " "): name for name in known}
    key = given.strip().casefold().replace("_", " ")
    if given in known or key in by_key:
        return given if given in known else by_key[key]
    hint = fields.nearest(given, known)
    raise SessionError(f"{word} {given!r} is not in this session{hint}; it has {', '.join(known)}")


def _told(name: object, value: Any) -> Told:
    place = f"forbidden: {name}"
    if isinstance(value, str):
        return fields.free_text(value, "forbidden", str(name)).strip()
    if isinstance(value, (list, tuple)) and value:
        return tuple(fields.name(word, place) for word in value)
    number = fields.number(value, "forbidden", str(name), f"text {_ACCEPTED}, or a list of words")
    return f"= {fields.plain(number)}"


def _holds(factor: Factor, told: Told, value: Any) -> Any:
    """Whether a setting (or each of an array of settings) meets one condition."""
    if isinstance(told, tuple):
        found: Any = False
        for word in told:
            found = found | (value == word)
        return found
    found = True
    for compare, limit in _compared(factor, told):
        # A limit given in another unit must not miss the setting that it means.
        slack = _TOLERANCE * max(1.0, abs(limit))
        off = slack if compare in (operator.le, operator.gt) else -slack
        found = found & compare(value, limit + off)
    return found


@lru_cache(maxsize=512)
def _compared(factor: Factor, told: str) -> tuple[tuple[Callable[[Any, Any], Any], float], ...]:
    """The text of a condition as comparisons in the factor's own unit."""
    between = _BETWEEN.fullmatch(told)
    if between:
        first, unit, second, last = between.groups()
        low, high = _number(factor, first, unit or last), _number(factor, second, last)
        if low > high:
            raise SessionError(f"{factor.name} is {told!r}; write the lower number first")
        return ((operator.ge, low), (operator.le, high))
    compared = _COMPARED.fullmatch(told)
    if not compared:
        raise SessionError(f"{factor.name} is {told!r}; write {_ACCEPTED}")
    sign, digits, unit = compared.groups()
    limit = _number(factor, digits, unit)
    if sign in _SIGNS:
        return ((_SIGNS[sign], limit),)
    return ((operator.ge, limit), (operator.le, limit))


def _number(factor: Factor, digits: str, unit: str) -> float:
    value = float(digits.replace(",", "."))
    return units.convert(value, unit, factor.unit) if unit.strip() else value
