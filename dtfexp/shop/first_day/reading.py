"""One typed answer as a value, or ``SessionError`` in one line with what is accepted."""

from __future__ import annotations

import re
from dataclasses import dataclass

from dtfexp.book.store import typed_values
from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError
from dtfexp.describe.resources import as_length

#: Limits of a dial of an oven or heat press, °C.
COLDEST, HOTTEST = 80.0, 250.0
#: Limits of a plausible heat limit of a fabric, °C; common practice, no source.
LOWEST_LIMIT, HIGHEST_LIMIT = 80.0, 260.0
#: Iron symbol: sole-plate temperature by dots, °C (ISO 3758; from memory).
DOTS = {1: 110.0, 2: 150.0, 3: 200.0}
#: Largest plausible distance of a reading from its display, °C; judgement, no source.
_FURTHEST = 50.0
_COUNTS = {"1": 1, "2": 2, "3": 3, "one": 1, "two": 2, "three": 3}
_DOTTED = re.compile(r"(?:iron(?:ing)?\W*)?(1|2|3|one|two|three)\W*(?:dots?|points?)(?:\W*iron)?")
_NOT_KNOWN = ("", "none", "no", "no limit", "not known", "unknown", "-", "n/a")
_NO_IRON = ("crossed", "do not iron", "no iron", "don't iron")
_NUMBER = re.compile(
    r"[<>=@~≤≥(\[]*\s*(\d+(?:[.,]\d+)?)\s*(°?\s*(?:[cf]|deg\s*[cf]?)\b|°)?\s*[)\]]*", re.I
)
_LEFT_OVER = " \t<>=@~≤≥()[],;:-–/"


@dataclass(frozen=True)
class Named:
    """A fabric as typed.

    If the text may contain its limit: ``limit`` in ``unit``, and ``short``, the name without it.
    """

    name: str
    short: str = ""
    limit: float | None = None
    unit: str = ""


def text(given: str) -> str:
    """Return one line of text, a name."""
    return fields.name(typed_values.one_line(given, "a name"), "answer")


def free(given: str) -> str:
    """Return one line of text that may be empty."""
    return str(typed_values.one_line(given, "a line of text"))


def temperature_unit(given: str) -> str:
    """Return °C or °F."""
    try:
        unit = units.canonical(given)
    except SessionError:
        unit = ""
    if not units.is_temperature(unit):
        raise SessionError(f"{given!r} is no unit of temperature; write C or F")
    return unit


def yes_or_no(given: str) -> bool:
    """Return yes or no."""
    said = fields.yes_or_no(given)
    if said is None:
        raise SessionError(f"got {given!r}; write yes or no")
    return said


def one_of(given: str, words: tuple[str, ...]) -> str:
    """Return one of a few words; a unique beginning is accepted."""
    word = " ".join(given.split()).casefold()
    if word in words:
        return word
    like = [known for known in words if word and known.startswith(word)]
    if len(like) == 1:
        return like[0]
    raise SessionError(f"got {given!r}; write one of {', '.join(words)}")


def some_of(given: str, words: tuple[str, ...]) -> tuple[str, ...]:
    """Return one or more of a few words, in their own order."""
    said = [one_of(part, words) for part in re.split(r"[,;/\s]+", given.strip()) if part != "and"]
    return tuple(word for word in words if word in said)


def number(given: str, unit: str = "") -> float:
    """Return a number in ``unit``; the text may name another unit."""
    with fields.at("", SessionError):
        return typed_values.number(given, unit)


def whole(given: str, low: int = 1, high: int = 100) -> int:
    """Return a whole number."""
    said = number(given)
    if said != int(said) or not low <= said <= high:
        raise SessionError(f"got {given!r}; write a whole number from {low} to {high}")
    return int(said)


def seconds(given: str) -> float:
    """Return a time of cure or press in s."""
    said = number(given, "s")
    if not 2 <= said <= 3600:
        raise SessionError(f"got {given!r}; write a time from 2 to 3600 s")
    return on_step(said)


def speed(given: str, unit: str) -> float:
    """Return the speed of a belt, above 0."""
    said = number(given, unit) if given else 0.0
    if not 0.01 <= units.convert(said, unit, "m/min") <= 20:
        raise SessionError(f"got {given!r}; write the speed of the belt, such as 1 {unit}")
    return said


def length(given: str) -> float | None:
    """Return a length in cm, from "120 cm" or "48 in"; None where it is not known."""
    return as_length(given) if given else None


def on_step(time: float) -> float:
    """Return a time on the steps of test presses: 5 s from 30 s on, else 1 s."""
    by = time_step(time)
    return max(by, by * round(time / by))


def time_step(time: float) -> float:
    """Return the step of a time."""
    return 5.0 if time >= 30 else 1.0


def degrees(given: str, unit: str) -> float:
    """Return a setting of an oven or heat press."""
    said = number(given, unit)
    low, high = ends(unit)
    if low <= said <= high:
        return said
    other = "°F" if unit == "°C" else "°C"
    least, most = ends(other)
    hint = f". Did you mean {said:g} {other}?" if _bare(given) and least <= said <= most else ""
    raise SessionError(f"got {given!r}; write a temperature from {low:g} to {high:g} {unit}{hint}")


