"""How numbers are read by a person: one unit for every temperature, one wording for every rate.

The card, the report, the figures and the machine-readable files all take their values from here,
so that the same number can never be written in two ways.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.describe.errors import SessionError
from dtfexp.describe.fields import quoted, without_underscores
from dtfexp.describe.units import canonical, convert, convert_difference

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

TEMPERATURES = ("°C", "°F")
_SET_POINT = re.compile(r"(?<![\w.])(-?\d+(?:\.\d+)?)[ \u00a0](°C|°F)")


@dataclass(frozen=True)
class NumberFormat:
    """The temperature unit, "°C" or "°F", in which every temperature is written."""

    temperature: str

    @classmethod
    def of(cls, session: Session, unit: str | None = None) -> NumberFormat:
        """The unit asked for, else the session's; raises SessionError when it is no temperature."""
        if unit is None:
            return cls(session.temperature_unit)
        try:
            known = canonical(unit)
        except SessionError:
            known = ""
        if known not in TEMPERATURES:
            raise SessionError(f"unit is {quoted(unit)}; a report is read in °C or °F")
        return cls(known)

    def unit(self, factor: Factor) -> str:
        """Unit in which this factor is written."""
        return self.temperature if factor.is_temperature else factor.unit

    def other(self, factor: Factor) -> NumberFormat | None:
        """The reading in the other temperature unit, or None for anything but a temperature."""
        if not factor.is_temperature:
            return None
        return NumberFormat("°F" if self.unit(factor) == "°C" else "°C")

    def value(self, factor: Factor, value: object) -> float | str:
        """A setting in the reading unit; words stay words."""
        if not factor.is_numeric:
            return str(value)
        number = float(value)  # type: ignore[arg-type]
        unit = self.unit(factor)
        return number if unit == factor.unit else float(convert(number, factor.unit, unit))

    def difference(self, factor: Factor, difference: float) -> float:
        """A distance between two settings in the reading unit (5 °C apart is 9 °F apart)."""
        unit = self.unit(factor)
        if unit == factor.unit:
            return float(difference)
        return float(convert_difference(float(difference), factor.unit, unit))

    def number(self, factor: Factor, value: object) -> str:
        """A setting without its unit: as finely as the dial is set, whole degrees if converted."""
        read = self.value(factor, value)
        if isinstance(read, str):
            return read
        decimals = 0 if self.unit(factor) != factor.unit else _decimals(factor, read)
        return rounded_text(read, decimals)

    def text(self, factor: Factor, value: object) -> str:
        """A setting with its unit: "160 °C", "15 s", "firm"."""
        return with_unit(self.number(factor, value), self.unit(factor) if factor.is_numeric else "")

    def span(self, factor: Factor, difference: float) -> str:
        """A distance with its unit: "5 °C"; one decimal when it is small or not whole."""
        read = self.difference(factor, difference)
        decimals = 1 if self.unit(factor) != factor.unit else _decimals(factor, read)
        return with_unit(rounded_text(read, decimals), self.unit(factor))

    def sentence(self, text: str) -> str:
        """A sentence of the fit, its temperatures (all of them set-points) in the reading unit."""
        return _SET_POINT.sub(self._told, text)

    def _told(self, found: re.Match[str]) -> str:
        number, unit = float(found[1]), found[2]
        if unit != self.temperature:
            number = float(round(convert(number, unit, self.temperature)))
        return with_unit(rounded_text(number, 3), self.temperature)

    def title(self, factor: Factor) -> str:
        """Name and unit, for an axis or the head of a column."""
        unit = self.unit(factor) if factor.is_numeric else ""
        return f"{label(factor.name)} ({unit})" if unit else label(factor.name)


def label(name: str) -> str:
    """A factor or outcome name as a person reads it."""
    return without_underscores(name)


def with_unit(number: str, unit: str) -> str:
    """Number and unit with a space that does not break ("5 %" and "5 °C" alike)."""
    return f"{number}\u00a0{unit}" if unit else number


def rounded_text(value: float, decimals: int) -> str:
    """At most so many decimals, no trailing zeros, a true minus sign, never "-0"."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        text = "0"
    return text.replace("-", "\u2212")


def _decimals(factor: Factor, value: float) -> int:
    """Decimals of the dial's step, and as many more (up to 3) as a value off the step needs."""
    needed = max(_places(factor.grid_step), _places(factor.bounds[0]))
    return max(needed, min(_places(value), needed + 1))


def _places(value: float) -> int:
    for places in range(4):
        if abs(value - round(value, places)) <= 1e-9 * max(1.0, abs(value)):
            return places
    return 3


def per_cent(rate: float) -> str:
    """A rate in whole per cent; never "100 %" for less than certain, nor "0 %" for more than none.

    Rates are shares between 0 and 1.
    """
    if not math.isfinite(rate):
        return "unknown"
    if 0.995 <= rate < 1.0:
        return "over\u00a099\u00a0%"
    if 0.0 < rate < 0.005:
        return "under\u00a01\u00a0%"
    return f"{round(100 * rate):d}\u00a0%"


def at_least(share: float) -> str:
    """A probability in whole per cent, rounded down: 89.7 % is not yet the 90 % asked for."""
    if not math.isfinite(share) or share >= 0.995 or share < 0.01:
        return per_cent(share)
    return f"{math.floor(100 * share + 1e-9):d}\u00a0%"


def between(low: float, high: float) -> str:
    """An interval of rates in whole per cent, rounded outwards: "88 to 98 %"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "unknown"
    if low >= 0.995:
        return per_cent(low)
    if high < 0.005:
        return per_cent(high)
    return f"{math.floor(100 * low + 1e-9):d} to {math.ceil(100 * high - 1e-9):d}\u00a0%"


def out_of_text(rate: float) -> str:
    """A rate in words a shop counts with, never above the rate itself: "about 19 of 20"."""
    if not math.isfinite(rate):
        return "not known"
    if rate >= 0.99:
        return "about 99 of 100"
    if rate >= 0.98:
        return "about 49 of 50"
    if rate < 0.05:
        return "fewer than 1 of 20"
    twentieths = math.floor(20 * rate + 1e-9)
    if twentieths % 2 == 0:
        return f"about {twentieths // 2} of 10"
    return f"about {twentieths} of 20"
