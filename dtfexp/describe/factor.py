"""One setting that a plan varies: a range of numbers, or a list of words."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Any

from dtfexp.describe import calibration, fields, units
from dtfexp.describe.errors import SessionError

STAGES = ("print", "cure", "press", "peel")
_MOST_SETTINGS = 5000
_MOST_WORDS = 50
_MOST_SPOTS = 500
_MOST_READINGS = 500
_ROUNDED = 1e-4


@dataclass(frozen=True, init=False, repr=False)
class Factor:
    """One setting of the bench, with its range and step.

    ``Factor(name, low, high, unit="", step=None, stage="press", hard_to_change=False, spread=0.0,
    usual=None, spots=(), readings=())`` for numbers, or ``Factor(name, levels=(...), ordered=False,
    stage="peel", usual=None)`` for words.

    low, high, step, spread and usual are in ``unit``. Settings are ``low + k * step`` up to
    ``high``; without a step ``grid_step`` chooses one. ``usual`` is what the shop runs today, moved
    to the nearest setting; the default is the middle of the range (for words: the middle word when
    ordered, else the first).

    ``spread`` is the half-width of the machine's deviation around a set-point, uniformly
    distributed. ``spots`` are measured places (a nine-point map), each as its distance from the
    set-point; they replace the uniform distribution by their deviations from their mean, and give
    the spread when none is given. ``readings`` are calibration pairs (set, reached): the machine
    reaches the line through them, or, with one pair, that offset from its dial. Spots and readings
    also decide the heat limit (``hottest``). For words, low, high and step are None; for numbers,
    ``levels`` is empty.

    Raises ``SessionError`` for an invalid description.
    """

    name: str
    low: float | None
    high: float | None
    unit: str
    step: float | None
    stage: str
    hard_to_change: bool
    spread: float
    usual: float | str
    levels: tuple[str, ...]
    ordered: bool
    spots: tuple[float, ...]
    readings: tuple[tuple[float, float], ...]

    def __init__(
        self,
        name: str,
        low: float | None = None,
        high: float | None = None,
        unit: str = "",
        step: float | None = None,
        stage: str | None = None,
        hard_to_change: bool = False,
        spread: float = 0.0,
        usual: float | str | None = None,
        levels: tuple[str, ...] | list[str] | None = None,
        ordered: bool = False,
        spots: Iterable[float] = (),
        readings: Iterable[tuple[float, float]] = (),
    ) -> None:
        name = fields.name(name, "factor")
        place = f"factor {name!r}"
        words = levels is not None and not (levels == () and low is not None)
        if stage is None:
            stage = "peel" if words else "press"
        values: dict[str, Any] = {
            "name": name,
            "stage": fields.choice(stage, place, "stage", STAGES),
            "hard_to_change": fields.flag(hard_to_change, place, "hard_to_change"),
            "ordered": fields.flag(ordered, place, "ordered"),
            "spread": fields.not_negative(spread, place, "spread"),
            "spots": _spots(place, spots),
            "readings": _readings(place, readings),
        }
        if values["stage"] == "print" and values["hard_to_change"]:
            raise SessionError(
                f"{place}: hard_to_change is True; a print-stage setting is chosen for each coupon "
                "before the oven, leave it out"
            )
        if words:
            given = {"low": low, "high": high, "step": step}
            values |= _words(place, levels, usual, values["ordered"])
            for field, value in given.items():
                if value is not None:
                    raise SessionError(
                        f"{place}: {field} is {fields.quoted(value)}; a factor with levels (words) "
                        "has no low, high or step"
                    )
            not_of_words = {key: values[key] for key in ("spread", "spots", "readings")}
            not_of_words["unit"] = unit
            for field, odd in not_of_words.items():
                if odd:
                    raise SessionError(
                        f"{place}: {field} is {fields.quoted(odd)}; a factor with levels (words) "
                        "has no unit, spread, spots or readings"
                    )
        else:
            values |= _range(place, low, high, unit, step, usual)
            if values["ordered"]:
                raise SessionError(
                    f"{place}: ordered is True; only a factor with levels (words) can be ordered"
                )
            if values["spread"] > values["high"] - values["low"]:
                raise fields.refusal(
                    f"{place}, spread",
                    spread,
                    f"no more than the range from low to high, {values['high'] - values['low']:g}",
                )
            for spot in values["spots"]:
                if abs(spot) > values["high"] - values["low"]:
                    raise SessionError(
                        f"{place}: spots holds {spot:g}; each is a distance from the set-point, no "
                        f"more than the range from low to high, {values['high'] - values['low']:g}"
                    )
            if values["spots"]:
                covered = 0.5 * (max(values["spots"]) - min(values["spots"]))
                values["spread"] = values["spread"] or covered
                if values["spread"] < covered - _ROUNDED:
                    raise SessionError(
                        f"{place}: spread is {values['spread']:g}, and spots reach "
                        f"{covered:g} either way; leave spread out, or make it as wide"
                    )
        for field, value in values.items():
            object.__setattr__(self, field, value)

    @property
    def is_numeric(self) -> bool:
        """True for a range of numbers, False for words."""
        return not self.levels

    @property
    def is_temperature(self) -> bool:
        """True when the unit is °C or °F."""
        return units.is_temperature(self.unit)

    @property
    def is_slow(self) -> bool:
        """True when a change of this setting costs a wait: a temperature, or hard to change."""
        return self.is_temperature or self.hard_to_change

    @property
    def measured(self) -> bool:
        """True when readings or spots of the machine are given."""
        return bool(self.readings or self.spots)

    @property
    def reach(self) -> calibration.Reach:
        """What the machine reaches at a set-point, on average and at its hottest spot."""
        return calibration.machine_reach(self.readings, self.spots, self.spread)

    def hottest(self, setting: float) -> float:
        """Return the hottest temperature reached at a set-point, never below the set-point.

        Measured: the calibration line plus the hottest spot. Not measured: the set-point plus the
        spread. A machine that reads cooler than its dial lowers nothing (``Reach``).
        """
        return self.reach.hottest(setting)

    @property
    def bounds(self) -> tuple[float, float]:
        """Return (low, high) of a numeric factor; raises ``SessionError`` for words."""
        if self.low is None or self.high is None:
            raise SessionError(f"factor {self.name!r}: words have no low and high")
        return self.low, self.high

    @property
    def grid_step(self) -> float:
        """The step between settings: ``step``, or a tidy one when none was given; 1 for words."""
        if self.low is None or self.high is None:
            return 1.0
        return self.step if self.step is not None else tidy_step(self.low, self.high, self.unit)

    def settings(self) -> tuple[Any, ...]:
        """Return every possible setting, from low to high, or the words in order."""
        if not self.is_numeric:
            return self.levels
        return grid(*self.bounds, self.grid_step)

    def snap(self, value: Any) -> Any:
        """Return the setting nearest to ``value``; a tie goes to the lower, cooler one.

        Words match in any capitals. Raises ``SessionError`` for a word that is not a level and for
        anything that is not a finite number.
        """
        place = f"factor {self.name!r}"
        if not self.is_numeric:
            return fields.one_of(value, self.levels, f"{place}, setting")
        wanted = fields.number(value, place, "setting")
        choices = self.settings()
        steps = (wanted - choices[0]) / self.grid_step
        # The tiny allowance keeps 0.1 + 0.2 from counting as more than half way.
        k = math.ceil(min(max(steps, 0.0), len(choices) - 1.0) - 0.5 - 1e-9)
        return choices[min(max(k, 0), len(choices) - 1)]

    @property
    def dial_places(self) -> int:
        """The decimals of the dial's steps."""
        return max(_decimals(self.grid_step), _decimals(self.bounds[0]))

    def format(self, value: Any, unit: str | None = None) -> str:
        """Return ``value`` as text, "160 °C"; ``unit`` converts it."""
        if not self.is_numeric:
            return str(value)
        number = float(value)
        shown_in = self.unit if unit is None else units.canonical(unit)
        if shown_in == self.unit:
            places = self.dial_places
            if abs(round(number, places) - number) > 1e-9:
                places += 1
        else:
            number = units.convert(number, self.unit, shown_in)
            places = units.decimals_when_converted(shown_in)
        text = f"{fields.int_if_whole(round(number, places))}"
        return f"{text} {shown_in}" if shown_in else text

    def __repr__(self) -> str:
        if not self.is_numeric:
            return f"Factor({self.name!r}, {' / '.join(self.levels)}, {self.stage})"
        low, high = self.bounds
        unit = f" {self.unit}" if self.unit else ""
        return f"Factor({self.name!r}, {low:g} to {high:g}{unit}, {self.stage})"


