"""Numbers for people: one unit for every temperature, one wording for every rate.

Card, report, figures and files for machines all use these functions: one number, one spelling.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.describe import heat
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
    """The temperature unit, "°C" or "°F", in which every temperature is written.

    With the ``session`` no setting is rounded above the highest one told for a fabric's heat limit.
    """

    temperature: str
    session: Session | None = None

    @classmethod
    def of(cls, session: Session, unit: str | None = None) -> NumberFormat:
        """Return the format in ``unit``, default the session's temperature unit.

        Raises ``SessionError`` when ``unit`` is no temperature unit.
        """
        if unit is None:
            return cls(session.temperature_unit, session)
        try:
            known = canonical(unit)
        except SessionError:
            known = ""
        if known not in TEMPERATURES:
            raise SessionError(f"unit is {quoted(unit)}; a report is read in °C or °F")
        return cls(known, session)

    def unit(self, factor: Factor) -> str:
        """Return the unit in which this factor is written."""
        return self.temperature if factor.is_temperature else factor.unit

    def other(self, factor: Factor) -> NumberFormat | None:
        """Return the format in the other temperature unit; None for other kinds."""
        if not factor.is_temperature:
            return None
        return NumberFormat("°F" if self.unit(factor) == "°C" else "°C", self.session)

    def value(self, factor: Factor, value: object) -> float | str:
        """Return a setting in the reading unit; words stay words."""
        if not factor.is_numeric:
            return str(value)
        number = float(value)  # type: ignore[arg-type]
        unit = self.unit(factor)
        return number if unit == factor.unit else float(convert(number, factor.unit, unit))

    def told(self, factor: Factor, value: object) -> float | str:
        """Return a setting in the reading unit, no higher than the highest told for its limit."""
        read = self.value(factor, value)
        return read if isinstance(read, str) else self._no_higher(factor, read, float(value))  # type: ignore[arg-type]

    def _no_higher(self, factor: Factor, number: float, value: float) -> float:
        if self.session is None:
            return number
        return heat.no_higher(factor, number, value, self.unit(factor), self.session.fabrics)

    def difference(self, factor: Factor, difference: float) -> float:
        """Return a distance between two settings in the reading unit (5 °C apart is 9 °F apart)."""
        unit = self.unit(factor)
        if unit == factor.unit:
            return float(difference)
        return float(convert_difference(float(difference), factor.unit, unit))

    def number(self, factor: Factor, value: object) -> str:
        """Return a setting without its unit, to the step of the dial.

        A converted temperature is given in whole degrees.
        """
        read = self.value(factor, value)
        if isinstance(read, str):
            return read
        decimals = 0 if self.unit(factor) != factor.unit else _decimals(factor, read)
        rounded = float(f"{read:.{decimals}f}") if math.isfinite(read) else read
        number = self._no_higher(factor, rounded, float(value))  # type: ignore[arg-type]
        return rounded_text(number, decimals)

    def text(self, factor: Factor, value: object) -> str:
        """Return a setting with its unit: "160 °C", "15 s", "firm"."""
        return with_unit(self.number(factor, value), self.unit(factor) if factor.is_numeric else "")

    def span(self, factor: Factor, difference: float) -> str:
        """Return a distance with its unit: "5 °C"; one decimal when small or not whole."""
        read = self.difference(factor, difference)
        decimals = 1 if self.unit(factor) != factor.unit else _decimals(factor, read)
        return with_unit(rounded_text(read, decimals), self.unit(factor))

    def sentence(self, text: str) -> str:
        """Return a sentence of the fit with its set-point temperatures converted."""
        return _SET_POINT.sub(self._told, text)

    def _told(self, found: re.Match[str]) -> str:
        number, unit = float(found[1]), found[2]
        read = float(round(convert(number, unit, self.temperature)))
        if unit != self.temperature:
            # A sentence does not say which setting it speaks of.
            for factor in self.session.factors if self.session else ():
                if factor.is_temperature:
                    read = self._no_higher(factor, read, convert(number, unit, factor.unit))
            number = read
        return with_unit(rounded_text(number, 3), self.temperature)

    def title(self, factor: Factor) -> str:
        """Return name and unit, for an axis or the head of a column."""
        unit = self.unit(factor) if factor.is_numeric else ""
        return f"{label(factor.name)} ({unit})" if unit else label(factor.name)


def label(name: str) -> str:
    """Return a factor or outcome name for display."""
    return without_underscores(name)


def with_unit(number: str, unit: str) -> str:
    """Return number and unit with a non-breaking space ("5 %" and "5 °C" alike)."""
    return f"{number}\u00a0{unit}" if unit else number


def rounded_text(value: float, decimals: int) -> str:
    """Return a number with at most ``decimals`` decimals, no trailing zeros, never "-0".

    The minus sign is typographic.
    """
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        text = "0"
    return text.replace("-", "\u2212")


def _decimals(factor: Factor, value: float) -> int:
    """Return the decimals of the dial's step, or up to 3 for a value between the steps."""
    needed = max(_places(factor.grid_step), _places(factor.bounds[0]))
    return max(needed, min(_places(value), needed + 1))


def _places(value: float) -> int:
    for places in range(4):
        if abs(value - round(value, places)) <= 1e-9 * max(1.0, abs(value)):
            return places
    return 3


def per_cent(rate: float) -> str:
    """Return a rate (0 to 1) in whole per cent.

    Never "100 %" for less than certain, nor "0 %" for more than none.
    """
    if not math.isfinite(rate):
        return "unknown"
    if 0.995 <= rate < 1.0:
        return "over\u00a099\u00a0%"
    if 0.0 < rate < 0.005:
        return "under\u00a01\u00a0%"
    return f"{round(100 * rate):d}\u00a0%"


def at_least(share: float) -> str:
    """Return a probability in whole per cent, rounded down: 89.7 % is below 90 %."""
    if not math.isfinite(share) or share >= 0.995 or share < 0.01:
        return per_cent(share)
    return f"{math.floor(100 * share + 1e-9):d}\u00a0%"


def between(low: float, high: float) -> str:
    """Return an interval of rates in whole per cent, rounded outwards: "88 to 98 %"."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "unknown"
    if low >= 0.995:
        return per_cent(low)
    if high < 0.005:
        return per_cent(high)
    return f"{math.floor(100 * low + 1e-9):d} to {math.ceil(100 * high - 1e-9):d}\u00a0%"


def out_of_text(rate: float) -> str:
    """Return a rate as a count, rounded down: "about 97 of 100"."""
    if not math.isfinite(rate):
        return "not known"
    count = math.floor(100 * rate + 1e-9)
    return f"about {count} of 100" if count else "fewer than 1 of 100"
