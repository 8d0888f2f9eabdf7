"""The questions about oven and heat press, and how each fabric is pressed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any

from dtfexp.describe import units
from dtfexp.describe.errors import SessionError
from dtfexp.shop.first_day import offered, reading
from dtfexp.shop.first_day.question import LEFT_OUT, YES_NO, Chosen, Question, fabrics, word


def oven(answers: Mapping[str, Any]) -> Iterator[Question]:
    """Yield the questions about the oven."""
    unit = str(answers["unit"])
    yield Question(
        "oven", "Name of the oven", "oven", reading.text,
        "Where a shop has several, measurements of the others do not count here.",
    )  # fmt: skip
    yield Question(
        "belt", "Does the film run through it on a belt (yes or no)", "no", reading.yes_or_no,
        "A tunnel or conveyor oven: you set a speed, not a time.", kept=word, choices=YES_NO,
    )  # fmt: skip
    if answers["belt"]:
        yield Question(
            "heated length", "Length of the belt that is heated, such as 120 cm or 48 in "
            "(Enter: not known)", "", reading.length,
            "With it the run sheet says how long the film is in the heat.",
            kept=lambda cm: "" if cm is None else f"{cm:g} cm",
        )  # fmt: skip
    yield _measured("oven reading", "oven bed", unit)
    usual = offered.cure_temperature(unit)
    yield _degrees("cure temperature", "Cure temperature you run today", usual, unit)
    ends = offered.temperatures("cure", answers["cure temperature"], unit, None)
    yield _range(
        "cure temperature range", "Lowest and highest cure the test presses may use", ends, unit,
        answers["cure temperature"],
    )  # fmt: skip
    if answers["belt"]:
        per = "m/min" if unit == "°C" else "ft/min"
        length = answers.get("heated length")
        yield Question(
            "belt speed", f"Belt speed you run today, in {per}",
            "" if length is None else f"{units.convert(length / 100, 'm/min', per):.1f}",
            lambda told: reading.speed(told, per),
            "Any of m/min, ft/min, in/min.", kept=lambda value: f"{value:g} {per}",
        )  # fmt: skip
    else:
        yield _seconds("cure time", "Cure time you run today, in s", "60")


def press(answers: Mapping[str, Any]) -> Iterator[Question]:
    """Yield the questions about the heat press."""
    unit = str(answers["unit"])
    yield Question("press", "Name of the heat press", "press", partial(_press_name, answers))
    yield _measured("press reading", "platen", unit)
    pressed = [one for one in fabrics(answers) if one.pressed]
    for one in pressed:
        highest = None
        if one.limit is not None:
            highest = offered.highest_dial(answers["press reading"], unit, one.limit)
        key = f"{one.key} temperature"
        usual = offered.press_temperature(one.name, unit, highest)
        yield _degrees(
            key, f"{one.name}: press temperature you run today", usual, unit, one, highest
        )
        ends = offered.temperatures("press", answers[key], unit, highest)
        yield _range(
            f"{key} range", f"{one.name}: lowest and highest the test presses may use", ends, unit,
            answers[key], one, highest,
        )  # fmt: skip
        yield _seconds(f"{one.key} time", f"{one.name}: press time you run today, in s", "15")
        if one is pressed[0] or answers[f"{pressed[0].key} pressure"] != LEFT_OUT:
            yield from _pressure(one, one is pressed[0], answers)


def _pressure(one: Chosen, first: bool, answers: Mapping[str, Any]) -> Iterator[Question]:
    leave = " (- to leave pressure out)" if first else ""
    words = (*offered.PRESSURES, *((LEFT_OUT,) if first else ()))
    key = f"{one.key} pressure"
    yield Question(
        key, f"{one.name}: pressure you run today, light, medium or firm{leave}", "medium",
        lambda told: reading.one_of(told, words),
        "Firm drives white ink out; medium at most on black and on fabrics other than cotton.",
        note=lambda word: _FIRM if word == "firm" and not offered.is_cotton(one.name) else "",
        choices=words,
    )  # fmt: skip
    if answers[key] == LEFT_OUT:
        return
    may = offered.pressures(one.name, answers[key])
    yield Question(
        f"{key} range", f"{one.name}: pressures the test presses may use", " ".join(may),
        partial(_pressures, usual=answers[key]),
        "Words of light, medium, firm; what you run today is one of them.",
        kept=" ".join,
        note=lambda words: (
            _FIRM
            if "firm" in words and answers[key] != "firm" and not offered.is_cotton(one.name)
            else ""
        ),
        choices=offered.PRESSURES, several=True,
    )  # fmt: skip


_FIRM = (
    "Firm pressure squeezes white ink out and marks coated and synthetic cloth: try it on scrap."
)


def _pressures(given: str, usual: str) -> tuple[str, ...]:
    words = reading.some_of(given, offered.PRESSURES)
    if usual not in words:
        raise SessionError(f"got {given!r}; {usual}, which you run today, must be one of them")
    return words


def _press_name(answers: Mapping[str, Any], given: str) -> str:
    name = reading.text(given)
    if name.casefold() == str(answers["oven"]).casefold():
        raise SessionError(f"{name!r} is the oven; give the heat press another name")
    return name


def _measured(key: str, what: str, unit: str) -> Question:
    def kept(told: offered.Reading) -> str:
        return "" if told is None else " ".join(f"{value:g} {unit}" for value in told)

    def note(told: offered.Reading) -> str:
        if told is None:
            return (
                f"Not measured: allowance ±{offered.spread(None, unit):g} {unit}. A display is not "
                "a temperature; measure before you trust it."
            )
        off = (told[1] + told[2]) / 2 - told[0]
        cool = ""
        if off < 0:
            cool = " An infrared gun reads bare metal too cold: keep the display below the limit."
        return (
            f"{off:+g} {unit} off its display, and ±{offered.spread(told, unit):g} from spot to "
            f"spot.{cool}"
        )

    return Question(
        key, f"Warm {what}: display, coldest and hottest spot, in {unit} (Enter: not measured)",
        "", lambda told: reading.machine_reading(told, unit),
        f"Three numbers, such as {offered.EXAMPLE_READING[unit]}. Use a contact probe, or an "
        "infrared gun on a matte pad. Gloves: it burns at a touch.",
        kept=kept, note=note,
    )  # fmt: skip


def _degrees(
    key: str,
    words: str,
    usual: float,
    unit: str,
    fabric: Chosen | None = None,
    highest: float | None = None,
) -> Question:
    def read(told: str) -> float:
        value = reading.degrees(told, unit)
        if fabric is not None and highest is not None and value > highest:
            raise SessionError(_too_hot(value, fabric, highest, unit))
        return value

    return Question(
        key, f"{words}, in {unit}", f"{usual:g}", read,
        "What the display says." if highest is None else f"What the display says, {highest:g} "
        f"{unit} at most.",
        kept=lambda value: f"{value:g} {unit}",
    )  # fmt: skip


def _range(
    key: str,
    words: str,
    ends: tuple[float, float],
    unit: str,
    usual: float,
    fabric: Chosen | None = None,
    highest: float | None = None,
) -> Question:
    def read(told: str) -> tuple[float, float]:
        low, high = reading.degrees_range(told, unit)
        if fabric is not None and highest is not None and high > highest:
            raise SessionError(_too_hot(high, fabric, highest, unit))
        if not low <= usual <= high:
            raise SessionError(
                f"got {told!r}; {usual:g} {unit}, which you run today, must lie between them"
            )
        return low, high

    bonds = units.convert(offered.BONDS_FROM, "°C", unit)

    def note(found: tuple[float, float]) -> str:
        if fabric is None or found[1] >= bonds or (fabric.limit or bonds) < bonds:
            return ""
        return f"Common powders need about {bonds:g} {unit}; at {found[1]:g} they may not bond."

    return Question(
        key, f"{words}, in {unit}", f"{ends[0]:g} {ends[1]:g}", read,
        f"Two numbers, such as {offered.EXAMPLE_RANGE[unit]}. Wide enough that both ends go wrong, "
        "if that is safe.",
        kept=lambda pair: f"{pair[0]:g} {unit} to {pair[1]:g} {unit}", note=note,
    )  # fmt: skip


def _too_hot(value: float, fabric: Chosen, highest: float, unit: str) -> str:
    return (
        f"{value:g} {unit} is too hot: {fabric.name} takes {fabric.limit:g} {unit} at most, and "
        f"with what the heat press may do beyond its dial that is {highest:g} {unit} or less"
    )


def _seconds(key: str, words: str, usual: str) -> Question:
    return Question(key, words, usual, reading.seconds, kept=lambda value: f"{value:g} s")
