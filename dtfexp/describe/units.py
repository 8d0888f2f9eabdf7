"""Units of a bench: their spelling, their kind, and exact conversion.

Conversions are exact by definition (NIST Special Publication 811, 2008, Appendix B; from memory):
°F = °C * 9/5 + 32; 1 bar = 100 kPa; 1 psi = 6.894757293168 kPa to the digits given, from the
international pound 0.45359237 kg, standard gravity 9.80665 m/s2 and the inch 25.4 mm.
"""

from __future__ import annotations

import math
import unicodedata
from typing import TYPE_CHECKING, Any, overload

from dtfexp.describe.errors import SessionError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# canonical unit -> (kind, size in the base unit of that kind)
_UNITS: dict[str, tuple[str, float]] = {
    "": ("number", 1.0),
    "°C": ("temperature", 1.0),
    "°F": ("temperature", 1.0),
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "kPa": ("pressure", 1.0),
    "bar": ("pressure", 100.0),
    "psi": ("pressure", 6.894757293168),
    "%": ("share", 1.0),
    "mm": ("length", 1.0),
    "cm": ("length", 10.0),
    "in": ("length", 25.4),
    "ft": ("length", 304.8),
    "N": ("force", 1.0),
    "N/cm": ("force per width", 1.0),
    "ΔE": ("colour difference", 1.0),
    "g": ("mass", 1.0),
    "m/min": ("speed", 1.0),
    "ft/min": ("speed", 0.3048),
    "in/min": ("speed", 0.0254),
}

_SPELLINGS: dict[str, str] = {
    "°C": "c °c degc degreec degreesc degreecelsius degreescelsius celsius centigrade oc",
    "°F": "f °f degf degreef degreesf degreefahrenheit degreesfahrenheit fahrenheit of",
    "s": "s sec secs second seconds",
    "min": "min mins minute minutes",
    "kPa": "kpa kilopascal kilopascals",
    "bar": "bar bars",
    "psi": "psi lb/in² lb/in2 lbf/in2",
    "%": "% percent pct",
    "mm": "mm millimetre millimetres millimeter millimeters",
    "cm": "cm centimetre centimetres centimeter centimeters",
    "in": "in inch inches",
    "ft": "ft foot feet",
    "N": "n newton newtons",
    "N/cm": "n/cm ncm-1 newtonpercm newtonspercm",
    "ΔE": "δe ∆e de deltae",
    "g": "g gram grams gramme grammes",
    "m/min": "m/min mpm metre/min metres/min meter/min meters/min m/minute",
    "ft/min": "ft/min fpm foot/min feet/min ft/minute",
    "in/min": "in/min ipm inch/min inches/min in/minute",
}

_ALIASES: dict[str, str] = {"": ""} | {
    spelling: unit for unit, words in _SPELLINGS.items() for spelling in words.split()
}

#: Every unit in its one spelling inside dtfexp, "" meaning a plain number.
UNITS: tuple[str, ...] = tuple(_UNITS)

_ABSOLUTE_ZERO_C = -273.15
_DECIMALS_WHEN_CONVERTED = {"bar": 1, "min": 2, "cm": 1, "in": 1, "ft": 2, "m/min": 2, "ft/min": 1}


def canonical(unit: str) -> str:
    """Return the one spelling of ``unit`` used inside dtfexp: "degF", "F" and "℉" are all "°F".

    Raises ``SessionError`` for an unknown unit.
    """
    if isinstance(unit, str):
        key = "".join(unicodedata.normalize("NFKC", unit).split()).rstrip(".").casefold()
        if key in _ALIASES:
            return _ALIASES[key]
    known = ", ".join(name for name in UNITS if name)
    raise SessionError(f'unit {unit!r} is not known; use one of {known}, or "" for a plain number')


def kind(unit: str) -> str:
    """Return what ``unit`` measures: "temperature", "time", "pressure", … or "number" for ""."""
    return _UNITS[canonical(unit)][0]


def is_temperature(unit: str) -> bool:
    """Return whether ``unit`` is °C or °F."""
    return kind(unit) == "temperature"


def lowest(unit: str) -> float:
    """Return the least that can be measured in ``unit``: absolute zero, 0, or no limit."""
    measured = kind(unit)
    if measured == "temperature":
        return float(convert(_ABSOLUTE_ZERO_C, "°C", unit))
    return -math.inf if measured in ("number", "colour difference") else 0.0


def _pair(source: str, target: str) -> tuple[str, str]:
    source, target = canonical(source), canonical(target)
    if _UNITS[source][0] != _UNITS[target][0]:
        raise SessionError(
            f"cannot convert {source or 'a plain number'} to {target or 'a plain number'}: "
            f"one is a {_UNITS[source][0]}, the other a {_UNITS[target][0]}"
        )
    return source, target


@overload
def convert(value: float, source: str, target: str) -> float: ...
@overload
def convert(value: NDArray[np.float64], source: str, target: str) -> NDArray[np.float64]: ...
def convert(value: Any, source: str, target: str) -> Any:
    """Return ``value`` (a number or an array) converted from ``source`` to ``target``.

    Raises ``SessionError`` when the two units are of different kinds.
    """
    source, target = _pair(source, target)
    if source == target:
        return value
    converted = convert_difference(value - 32 if source == "°F" else value, source, target)
    return converted + 32 if target == "°F" else converted


@overload
def convert_difference(value: float, source: str, target: str) -> float: ...
@overload
def convert_difference(
    value: NDArray[np.float64], source: str, target: str
) -> NDArray[np.float64]: ...
def convert_difference(value: Any, source: str, target: str) -> Any:
    """Return a width, spread or step converted: 5 °C wide is 9 °F wide.

    Raises ``SessionError`` when the two units are of different kinds.
    """
    source, target = _pair(source, target)
    if source == target:
        return value
    if (source, target) == ("°C", "°F"):
        return value * 9 / 5
    if (source, target) == ("°F", "°C"):
        return value * 5 / 9
    return value * _UNITS[source][1] / _UNITS[target][1]


def decimals_when_converted(unit: str) -> int:
    """Return the decimals to show after conversion into ``unit``: degrees 0, bar 1."""
    return _DECIMALS_WHEN_CONVERTED.get(canonical(unit), 0)
