"""A fabric: its heat limit, and its own usual settings and ranges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError

_RANGES = "each [low, high] or a list of words"


@dataclass(frozen=True, init=False, repr=False)
class Fabric:
    """A fabric of the session.

    ``heat_limit`` is the hottest temperature the fabric may meet, in ``unit`` (°C or °F), from the
    care label or the maker; None when not known. It limits what the heat press reaches, not its
    dial: see ``Factor.hottest``. ``usual`` maps a factor's name to this fabric's setting today.
    ``ranges`` maps it to the fabric's part of the factor's range: (low, high) in the factor's unit,
    or a list of words. A factor that is not named there keeps its own.

    Raises ``SessionError`` for an invalid description.
    """

    name: str
    heat_limit: float | None
    unit: str
    notes: str
    usual: Mapping[str, float | str] = field(hash=False)
    ranges: Mapping[str, tuple[Any, ...]] = field(hash=False)

    def __init__(
        self,
        name: str,
        heat_limit: float | None = None,
        unit: str = "°C",
        notes: str = "",
        usual: Mapping[str, float | str] | None = None,
        ranges: Mapping[str, Any] | None = None,
    ) -> None:
        name = fields.name(name, "fabric")
        place = f"fabric {name!r}"
        with fields.at(place, SessionError):
            unit = units.canonical(unit)
        if not units.is_temperature(unit):
            raise SessionError(f"{place}: unit is {unit!r}; a heat limit is in °C or °F")
        if heat_limit is not None:
            heat_limit = fields.number(
                heat_limit, place, "heat_limit", "a temperature, or left out when none is known"
            )
            if heat_limit <= units.lowest(unit):
                raise SessionError(
                    f"{place}: heat_limit is {heat_limit:g} {unit}; that is below absolute zero"
                )
        object.__setattr__(self, "name", name)
        object.__setattr__(self, "heat_limit", heat_limit)
        object.__setattr__(self, "unit", unit)
        object.__setattr__(self, "notes", fields.free_text(notes, place, "notes"))
        own = _table(place, "usual", usual, "each a number or a word")
        object.__setattr__(self, "usual", {k: _usual(place, k, v) for k, v in own.items()})
        own = _table(place, "ranges", ranges, _RANGES)
        object.__setattr__(self, "ranges", {k: _range(place, k, v) for k, v in own.items()})

    def limit_in(self, unit: str) -> float | None:
        """Return the heat limit in ``unit`` (°C or °F), or None without a limit."""
        if self.heat_limit is None:
            return None
        return units.convert(self.heat_limit, self.unit, unit)

    def __repr__(self) -> str:
        if self.heat_limit is None:
            return f"Fabric({self.name!r})"
        return f"Fabric({self.name!r}, up to {self.heat_limit:g} {self.unit})"


def _table(place: str, key: str, given: object, accepted: str) -> dict[str, Any]:
    if given is None:
        return {}
    if not isinstance(given, Mapping):
        raise fields.refusal(f"{place}, {key}", given, f"a table of settings, {accepted}")
    return {fields.name(name, f"{place}: {key}"): value for name, value in given.items()}


def _usual(place: str, name: str, value: Any) -> float | str:
    if isinstance(value, str):
        return value.strip()
    return fields.number(value, f"{place}: usual", name, "a number or a word")


def _range(place: str, name: str, value: Any) -> tuple[Any, ...]:
    where = f"{place}: ranges"
    given = (value,) if isinstance(value, str) else value
    if not isinstance(given, (list, tuple)) or not given:
        raise fields.refusal(f"{where}, {name}", value, _RANGES)
    if all(isinstance(word, str) for word in given):
        return tuple(word.strip() for word in given)
    if len(given) != 2:
        raise fields.refusal(f"{where}, {name}", value, _RANGES)
    low, high = (fields.number(end, where, name, _RANGES) for end in given)
    if low > high:
        raise SessionError(f"{where}: {name} is {low:g} to {high:g}; write the lower number first")
    return low, high


def as_fabric(value: Fabric | str) -> Fabric:
    """Return ``value`` as a ``Fabric``; a plain string makes a fabric without a limit."""
    if isinstance(value, Fabric):
        return value
    if isinstance(value, str):
        return Fabric(value)
    raise SessionError(f"fabric: got {fields.quoted(value)}; give a Fabric or its name as text")