def ends(unit: str) -> tuple[float, float]:
    """Return the lowest and highest setting of an oven or heat press in transfer work."""
    low, high = (round(units.convert(limit, "°C", unit)) for limit in (COLDEST, HOTTEST))
    return low, high


def _bare(given: str) -> bool:
    """Whether a number stands without a unit."""
    return re.fullmatch(r"[\d.,]+", given.strip()) is not None


def degrees_range(given: str, unit: str) -> tuple[float, float]:
    """Return the lowest and highest setting."""
    low, high = _several(given, unit, 2, "two numbers, the lowest and the highest")
    if low >= high:
        raise SessionError(f"got {given!r}; write the lower number first")
    return degrees(f"{low} {unit}", unit), degrees(f"{high} {unit}", unit)


def machine_reading(given: str, unit: str) -> tuple[float, float, float] | None:
    """Return display, coldest and hottest spot of a warm machine; None if not measured."""
    if given.strip().casefold() in (*_NOT_KNOWN, "not measured"):
        return None
    display, cold, hot = _several(
        given, unit, 3, "three numbers: what the display says, the coldest and the hottest spot"
    )
    if cold > hot:
        raise SessionError(f"got {given!r}; write the coldest spot before the hottest")
    for value in (display, cold, hot):
        degrees(f"{value} {unit}", unit)
    furthest = units.convert_difference(_FURTHEST, "°C", unit)
    if max(abs(cold - display), abs(hot - display)) > furthest:
        raise SessionError(
            f"got {given!r}; a spot more than {furthest:g} {unit} off the display is no reading of "
            "a warm machine: measure on a matte pad or with a probe, in the unit of the display"
        )
    return display, cold, hot


def limit(given: str, unit: str) -> float | None:
    """Return a fabric's heat limit in ``unit``, from a temperature or its iron dots.

    None where none is known.
    """
    word = " ".join(given.split()).casefold()
    if word in _NOT_KNOWN:
        return None
    if any(sign in word for sign in _NO_IRON):
        raise SessionError(
            "a crossed iron means no heat at all: leave this fabric out (b, then - as its name), "
            "or write the temperature that its maker allows for a transfer"
        )
    dots = _dots(word)
    if dots:
        return round(units.convert(DOTS[dots], "°C", unit), 6)
    said = number(given, unit)
    if is_plausible(said, unit):
        return said
    low, high = (units.convert(end, "°C", unit) for end in (LOWEST_LIMIT, HIGHEST_LIMIT))
    other = "°F" if unit == "°C" else "°C"
    hint = f" Did you mean {said:g} {other}?" if _bare(word) and is_plausible(said, other) else ""
    raise SessionError(
        f"{said:g} {unit} is no heat limit of a fabric: write {low:g} to {high:g} {unit}, the dots "
        f"of its iron (1 dot, 2 dots, 3 dots), or none.{hint}"
    )


def is_plausible(said: float, unit: str) -> bool:
    """Return whether a temperature may be a fabric's heat limit."""
    return LOWEST_LIMIT <= units.convert(said, unit, "°C") <= HIGHEST_LIMIT


def fabric(given: str, unit: str, taken: tuple[str, ...]) -> Named:
    """Return a fabric's name, and a possible heat limit in it; ``taken``: names so far."""
    line = free(given)
    if ("," in line or ";" in line) and not re.search(r"\d,\d", line):
        raise SessionError(f"got {given!r}; write one fabric, the next is asked for after it")
    found = _limit_in(line, unit)
    for name in (line, found.short):
        if name and name.casefold() in taken:
            raise SessionError(f"{name!r} is in the list already; give this one another name")
    if found.limit is not None and not found.short:
        raise SessionError(
            f"got {given!r}: a temperature and no fabric; write its name, the limit is asked next"
        )
    if found.limit is None:
        fields.name(line, "fabric")
    else:
        fields.name(found.short, "fabric")
    return found


def _limit_in(line: str, unit: str) -> Named:
    other = "°F" if unit == "°C" else "°C"
    for match in _NUMBER.finditer(line):
        said = fields.number_from_text(match[1])
        letter = (match[2] or "").strip("° ").casefold()[-1:]
        if said is None:
            continue
        told_in = {"c": ("°C",), "f": ("°F",)}.get(letter, (unit, other))
        for one in told_in:
            if is_plausible(said, one):
                short = f"{line[: match.start()]} {line[match.end() :]}".strip(_LEFT_OVER)
                return Named(line, " ".join(short.split()), said, one)
    return Named(line)


def _dots(word: str) -> int:
    bare = word.replace(" ", "")
    if 1 <= len(bare) <= 3 and all(sign in "•·●∙.*" for sign in bare):
        return len(bare)
    match = _DOTTED.fullmatch(word)
    return _COUNTS[match[1]] if match else 0


def _several(given: str, unit: str, count: int, wanted: str) -> tuple[float, ...]:
    """Return ``count`` temperatures of one line, with any usual separators."""
    cleaned = re.sub(r"(?i)\bto\b|(?<=\d)\s*[-–](?=\s*\d)", " ", given)
    parts = re.findall(r"[^\s,;/]+(?:\s*°?\s*[CcFf]\b)?", re.sub(r"(?<=\d),(?=\d)", " ", cleaned))
    if len(parts) != count:
        raise SessionError(f"got {given!r}; write {wanted}")
    return tuple(number(part, unit) for part in parts)
