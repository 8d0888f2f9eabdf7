"""The questions of the first day, in order; later ones depend on the answers so far."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

from dtfexp.describe import units
from dtfexp.describe.errors import SessionError
from dtfexp.shop.first_day import judging, machines, offered, reading
from dtfexp.shop.first_day.question import (
    NO_MORE,
    TAKEN_OUT,
    YES_NO,
    Chosen,
    Question,
    fabrics,
    word,
)

PEELS = ("hot", "warm", "cold")
_NOT_SAID = "maker does not say"


def questions(answers: Mapping[str, Any]) -> Iterator[Question]:
    """Yield every question that the ``answers`` so far lead to, each answered before the next."""
    for section, part in SECTIONS:
        for question in part(answers):
            yield replace(question, section=section)


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
        choices=(*PEELS, _NOT_SAID),
    )  # fmt: skip
    if answers["peel"] == _NOT_SAID:
        yield Question(
            "peels tried", "Peels that the test presses try, of hot, warm, cold", "warm cold",
            lambda told: reading.some_of(told, PEELS),
            "Try cold first, then warm: a film peeled too hot leaves parts of the print behind.",
            choices=PEELS, several=True,
        )  # fmt: skip


def _unsaid(given: str) -> str:
    word = given.strip().casefold()
    return _NOT_SAID if word in ("-", "no", "none", "unknown", "not said", "does not say") else word


def _fabrics(answers: Mapping[str, Any]) -> Iterator[Question]:
    unit, n = str(answers["unit"]), 1
    while True:
        key, before = f"fabric {n}", fabrics(answers)
        pressed = any(one.pressed for one in before)
        words = f"Fabric {n}" + (" (Enter: no more)" if pressed else "")
        # Removed from the answers: a later question must not see its own answer.
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
                kept=word, choices=YES_NO,
            )  # fmt: skip
        (now,) = [one for one in fabrics(answers) if one.key == key]
        yield _limit(now, named, bool(answers.get(f"{key} digits")), unit)
        limit = answers[f"{key} limit"]
        if limit is not None and limit < units.convert(offered.BONDS_FROM, "°C", unit):
            yield Question(
                f"{key} cool",
                f"Leave {now.name} out of this session, or plan under its limit (out or under)",
                "out", lambda told: reading.one_of(told, ("out", "under")),
                "Under: only if the maker of your powder confirms that it bonds there.",
                choices=("out", "under"),
            )  # fmt: skip


def _fabric(given: str, unit: str, taken: tuple[str, ...], last: bool) -> Any:
    if given == TAKEN_OUT:
        return TAKEN_OUT
    if not given:
        if last:
            return NO_MORE
        raise SessionError("at least one fabric is pressed; write its name")
    return reading.fabric(given, unit, taken)


def _is_its_limit(given: str, named: reading.Named) -> bool:
    said = reading.yes_or_no(given)
    if not said:
        reading.text(named.name)
    return said


def _limit(now: Chosen, named: reading.Named, given: bool, unit: str) -> Question:
    name = now.name
    one, two, three = (f"{units.convert(d, '°C', unit):g}" for d in reading.DOTS.values())
    bonds = units.convert(offered.BONDS_FROM, "°C", unit)

    def note(limit: float | None) -> str:
        if limit is None:
            return (
                f"No limit known for {name}: look at its care label (the iron's dots) and ask its "
                "maker. Until then press on scrap first: without a limit no plan is held back."
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
        f"{'this' if given else 'none known'})",
        f"{named.limit:g} {named.unit}" if given else "",
        lambda answer: reading.limit(answer, unit),
        f"From its care label or its maker. Iron: one dot {one}, two {two}, three {three} {unit} "
        "(ISO 3758, from memory).",
        kept=lambda limit: "none" if limit is None else f"{limit:g} {unit}",
        note=note,
    )


def _unit(_: Mapping[str, Any]) -> Iterator[Question]:
    yield Question(
        "unit", "Temperatures in °C or °F", "°C", reading.temperature_unit,
        "The unit that your machines show. Any answer may say its own: 150 C, 302 F.",
        choices=("°C", "°F"),
    )  # fmt: skip


def _grading(answers: Mapping[str, Any]) -> Iterator[Question]:
    yield from judging.washes(answers)
    yield Question("per load", "Coupons that fit into one oven load", "6", reading.whole)
    yield Question(
        "per round", "Presses before you set the press temperature again", "8", reading.whole,
        "A new temperature takes minutes, so test presses at one temperature go together.",
    )  # fmt: skip
    yield Question("name", "What do you call this dial-in", "My bench", reading.text)


SECTIONS = (
    ("Film", _film),
    ("Temperatures", _unit),
    ("Fabrics and the heat they take", _fabrics),
    ("Oven", machines.oven),
    ("Heat press, and what you run today", machines.press),
    ("Grades, loads, rounds", _grading),
    ("What else you judge", judging.others),
)
"""The parts of the first day, in order: title, questions."""