@lru_cache(maxsize=256)
def grid(low: float, high: float, step: float) -> tuple[float, ...]:
    """Return ``low + k * step`` up to ``high``, in decimals so that 0.1 steps reach 0.3."""
    start, by = Decimal(repr(low)), Decimal(repr(step))
    count = int((Decimal(repr(high)) - start) / by)
    return tuple(float(start + k * by) for k in range(count + 1))


def tidy_step(low: float, high: float, unit: str) -> float:
    """Return the default step: 1 for degrees and seconds, else about a twentieth of the range.

    The twentieth is rounded down to 1, 2 or 5 times a power of ten.
    """
    width = high - low
    if unit in ("°C", "°F", "s") and 1 <= width <= _MOST_SETTINGS:
        return 1.0
    power = math.floor(math.log10(width / 20))
    lead = width / 20 / 10.0**power
    digit = 5 if lead >= 5 else 2 if lead >= 2 else 1
    return float(Decimal(digit).scaleb(power))


def _decimals(value: float) -> int:
    exponent = Decimal(repr(value)).normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _range(
    place: str, low: object, high: object, unit: str, step: object, usual: object
) -> dict[str, Any]:
    for field, value in (("low", low), ("high", high)):
        if value is None:
            raise SessionError(
                f"{place}: {field} is missing; give low and high as numbers, or levels as words"
            )
    bottom = fields.number(low, place, "low")
    top = fields.number(high, place, "high")
    with fields.at(place, SessionError):
        unit = units.canonical(unit)
    if not bottom < top:
        raise SessionError(
            f"{place}: low is {bottom:g} and high is {top:g}; low must be below high"
        )
    floor = units.lowest(unit)
    if bottom < floor:
        raise fields.refusal(f"{place}, low", bottom, f"{floor:g} {unit} or more")
    by = None if step is None else fields.number(step, place, "step", "a number above 0")
    if by is not None and not 0 < by <= top - bottom:
        raise fields.refusal(
            f"{place}, step",
            by,
            f"above 0 and no more than the range from low to high, {top - bottom:g}",
        )
    if by is not None and (top - bottom) / by > _MOST_SETTINGS:
        raise SessionError(
            f"{place}: step is {by:g}, which makes more than {_MOST_SETTINGS} settings; "
            f"use a step of {(top - bottom) / _MOST_SETTINGS:g} or more"
        )
    settings = grid(bottom, top, tidy_step(bottom, top, unit) if by is None else by)
    if usual is None:
        wanted = (bottom + top) / 2
    else:
        wanted = fields.number(usual, place, "usual", f"a number from {bottom:g} to {top:g}")
        if not bottom <= wanted <= top:
            raise fields.refusal(f"{place}, usual", wanted, f"from {bottom:g} to {top:g}")
    return {
        "low": bottom,
        "high": top,
        "unit": unit,
        "step": by,
        "usual": min(settings, key=lambda setting: (round(abs(setting - wanted), 9), setting)),
        "levels": (),
    }


