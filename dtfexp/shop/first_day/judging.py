"""What is judged on a coupon: peel and washes, and what else a shop looks at or measures."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any

from dtfexp.describe import units
from dtfexp.describe.errors import SessionError
from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import RESERVED
from dtfexp.shop.first_day import reading
from dtfexp.shop.first_day.question import NO_MORE, TAKEN_OUT, Question

GRADED, PASS_FAIL, MEASURED = KINDS = ("graded 1 to 5", "pass or fail", "measured")
_KIND = {GRADED: "graded", PASS_FAIL: "passfail", MEASURED: "measured"}
_PEEL, _WASH = "peel", "wash"
#: Names that a setting or the wash grades of this dialogue may have.
_TAKEN = (
    *RESERVED, _PEEL, _WASH, "cure temperature", "cure time", "belt speed", "press temperature",
    "press time", "pressure", "peel warmth",
)  # fmt: skip
_MOST_WASHES = 100


def washes(_: Mapping[str, Any]) -> Iterator[Question]:
    """Yield the question of the washes after which the print is graded."""
    yield Question(
        "washes", "After how many washes do you grade (several: 1 5 20)", "5",
        partial(_counts, low=1),
        "Grade dry and cold, some hours after the last wash. Peel and wash are graded 1 to 5; 4 is "
        "good.",
        kept=_spaced,
    )  # fmt: skip


def others(answers: Mapping[str, Any]) -> Iterator[Question]:
    """Yield the questions about each further outcome, until none is named."""
    n = 1
    while True:
        key = f"judged {n}"
        taken = tuple(str(answers[one]).casefold() for one in _named(answers) if one != key)
        yield Question(
            key, ("Anything else" if n == 1 else "And what else") + " you judge (Enter: no more)",
            NO_MORE, partial(_name, taken=taken),
            "Such as hand feel, opacity, edge lift in mm, pull-off force in N. - takes one out "
            "again.",
        )  # fmt: skip
        name = answers[key]
        n += 1
        if name == NO_MORE:
            return
        if name != TAKEN_OUT:
            yield from _scale(key, str(name), answers)


def _scale(key: str, name: str, answers: Mapping[str, Any]) -> Iterator[Question]:
    yield Question(
        f"{key} kind", f"{name}: graded 1 to 5, pass or fail, or measured", GRADED,
        lambda told: reading.one_of(told, KINDS), choices=KINDS,
    )  # fmt: skip
    if answers[f"{key} kind"] == GRADED:
        yield Question(
            f"{key} accept", f"{name}: the lowest grade that is good", "4",
            lambda told: reading.whole(told, 2, 5), "1 is worst, 5 is best.",
        )  # fmt: skip
    elif answers[f"{key} kind"] == MEASURED:
        known = ", ".join(unit for unit in units.UNITS if unit and not units.is_temperature(unit))
        yield Question(
            f"{key} unit", f"{name}: its unit (Enter: a plain number)", "", units.canonical,
            f"One of {known}.", kept=str,
        )  # fmt: skip
        unit = str(answers[f"{key} unit"])
        yield Question(
            f"{key} ends", f"{name}: the worst and the best value it can have", "",
            partial(_ends, unit=unit), "Two numbers, the worst first: 0 40, or 10 0 where less is "
            "better.",
            kept=_spaced,
        )  # fmt: skip
        worst, best = answers[f"{key} ends"]
        yield Question(
            f"{key} limit", f"{name}: good from which value on", "",
            partial(_limit, unit=unit, worst=worst, best=best),
            "At this value or better a press passes.", kept=lambda value: f"{value:g}",
        )  # fmt: skip
    yield Question(
        f"{key} washes", f"{name}: judged after how many washes (0: at the press; several: 0 5)",
        "0", partial(_counts, low=0), kept=_spaced,
    )  # fmt: skip


def outcomes(answers: Mapping[str, Any]) -> list[Outcome]:
    """Return the outcomes that the answers describe: peel, wash, and the others in their order."""
    found = [Outcome(_PEEL), *_series(_WASH, answers["washes"], {})]
    for key in _named(answers):
        kind = _KIND[answers[f"{key} kind"]]
        scale: dict[str, Any] = {"kind": kind}
        if kind == "graded":
            scale["accept"] = answers[f"{key} accept"]
        elif kind == "measured":
            worst, best = answers[f"{key} ends"]
            scale |= {"worst": worst, "best": best, "accept": answers[f"{key} limit"]}
            scale["unit"] = answers[f"{key} unit"]
        found += _series(answers[key], answers[f"{key} washes"], scale)
    return found


def _series(name: str, counts: tuple[int, ...], scale: Mapping[str, Any]) -> list[Outcome]:
    """Return one outcome for each count of washes; several are one series."""
    if len(counts) == 1:
        return [Outcome(name, washes=counts[0] or None, **scale)]
    return [Outcome(f"{name} {n}", washes=n, series=name, **scale) for n in counts]


def _named(answers: Mapping[str, Any]) -> list[str]:
    keys = [key for key in answers if re.fullmatch(r"judged \d+", key)]
    return [key for key in keys if answers[key] not in (NO_MORE, TAKEN_OUT)]


def _name(given: str, taken: tuple[str, ...]) -> str:
    if given in (NO_MORE, TAKEN_OUT):
        return given
    name = reading.text(given)
    bare = re.sub(r" \d+$", "", name.casefold())
    if bare in (*_TAKEN, *taken) or bare.endswith("_actual"):
        raise SessionError(f"{name!r} is in use already; give this another name")
    return name


def _counts(given: str, low: int) -> tuple[int, ...]:
    said = [reading.whole(part, low, _MOST_WASHES) for part in re.split(r"[,;/\s]+", given.strip())]
    return tuple(sorted(set(said)))


def _ends(given: str, unit: str) -> tuple[float, float]:
    parts = re.findall(r"-?\d+(?:[.,]\d+)?", re.sub(r"(?i)\bto\b", " ", given))
    if len(parts) != 2:
        raise SessionError(f"got {given!r}; write two numbers, the worst and the best")
    worst, best = (reading.number(part, unit) for part in parts)
    if worst == best:
        raise SessionError(f"got {given!r}; worst and best must differ")
    return worst, best


def _limit(given: str, unit: str, worst: float, best: float) -> float:
    said = reading.number(given, unit)
    low, high = sorted((worst, best))
    if not low <= said <= high or said == worst:
        raise SessionError(f"got {given!r}; write a value from {low:g} to {high:g}, not the worst")
    return said


def _spaced(values: tuple[float, ...]) -> str:
    return " ".join(f"{value:g}" for value in values)
