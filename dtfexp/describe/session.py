"""A session: one dial-in, with its fabrics, settings, outcomes and bench."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from dataclasses import fields as fields_of
from os import PathLike
from typing import TYPE_CHECKING, Any, TypeVar

from dtfexp.describe import fields, heat, tomltext, units
from dtfexp.describe import forbidden as corners
from dtfexp.describe.errors import SessionError
from dtfexp.describe.experience import Experience, as_experience
from dtfexp.describe.fabric import Fabric, as_fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.forbidden import Forbidden
from dtfexp.describe.outcome import Outcome, wash_series
from dtfexp.describe.resources import Pace, Supplies
from dtfexp.describe.summary import session_html

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

#: Column names of the frames, which no factor or outcome may use.
RESERVED = (
    "press", "fabric", "oven_load", "press_round", "block", "excluded", "note", "defects", "by",
    "time", "cure_look",
)  # fmt: skip
#: Names of the machines when a session gives none.
OVEN, PRESS = "oven", "press"
PEELS = ("hot", "warm", "cold")
_MOST = 50
_Named = TypeVar("_Named", Factor, Outcome, Fabric)
_Table = TypeVar("_Table", Pace, Supplies)


@dataclass(frozen=True, init=False, repr=False)
class Session:
    """One dial-in: its fabrics, settings with ranges, outcomes, and bench.

    ``factors``, ``outcomes`` and ``fabrics`` are lists; a fabric may be a plain string.
    ``coupons_per_load`` is the capacity of one oven load, ``presses_per_round`` the number of test
    presses before the hard-to-change settings are set again. ``warm_up_minutes`` and
    ``change_over_minutes`` are the bench's waiting times. ``temperature_unit`` is the unit in which
    a person reads temperatures; the default is that of the first temperature factor, else °C.
    ``film`` is the name of the film and ``film_peel`` its peel type by its maker ("hot", "warm" or
    "cold"; "" when not stated). ``oven`` and ``press`` name the machines of this session on a bench
    with several: measurements of other machines are ignored. ``forbidden`` lists forbidden
    combinations, each a table such as ``{"cure temperature": "> 140", "cure time": "> 90", "note":
    "the film yellows"}``, or a sloping limit (``Forbidden``). ``pace`` (speed of the bench) and
    ``supplies`` (sizes, amounts, prices) give the cost of a plan; tables of their fields are
    accepted. ``experience`` is what earlier logbooks taught, an ``Experience`` or the path of its
    file; plan, fit, next presses, window and rehearsal then start from it. A fabric left without
    any setting is refused; ``strict=False`` accepts it, for stored
    sessions and machines measured since (``nothing_left``).

    Raises ``SessionError`` (one line: field, value, what is accepted).
    """

    name: str
    factors: tuple[Factor, ...]
    outcomes: tuple[Outcome, ...]
    fabrics: tuple[Fabric, ...]
    coupons_per_load: int
    presses_per_round: int
    warm_up_minutes: float
    change_over_minutes: float
    temperature_unit: str
    notes: str
    film: str
    film_peel: str
    oven: str
    press: str
    forbidden: tuple[Forbidden, ...]
    pace: Pace
    supplies: Supplies
    experience: Experience | None

    def __init__(
        self,
        name: str,
        factors: Iterable[Factor],
        outcomes: Iterable[Outcome],
        fabrics: Iterable[Fabric | str],
        *,
        coupons_per_load: int = 6,
        presses_per_round: int = 8,
        warm_up_minutes: float = 10.0,
        change_over_minutes: float = 8.0,
        temperature_unit: str | None = None,
        notes: str = "",
        film: str = "",
        film_peel: str = "",
        oven: str = OVEN,
        press: str = PRESS,
        forbidden: Iterable[Forbidden | Mapping[str, Any]] = (),
        pace: Pace | Mapping[str, Any] | None = None,
        supplies: Supplies | Mapping[str, Any] | None = None,
        experience: Experience | str | PathLike[str] | None = None,
        strict: bool = True,
    ) -> None:
        place = "session"
        name = fields.name(name, place)
        given = fields.as_tuple(fabrics, (str, Fabric), place, "fabrics")
        values: dict[str, Any] = {
            "name": name,
            "factors": _all_of(Factor, fields.as_tuple(factors, Factor, place, "factors")),
            "outcomes": _all_of(Outcome, fields.as_tuple(outcomes, Outcome, place, "outcomes")),
            "fabrics": _all_of(Fabric, tuple(as_fabric(fabric) for fabric in given)),
            "coupons_per_load": fields.whole_number(
                coupons_per_load, place, "coupons_per_load", 1, 1000
            ),
            "presses_per_round": fields.whole_number(
                presses_per_round, place, "presses_per_round", 1, 1000
            ),
            "warm_up_minutes": fields.not_negative(warm_up_minutes, place, "warm_up_minutes"),
            "change_over_minutes": fields.not_negative(
                change_over_minutes, place, "change_over_minutes"
            ),
            "notes": fields.free_text(notes, place, "notes"),
            "film": fields.free_text(film, place, "film"),
            "film_peel": ""
            if film_peel == ""
            else fields.choice(film_peel, place, "film_peel", PEELS),
            "oven": fields.name(oven, f"{place}: oven"),
            "press": fields.name(press, f"{place}: press"),
            "pace": _table_of(Pace, pace, "pace"),
            "supplies": _table_of(Supplies, supplies, "supplies"),
            "experience": as_experience(experience),
        }
        if values["oven"].casefold() == values["press"].casefold():
            raise SessionError(f"{place}: oven and press are both {oven!r}; give each its own name")
        values["temperature_unit"] = _reading_unit(temperature_unit, values["factors"])
        _check_names(values["factors"], values["outcomes"], values["fabrics"])
        wash_series(values["outcomes"])
        values["fabrics"] = tuple(
            heat.normalised_fabric(f, values["factors"]) for f in values["fabrics"]
        )
        values["forbidden"] = corners.normalised(
            fields.as_tuple(forbidden, (Forbidden, Mapping), place, "forbidden"),
            values["factors"],
            values["fabrics"],
        )
        for field, value in values.items():
            object.__setattr__(self, field, value)
        for fabric in self.fabrics if strict else ():
            line = self.nothing_left(fabric)
            if line:
                raise SessionError(f"{line}, or leave this fabric out of the session")

    def factor(self, name: str) -> Factor:
        """Return the factor of that name.

        Raises ``SessionError`` with the nearest name when there is none.
        """
        return _named("factor", self.factors, name)

    def outcome(self, name: str) -> Outcome:
        """Return the outcome of that name.

        Raises ``SessionError`` with the nearest name when there is none.
        """
        return _named("outcome", self.outcomes, name)

    def fabric(self, name: str | Fabric) -> Fabric:
        """Return the fabric of that name.

        Raises ``SessionError`` with the nearest name when there is none.
        """
        return _named("fabric", self.fabrics, name.name if isinstance(name, Fabric) else name)

    def allowed(self, factor: str | Factor, fabric: str | Fabric) -> tuple[Any, ...]:
        """Return every setting of ``factor`` allowed for ``fabric``; empty when there is none.

        Allowed: in the fabric's own range and within its heat limit, which applies to what the heat
        press reaches at a press-stage temperature (``Factor.hottest``), in either unit.
        """
        return heat.allowed(self._factor(factor), self.fabric(fabric))

    def highest(self, factor: str | Factor, fabric: str | Fabric) -> float:
        """Return the highest allowed setting of a numeric ``factor`` for ``fabric``, in its unit.

        Raises ``SessionError`` with the line of ``nothing_left`` when there is none.
        """
        chosen = self._factor(factor)
        if not chosen.is_numeric:
            raise SessionError(f"factor {chosen.name!r}: words have no highest setting")
        return float(self._left(chosen, fabric)[-1])

    def usual(self, factor: str | Factor, fabric: str | Fabric) -> Any:
        """Return the fabric's own usual setting, else the factor's, moved to the nearest allowed.

        Raises ``SessionError`` with the line of ``nothing_left`` when none is allowed.
        """
        chosen = self._factor(factor)
        return heat.usual(chosen, self.fabric(fabric), self._left(chosen, fabric))

    def too_hot_today(self, fabric: str | Fabric) -> dict[str, Any]:
        """Return the usual settings that the fabric's heat limit does not allow, by name."""
        chosen = self.fabric(fabric)
        found = {f.name: heat.too_hot_today(f, chosen) for f in self.factors}
        return {name: value for name, value in found.items() if value is not None}

    def refusal(
        self, settings: Mapping[str, Any], fabric: str | Fabric, unit: str | None = None
    ) -> str:
        """Return one line why a press (factor name -> setting) may not be made; "" when it may.

        Reasons: past the heat limit, outside the range of the setting or the fabric, or forbidden.
        Missing settings (no key, None, NaN) are not checked. Every proposal and every entry of a
        setting is checked here. ``unit``: °C or °F for the text, default ``temperature_unit``.
        """
        chosen, shown_in = self.fabric(fabric), self._told_in(unit)
        return heat.refusal(self.factors, self.forbidden, chosen, settings, shown_in)

    def limit_note(self, fabric: str | Fabric, unit: str | None = None) -> str:
        """Return the heat limit in one line for people; "" without one.

        ``unit``: °C or °F for the text. Example: "nylon shell takes 150 °C at most. The heat press
        reaches up to 16 °C above its dial (measured): set 134 °C or less."
        """
        return heat.limit_note(self.factors, self.fabric(fabric), self._told_in(unit))

    def nothing_left(self, fabric: str | Fabric, unit: str | None = None) -> str:
        """Return one line why ``fabric`` cannot be pressed at all and what to do; else "".

        ``unit``: °C or °F for the text.
        """
        chosen, shown_in = self.fabric(fabric), self._told_in(unit)
        return heat.nothing_left(self.factors, self.forbidden, chosen, shown_in)

    def _told_in(self, unit: str | None) -> str:
        return self.temperature_unit if unit is None else units.canonical(unit)

    def _factor(self, factor: str | Factor) -> Factor:
        return self.factor(factor.name if isinstance(factor, Factor) else factor)

    def _left(self, factor: Factor, fabric: str | Fabric) -> tuple[Any, ...]:
        """Return the allowed settings; ``SessionError`` when there are none."""
        settings = self.allowed(factor, fabric)
        if not settings:
            raise SessionError(self.nothing_left(fabric))
        return settings

    def permits(
        self, settings: pd.DataFrame, fabric: str | Fabric | None = None
    ) -> NDArray[np.bool_]:
        """Return which rows of ``settings`` (factor columns) meet nothing forbidden, (n,).

        The fabric of each row is ``fabric``, else its column ``fabric``; with neither, corners of
        single fabrics are ignored. ``refusal`` also checks limits and ranges; this does not.
        """
        name = None if fabric is None else self.fabric(fabric).name
        return corners.permitted(self.forbidden, self.factors, settings, name)

    def clash(self, settings: Mapping[str, Any], fabric: str | Fabric) -> Forbidden | None:
        """Return what forbids one press (factor name -> setting), or None when nothing does."""
        name = self.fabric(fabric).name
        return corners.first_met(self.forbidden, self.factors, settings, name)

    def altered(self, **changes: Any) -> Session:
        """Return the same session with other values, such as ``factors`` measured since.

        A fabric may be left without settings here: see ``nothing_left``.
        """
        values = {field.name: getattr(self, field.name) for field in fields_of(self)}
        return Session(**(values | changes), strict=False)

    def machine(self, stage: str) -> str:
        """Return the machine of a stage: the oven's or the press's name, else ""."""
        return {"cure": self.oven, "press": self.press}.get(stage, "")

    def to_toml(self) -> str:
        """Return the description as TOML text that ``from_toml`` reads back equal."""
        return tomltext.write(self)

    @classmethod
    def from_toml(cls, text: str, strict: bool = True) -> Session:
        """Return a session from TOML text with keys of the same names.

        ``strict`` as for a ``Session``. Raises ``SessionError`` for anything else.
        """
        return cls(**tomltext.read(text), strict=strict)

    def save(self, path: str | PathLike[str]) -> None:
        """Write the description to ``path`` as TOML (UTF-8), atomically.

        Its experience is named by the file it was read from; one that was never in a file is
        written out.
        """
        tomltext.write_file(tomltext.write(self, path), path)

    @classmethod
    def load(cls, path: str | PathLike[str]) -> Session:
        """Read a TOML description from ``path``; ``SessionError`` in one line if that fails."""
        text = tomltext.read_file(path)
        with fields.at(f"{path}", SessionError):
            return cls(**tomltext.read(text, path))

    def __repr__(self) -> str:
        return (
            f"Session({self.name!r}: factors {', '.join(f.name for f in self.factors)}; "
            f"outcomes {', '.join(o.name for o in self.outcomes)}; "
            f"fabrics {', '.join(f.name for f in self.fabrics)})"
        )

    def _repr_html_(self) -> str:
        return session_html(self)