def _spots(place: str, spots: object) -> tuple[float, ...]:
    accepted = f"spots are a list of 2 to {_MOST_SPOTS} distances from the set-point"
    if isinstance(spots, (str, bytes, dict)) or not isinstance(spots, Iterable):
        raise SessionError(f"{place}: spots is {fields.quoted(spots)}; {accepted}")
    found = tuple(fields.number(spot, place, "spots") for spot in spots)
    if len(found) == 1 or len(found) > _MOST_SPOTS:
        raise SessionError(f"{place}: spots holds {len(found)}; {accepted}")
    return found


def _readings(place: str, readings: object) -> tuple[tuple[float, float], ...]:
    accepted = f"readings are at most {_MOST_READINGS} pairs [set, reached]"
    if isinstance(readings, (str, bytes, dict)) or not isinstance(readings, Iterable):
        raise SessionError(f"{place}: readings is {fields.quoted(readings)}; {accepted}")
    pairs = []
    for pair in readings:
        if isinstance(pair, (str, bytes, dict)) or not isinstance(pair, Iterable):
            raise SessionError(f"{place}: readings holds {fields.quoted(pair)}; {accepted}")
        both = [fields.number(value, place, "readings") for value in pair]
        if len(both) != 2:
            raise SessionError(f"{place}: readings holds {fields.quoted(both)}; {accepted}")
        pairs.append((both[0], both[1]))
    if len(pairs) > _MOST_READINGS:
        raise SessionError(f"{place}: readings holds {len(pairs)}; {accepted}")
    slope = calibration.calibration_line(pairs)[1]
    lowest, highest = calibration.SLOPES
    if not lowest - _ROUNDED <= slope <= highest + _ROUNDED:
        raise SessionError(
            f"{place}: readings rise {slope:.2g} for each 1 of the dial; accepted {lowest:g} to "
            f"{highest:g}; measure again, at set-points further apart"
        )
    return tuple(pairs)


def _words(place: str, levels: object, usual: object, ordered: bool) -> dict[str, Any]:
    accepted = "levels are a list of at least 2 different words"
    if isinstance(levels, (str, bytes, dict)) or not hasattr(levels, "__iter__"):
        raise SessionError(f"{place}: levels is {fields.quoted(levels)}; {accepted}")
    words = []
    for level in levels:
        try:
            words.append(fields.name(level, place))
        except SessionError:
            raise SessionError(
                f"{place}: levels holds {fields.quoted(level)}; each level is one line of text"
            ) from None
    keys = [word.casefold() for word in words]
    if len(words) < 2 or len(set(keys)) != len(keys) or len(words) > _MOST_WORDS:
        raise SessionError(f"{place}: levels is {fields.quoted(words)}; {accepted}")
    middle = words[(len(words) - 1) // 2] if ordered else words[0]
    return {
        "low": None,
        "high": None,
        "unit": "",
        "step": None,
        "usual": middle if usual is None else fields.one_of(usual, words, f"{place}, usual"),
        "levels": tuple(words),
    }
