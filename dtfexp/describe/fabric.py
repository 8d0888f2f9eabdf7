"""A fabric and the hottest press it may meet."""

from __future__ import annotations

from dataclasses import dataclass

from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError

_ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True, init=False, repr=False)
class Fabric:
    """A fabric of the session.

    ``heat_limit`` is the highest press temperature allowed, in ``unit`` (°C or °F), from the care
    label or the maker; None when none is known. No plan sets a press-stage temperature above it.

    Raises ``SessionError`` for a description that does not make sense.
    """

    name: str
    heat_limit: float | None
    unit: str
    notes: str

    def __init__(
        self, name: str, heat_limit: float | None = None, unit: str = "°C", notes: str = ""
    ) -> None:
        name = fields.name(name, "fabric")
        place = f"fabric {name!r}"
        try:
            unit = units.canonical(unit)
        except SessionError as error:
            raise SessionError(f"{place}: {error}") from None
        if not units.is_temperature(unit):
            raise SessionError(f"{place}: unit is {unit!r}; a heat limit is in °C or °F")
        if heat_limit is not None:
            heat_limit = fields.number(
                heat_limit, place, "heat_limit", "a temperature, or left out when none is known"
            )
            if units.convert(heat_limit, unit, "°C") <= _ABSOLUTE_ZERO_C:
                raise SessionError(
                    f"{place}: heat_limit is {heat_limit:g} {unit}; that is below absolute zero"
                )
        object.__setattr__(self, "name", name)
        object.__setattr__(self, "heat_limit", heat_limit)
        object.__setattr__(self, "unit", unit)
        object.__setattr__(self, "notes", fields.free_text(notes, place, "notes"))

    def limit_in(self, unit: str) -> float | None:
        """The heat limit told in ``unit`` (°C or °F), or None when the fabric has none."""
        if self.heat_limit is None:
            return None
        return units.convert(self.heat_limit, self.unit, unit)

    def __repr__(self) -> str:
        if self.heat_limit is None:
            return f"Fabric({self.name!r})"
        return f"Fabric({self.name!r}, up to {self.heat_limit:g} {self.unit})"


def as_fabric(value: Fabric | str) -> Fabric:
    """A ``Fabric``, also from a plain string, which is a fabric of that name without a limit."""
    if isinstance(value, Fabric):
        return value
    if isinstance(value, str):
        return Fabric(value)
    raise SessionError(f"fabric: got {fields.shown(value)}; give a Fabric or its name as text")
