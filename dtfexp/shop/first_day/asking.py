"""The questions of the first day, in order; later ones look at the answers so far."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from dtfexp.describe import units
from dtfexp.describe.errors import SessionError
from dtfexp.shop.first_day import offered, reading

PEELS = ("hot", "warm", "cold")
_NOT_SAID = "maker does not say"
NO_MORE, TAKEN_OUT, LEFT_OUT = "", "-", "-"


def _nothing(_: Any) -> str:
    return ""


@dataclass(frozen=True)
class Question:
    """One question: ``key`` of its answer, the words, the answer offered ("" for none), and how
    an answer is read (``SessionError`` refuses it).

    ``more`` is what "?" tells; ``kept`` the answer as text that reads back the same whatever unit
    is chosen later; ``note`` a plain line for the person after it ("" for none).
    """

    key: str
    words: str
    offered: str
    read: Callable[[str], Any]
    more: str = ""
    kept: Callable[[Any], str] | None = None
    note: Callable[[Any], str] = _nothing

    @property
    def prompt(self) -> str:
        return self.words + (f" [{self.offered}]: " if self.offered else ": ")

    def text(self, value: Any, told: str) -> str:
        """The answer as it is kept."""
        return told if self.kept is None else self.kept(value)


@dataclass(frozen=True)
class Chosen:
    """A fabric so far: its key among the questions, name, heat limit and whether it is pressed."""

    key: str
    name: str
    limit: float | None
    pressed: bool


def questions(answers: Mapping[str, Any]) -> Iterator[Question]:
    """Every question that the ``answers`` so far lead to; each is answered before the next."""
    yield from _film(answers)
    yield Question(
        "unit", "Temperatures in °C or °F", "°C", reading.temperature_unit,
        "The unit that your machines show. Any answer may say its own: 150 C, 302 F.",
    )  # fmt: skip
    yield from _fabrics(answers)
    yield from _oven(answers)
    yield from _press(answers)
    yield Question(
        "washes", "After how many washes do you grade", "5", reading.whole,
        "Grade dry and cold, some hours after the last wash.",
    )  # fmt: skip
    yield Question("per load", "Coupons that fit into one oven load", "6", reading.whole)
    yield Question(
        "per round", "Presses before you set the press temperature again", "8", reading.whole,
        "A new temperature takes minutes, so test presses at one temperature go together.",
    )  # fmt: skip
    yield Question("name", "What do you call this dial-in", "My bench", reading.text)


def fabrics(answers: Mapping[str, Any]) -> list[Chosen]:
    """The fabrics answered so far, in order."""
    found, n = [], 1
    while f"fabric {n}" in answers:
        key = f"fabric {n}"
        named = answers[key]
        if isinstance(named, reading.Named):
            name = named.short if answers.get(f"{key} digits") else named.name
            pressed = answers.get(f"{key} cool", "under") == "under"
            found.append(Chosen(key, name, answers.get(f"{key} limit"), pressed))
        n += 1
    return found


def _film(answers: Mapping[str, Any]) -> Iterator[Question]:
    yield Question(
        "film", "Film: its name on the packet (Enter: none)", "", reading.free,
        "Film and powder decide the cure; another film is another dial-in.",
    )  # fmt: skip
    yield Question(
        "peel", "How does its maker say it is peeled: hot, warm, cold, or maker does not say",
        _NOT_SAID,
        lambda told: reading.one_of(_unsaid(told), (*PEELS, _NOT_SAID)),
        "It stands on the packet or the data sheet. Hot: 3 s off the press. Warm: when it no "
        "longer burns. Cold: fully cold.",
    )  # fmt: skip
    if answers["peel"] == _NOT_SAID:
        yield Question(
            "peels tried", "Peels that the test presses try, of hot, warm, cold", "warm cold",
            lambda told: reading.some_of(told, PEELS),
            "Try cold first, then warm: a film peeled too hot leaves parts of the print behind.",
        )  # fmt: skip


def _unsaid(told: str) -> str:
    word = told.strip().casefold()
    return _NOT_SAID if word in ("-", "no", "none", "unknown", "not said", "does not say") else word


def _fabrics(answers: Mapping[str, Any]) -> Iterator[Question]:
    unit, n = str(answers["unit"]), 1
    while True:
        key, before = f"fabric {n}", fabrics(answers)
        pressed = any(one.pressed for one in before)
        words = f"Fabric {n}" + (" (Enter: no more)" if pressed else "")
        # Taken out of the answers of the walk: a later one must not see itself.
        taken = tuple(one.name.casefold() for one in before if one.key != key)
        yield Question(
            key, words, "cotton jersey" if n == 1 else "",
            partial(_fabric, unit=unit, taken=taken, last=pressed),
            "One fabric. Its heat limit is asked for next. - takes a fabric out again.",
            kept=lambda named: named.name if isinstance(named, reading.Named) else named,
        )  # fmt: skip
        named = answers[key]
        n += 1
        if named == NO_MORE:
            return
        if named == TAKEN_OUT:
            continue
        if named.limit is not None:
            yield Question(
                f"{key} digits", f"Is {named.limit:g} {named.unit} its heat limit (yes or no)",
                "yes", partial(_is_its_limit, named=named),
                f"No keeps {named.name!r} as the name, and the limit is asked for.",
                kept=_word,
            )  # fmt: skip
        (now,) = [one for one in fabrics(answers) if one.key == key]
        yield _limit(now, named, bool(answers.get(f"{key} digits")), unit)
        limit = answers[f"{key} limit"]
        if limit is not None and limit < units.convert(offered.BONDS_FROM, "°C", unit):
            yield Question(
                f"{key} cool",
                f"Leave {now.name} out of this session, or plan under its limit (out or under)",
                "out", lambda told: reading.one_of(told, ("out", "under")),
                "Under: only if the maker of your powder says that it bonds there.",
            )  # fmt: skip


def _fabric(told: str, unit: str, taken: tuple[str, ...], last: bool) -> Any:
    if told == TAKEN_OUT:
        return TAKEN_OUT
    if not told:
        if last:
            return NO_MORE
        raise SessionError("at least one fabric is pressed; write its name")
    return reading.fabric(told, unit, taken)


def _is_its_limit(told: str, named: reading.Named) -> bool:
    said = reading.yes_or_no(told)
    if not said:
        reading.text(named.name)
    return said


def _limit(now: Chosen, named: reading.Named, told: bool, unit: str) -> Question:
    name = now.name
    one, two, three = (f"{units.convert(d, '°C', unit):g}" for d in reading.DOTS.values())
    bonds = units.convert(offered.BONDS_FROM, "°C", unit)

    def note(limit: float | None) -> str:
        if limit is None:
            return (
                f"No limit known for {name}: look at its care label (the iron's dots) and ask its "
                "maker. Until then the first press is on scrap, and nothing here holds it back."
            )
        if limit < bonds:
            return (
                f"Common powders do not bond at {limit:g} {unit}: they need about {bonds:g} "
                f"{unit}. It takes the powder maker's word, a powder that melts lower, or another "
                "method."
            )
        return ""

    return Question(
        f"{now.key} limit",
        f"Hottest that {name} may meet, in {unit}, or the dots of its iron (Enter: "
        f"{'this' if told else 'none known'})",
        f"{named.limit:g} {named.unit}" if told else "",
        lambda answer: reading.limit(answer, unit),
        f"From its care label or its maker. Iron: one dot {one}, two {two}, three {three} {unit} "
        "(ISO 3758, from memory).",
        kept=lambda limit: "none" if limit is None else f"{limit:g} {unit}",
        note=note,
    )


def _oven(answers: Mapping[str, Any]) -> Iterator[Question]:
    unit = str(answers["unit"])
    yield Question(
        "oven", "Name of the oven", "oven", reading.text,
        "Where a shop has several, what is measured of another does not count here.",
    )  # fmt: skip
    yield Question(
        "belt", "Does the film run through it on a belt (yes or no)", "no", reading.yes_or_no,
        "A tunnel or conveyor oven: you set a speed, not a time.", kept=_word,
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


def _press(answers: Mapping[str, Any]) -> Iterator[Question]:
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
    )  # fmt: skip


_FIRM = (
    "Firm pressure squeezes white ink out and marks coated and synthetic cloth: try it on scrap."
)


def _pressures(told: str, usual: str) -> tuple[str, ...]:
    words = reading.some_of(told, offered.PRESSURES)
    if usual not in words:
        raise SessionError(f"got {told!r}; {usual}, which you run today, must be one of them")
    return words


def _press_name(answers: Mapping[str, Any], told: str) -> str:
    name = reading.text(told)
    if name.casefold() == str(answers["oven"]).casefold():
        raise SessionError(f"{name!r} is the oven; give the heat press another name")
    return name


def _measured(key: str, what: str, unit: str) -> Question:
    def kept(told: offered.Reading) -> str:
        return "" if told is None else " ".join(f"{value:g} {unit}" for value in told)

    def note(told: offered.Reading) -> str:
        if told is None:
            return (
                f"Not measured: ±{offered.spread(None, unit):g} {unit} are allowed for. A display "
                "is not a temperature; measure before you trust it."
            )
        off = (told[1] + told[2]) / 2 - told[0]
        cool = ""
        if off < 0:
            cool = (
                " Bare metal reads too cold for an infrared gun: limits hold for the display too."
            )
        return (
            f"{off:+g} {unit} off its display, and ±{offered.spread(told, unit):g} from spot to "
            f"spot.{cool}"
        )

    return Question(
        key, f"Warm {what}: display, coldest and hottest spot, in {unit} (Enter: not measured)",
        "", lambda told: reading.machine_reading(told, unit),
        "Three numbers, such as 160 152 163. Use a contact probe, or an infrared gun on a matte "
        "pad. Gloves: it burns at a touch.",
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
        "Two numbers, such as 140 175. Wide enough that both ends go wrong, if that is safe.",
        kept=lambda pair: f"{pair[0]:g} {unit} to {pair[1]:g} {unit}", note=note,
    )  # fmt: skip


def _too_hot(value: float, fabric: Chosen, highest: float, unit: str) -> str:
    return (
        f"{value:g} {unit} is too hot: {fabric.name} takes {fabric.limit:g} {unit} at most, and "
        f"with what the heat press may do beyond its dial that is {highest:g} {unit} or less"
    )


def _seconds(key: str, words: str, usual: str) -> Question:
    return Question(key, words, usual, reading.seconds, kept=lambda value: f"{value:g} s")


def _word(said: bool) -> str:
    return "yes" if said else "no"