def _all_of(kind: type, items: tuple[Any, ...]) -> tuple[Any, ...]:
    word = kind.__name__.lower()
    if not 1 <= len(items) <= _MOST:
        raise SessionError(
            f"session: {word}s has {len(items)} entries; give at least one {word} and at most "
            f"{_MOST}"
        )
    for item in items:
        if not isinstance(item, kind):
            raise SessionError(
                f"session: {word}s holds {fields.quoted(item)}; each must be "
                f"{'an' if word == 'outcome' else 'a'} {kind.__name__}"
            )
    return items


def _check_names(
    factors: tuple[Factor, ...], outcomes: tuple[Outcome, ...], fabrics: tuple[Fabric, ...]
) -> None:
    columns: list[Factor | Outcome] = [*factors, *outcomes]
    groups: tuple[tuple[str, list[str]], ...] = (
        ("factors and outcomes", [column.name for column in columns]),
        ("fabrics", [fabric.name for fabric in fabrics]),
    )
    for owner, names in groups:
        seen: set[str] = set()
        for name in names:
            key = name.casefold()
            if key in seen:
                raise SessionError(
                    f"session: the name {name!r} is used twice; {owner} need different names"
                )
            seen.add(key)
    for column in columns:
        key = column.name.casefold()
        if key in RESERVED or key.endswith("_actual"):
            word = "factor" if isinstance(column, Factor) else "outcome"
            raise SessionError(
                f"{word} {column.name!r}: this name is reserved for a column of the results; "
                f"use any name but {', '.join(RESERVED)} or one ending in _actual"
            )


def _table_of(kind: type[_Table], given: object, place: str) -> _Table:
    """Return a small table (pace, supplies), from itself or a mapping of its fields."""
    if given is None:
        return kind()
    if isinstance(given, kind):
        return given
    known = [field.name for field in fields_of(kind)]
    if not isinstance(given, Mapping):
        raise SessionError(
            f"{place}: got {fields.quoted(given)}; give a table of {', '.join(known)}"
        )
    fields.check_keys(given, known, place)
    return kind(**given)


def _reading_unit(unit: str | None, factors: tuple[Factor, ...]) -> str:
    if unit is None:
        return next((factor.unit for factor in factors if factor.is_temperature), "°C")
    with fields.at("session: temperature_unit", SessionError):
        unit = units.canonical(unit)
    if not units.is_temperature(unit):
        raise fields.refusal("session, temperature_unit", unit, "°C or °F")
    return unit


def _named(word: str, items: tuple[_Named, ...], name: object) -> _Named:
    by_name = {item.name: item for item in items}
    return by_name[fields.spelled(name, list(by_name), word)]
