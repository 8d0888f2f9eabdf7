"""One outcome judged on a test press: a grade, a pass or fail, or a measured value."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from dtfexp.describe import fields, units
from dtfexp.describe.errors import SessionError
from dtfexp.describe.signs.guide import default_guide

KINDS = ("graded", "passfail", "measured")
_MOST_GRADES = 101
_TOLERANCE = 1e-9
_HALF_GRADE = re.compile(r"(\d{1,2})\s*[-–]\s*(\d{1,2})", re.ASCII)
_SLASHED = re.compile(r"\d{1,3}\s*[/⁄]\s*\d{1,3}", re.ASCII)  # both are typed
_PASS_WORDS = ("pass", "passed", "yes", "true")
_FAIL_WORDS = ("fail", "failed", "no", "false")


@dataclass(frozen=True, init=False, repr=False)
class Outcome:
    """One outcome of a press and the scale it is judged on.

    ``worst`` and ``best`` give the direction (``best`` may be the smaller number). A press passes
    when its grade is ``accept`` or better. ``step=0.5`` allows half grades. ``kind``:

    * "graded": the grades are worst, worst + step, … best;
    * "passfail": two grades; the defaults of worst, best and accept become 0, 1 and 1;
    * "measured": any number from worst to best, in ``unit``; ``step`` is not used and is 0.

    ``guide`` maps a grade to the sentence that describes it, so that a grade means the same every
    day; a plain 1-to-5 scale gets our own. ``washes`` is the number of wash cycles before this
    outcome is judged, None when judged without washing. Outcomes of one ``series`` judge one
    quality after different numbers of washes on one scale; they are modelled jointly.

    Raises ``SessionError`` for an invalid description.
    """

    name: str
    worst: float
    best: float
    accept: float
    step: float
    kind: str
    unit: str
    guide: Mapping[float, str] = field(hash=False)
    washes: int | None
    series: str

    def __init__(
        self,
        name: str,
        worst: float = 1,
        best: float = 5,
        accept: float = 4,
        step: float = 1,
        kind: str = "graded",
        unit: str = "",
        guide: Mapping[Any, str] | None = None,
        washes: int | None = None,
        series: str = "",
    ) -> None:
        name = fields.name(name, "outcome")
        place = f"outcome {name!r}"
        kind = fields.choice(kind, place, "kind", KINDS)
        if kind == "passfail":
            if (worst, best, accept) == (1, 5, 4):
                worst, best, accept = 0, 1, 1
            elif accept == 4 and 4 not in (worst, best):
                accept = best
        low_end = fields.number(worst, place, "worst")
        high_end = fields.number(best, place, "best")
        if low_end == high_end:
            raise SessionError(
                f"{place}: worst and best are both {low_end:g}; they must be different grades"
            )
        with fields.at(place, SessionError):
            unit = units.canonical(unit)
        by = fields.not_negative(step, place, "step")
        if kind == "measured":
            by = 0.0
        elif kind == "passfail":
            by = abs(high_end - low_end)
        values: dict[str, Any] = {
            "name": name,
            "worst": low_end,
            "best": high_end,
            "accept": fields.number(accept, place, "accept"),
            "step": by,
            "kind": kind,
            "unit": unit,
            "washes": None
            if washes is None
            else fields.whole_number(washes, place, "washes", 0, 1000),
            "series": fields.free_text(series, place, "series").strip().casefold(),
        }
        for key, value in values.items():
            object.__setattr__(self, key, value)
        if kind == "graded":
            _check_step(place, low_end, high_end, by)
        with fields.at(f"{place}, accept", SessionError):
            self.check(values["accept"])
        if kind == "passfail" and values["accept"] != high_end:
            accepted = f"for pass or fail the best, {high_end:g}"
            raise fields.refusal(f"{place}, accept", values["accept"], accepted)
        if self.series and self.washes is None:
            raise SessionError(
                f"{place}: series is {self.series!r}, but washes is missing; say after how many "
                "washes it is judged (0: before the first)"
            )
        object.__setattr__(self, "guide", _guide(self, place, guide))

    @property
    def grades(self) -> tuple[float, ...]:
        """Every grade from worst to best; empty for a measured outcome."""
        if self.kind == "measured":
            return ()
        count = round(abs(self.best - self.worst) / self.step)
        steps = (round(self.worst + self.sign * k * self.step, 9) for k in range(count))
        return (*steps, self.best)

    @property
    def least_washes(self) -> int:
        """After how many washes it is judged; at least one where only its name says "wash"."""
        if self.washes is None:
            return int("wash" in self.name.casefold())
        return self.washes

    @property
    def sign(self) -> int:
        """+1 when a higher number is better, -1 when a lower one is."""
        return 1 if self.best > self.worst else -1

    @property
    def accepted(self) -> str:
        """The accepted entries for this outcome, in words."""
        low, high = sorted((self.worst, self.best))
        unit = f" {self.unit}" if self.unit else ""
        if self.kind == "measured":
            return f"a number from {low:g} to {high:g}{unit}"
        if self.kind == "passfail":
            return (
                f"{self.best:g} (pass) or {self.worst:g} (fail), or the words pass, fail, yes, no"
            )
        if len(self.grades) <= 6:
            return f"one of {', '.join(f'{grade:g}' for grade in sorted(self.grades))}"
        return f"{low:g} to {high:g} in steps of {self.step:g}"

    def passes(self, value: float) -> bool:
        """Return whether ``value`` is ``accept`` or better; a missing value (NaN) is not."""
        return self.sign * (float(value) - self.accept) >= -_TOLERANCE

    def check(self, value: object) -> float:
        """Return ``value`` as a grade of this scale; ``ValueError`` says what is accepted.

        Accepted: numbers, text such as "4" or "3,5", the half grade "4-5" on a scale with half
        steps, and for pass or fail also true/false, pass/fail, yes/no.
        """
        refused = ValueError(f"got {fields.quoted(value)}; accepted {self.accepted}")
        number = self._number(value)
        if number is None:
            raise ValueError(f"{refused}{self._slash_hint(value)}")
        low, high = sorted((self.worst, self.best))
        if not low - _TOLERANCE <= number <= high + _TOLERANCE:
            raise refused
        if self.kind == "measured":
            return min(max(number, low), high)
        nearest = min(self.grades, key=lambda grade: abs(grade - number))
        if abs(nearest - number) > 1e-6:
            raise refused
        return nearest

    def _slash_hint(self, value: object) -> str:
        """Return the meaning of a grade with a slash: between two grades, or a share."""
        if not isinstance(value, str) or not _SLASHED.fullmatch(value.strip()):
            return ""
        half = "half-way between 4 and 5 is written 4-5 or 4.5, " if self.step == 0.5 else ""
        return f" ({half}4 out of 5 is written 4; {value.strip()} could be either)"

    def rank(self, value: object) -> int:
        """Return the index of a grade on the scale, 0 for the worst.

        Raises ``ValueError`` for a measured outcome.
        """
        if self.kind == "measured":
            raise ValueError(f"outcome {self.name!r} is measured and has no grades to rank")
        return self.grades.index(self.check(value))

    def _number(self, value: object) -> float | None:
        if fields.is_flag(value):
            if self.kind != "passfail":
                return None
            return self.best if value else self.worst
        if isinstance(value, str):
            word = value.strip().casefold()
            if self.kind == "passfail" and word in _PASS_WORDS + _FAIL_WORDS:
                return self.best if word in _PASS_WORDS else self.worst
            half = _HALF_GRADE.fullmatch(word)
            if half and self.kind == "graded":
                first, second = float(half[1]), float(half[2])
                return (first + second) / 2 if abs(first - second) == 1 else None
            return fields.number_from_text(word)
        try:
            return fields.number(value, "", "")
        except SessionError:
            return None

    def __repr__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return (
            f"Outcome({self.name!r}, {self.worst:g} worst to {self.best:g} best{unit}, "
            f"accept {self.accept:g})"
        )


def wash_series(outcomes: Iterable[Outcome]) -> list[tuple[Outcome, ...]]:
    """Return every series of two or more outcomes, fewest washes first.

    Raises ``SessionError`` for a series on two scales, or one judged twice after the same number of
    washes.
    """
    found: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        if outcome.series:
            found.setdefault(outcome.series, []).append(outcome)
    for name, some in found.items():
        first, *others = some
        for other in others:
            if _scale(other) != _scale(first):
                raise SessionError(
                    f"outcome {other.name!r}: series {name!r} is judged on another scale by "
                    f"{first.name!r}; a series has one kind, worst, best, step and unit"
                )
        if len({outcome.washes for outcome in some}) < len(some):
            raise SessionError(
                f"session: series {name!r} is judged twice after the same number of washes; give "
                "each outcome of a series its own number of washes"
            )
    sorted_out = (sorted(some, key=lambda o: o.washes or 0) for some in found.values())
    return [tuple(some) for some in sorted_out if len(some) > 1]


def _scale(outcome: Outcome) -> tuple[Any, ...]:
    return (outcome.kind, outcome.worst, outcome.best, outcome.step, outcome.unit)


def _check_step(place: str, worst: float, best: float, step: float) -> None:
    width = abs(best - worst)
    if not 0 < step <= width:
        raise fields.refusal(
            f"{place}, step",
            step,
            f"above 0 and no more than the scale from worst to best, {width:g}",
        )
    count = width / step
    if abs(count - round(count)) > 1e-6:
        raise SessionError(
            f"{place}: step is {step:g}; whole steps must lead from worst {worst:g} "
            f"to best {best:g}"
        )
    if count >= _MOST_GRADES:
        raise SessionError(
            f"{place}: step is {step:g}, which makes more than {_MOST_GRADES} grades; "
            'use a larger step, or kind="measured"'
        )


def _guide(outcome: Outcome, place: str, guide: Mapping[Any, str] | None) -> dict[float, str]:
    if guide is None:
        return default_guide(outcome.name, outcome.kind, outcome.worst, outcome.best)
    if not isinstance(guide, Mapping):
        raise fields.refusal(
            f"{place}, guide", guide, 'a sentence for each grade, such as {5: "no change"}'
        )
    result = {}
    for grade, sentence in guide.items():
        with fields.at(f"{place}, guide", SessionError):
            key = outcome.check(grade)
        if not isinstance(sentence, str) or not sentence.strip() or "\n" in sentence:
            raise fields.refusal(f"{place}, guide for grade {key:g}", sentence, "one line of text")
        result[key] = sentence.strip()
    return dict(sorted(result.items()))
