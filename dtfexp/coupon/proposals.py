"""What a picture proposes for an outcome: a grade or a value, how sure, and why.

A proposal is no grade: a person decides. Which measure answers which outcome follows from words
in the outcome's name, as its published scale is (``describe.signs.guide``). Digital imaging for
grading change in colour is the method of ISO 105-A11; its title is from memory, its text was not at
hand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from dtfexp.coupon.grades import band_grade, fastness_difference, grey_scale_grade
from dtfexp.coupon.layout import COLOURS
from dtfexp.coupon.measures import CouponMeasures, Measured
from dtfexp.describe import fields
from dtfexp.describe.errors import CouponError
from dtfexp.describe.outcome import Outcome

#: Standard uncertainties to each side of a value: 90 %.
_SIDES = 1.645
_COLOUR = ("colour", "color", "fad")
_MISSING = ("peel", "release", "missing", "adhesion", "transfer")
#: What a picture measures as a number -> the words that ask for it in an outcome's name.
_NUMBERS = {
    "missing": ("missing", "peel", "lost"),
    "cracked": ("crack", "lift"),
    "halo": ("halo", "powder"),
    "line": ("line",),
    "gap": ("gap",),
    "letters": ("letter", "text"),
}


@dataclass(frozen=True)
class Proposal:
    """The value proposed for an outcome, the range it lies in with 90 %, and why."""

    value: float
    low: float
    high: float
    why: str

    def said(self) -> list[Any]:
        """Return the proposal as JSON holds it."""
        return [self.value, self.low, self.high, self.why]

    @classmethod
    def of_said(cls, told: object) -> Proposal:
        """Return the proposal that JSON holds; ``CouponError`` when it holds something else."""
        try:
            number = [float(part) for part in told[:3]]  # type: ignore[index]
            return cls(number[0], number[1], number[2], str(told[3]))  # type: ignore[index]
        except (TypeError, ValueError, LookupError) as error:
            raise CouponError(f"proposal: got {fields.quoted(told)}: {error}") from None


def proposals(
    outcomes: Iterable[Outcome], measures: CouponMeasures, washes: int
) -> dict[str, Proposal]:
    """Return what the measures of a picture taken after so many washes propose, by outcome.

    Left out: an outcome judged after other washes, on a scale that is not 1 to 5, or with a name
    that nothing measured answers.
    """
    found = {}
    for outcome in outcomes:
        if _judged_now(outcome, washes):
            one = _measured(outcome, measures) or _graded(outcome, measures)
            if one is not None:
                found[outcome.name] = one
    return found


def worst_change(measures: CouponMeasures) -> tuple[str, Measured] | None:
    """Return the colour that changed most and its ΔE_F (ISO 105-A05); None without colours.

    A length of three noisy differences is too long: the variance is taken off its square.
    """
    changes = []
    for name in COLOURS:
        change = measures.colours.get(name)
        if change is not None:
            length, sd = fastness_difference(change.before, change.after), change.ciede2000.sd
            changes.append((math.sqrt(max(0.0, length**2 - sd**2)), name, sd))
    if not changes:
        return None
    size, name, sd = max(changes)
    return name, Measured(size, sd)


def _judged_now(outcome: Outcome, washes: int) -> bool:
    if outcome.washes is None:
        return (outcome.least_washes > 0) == (washes > 0)
    return outcome.washes == washes


def _measured(outcome: Outcome, measures: CouponMeasures) -> Proposal | None:
    if outcome.kind != "measured":
        return None
    words = outcome.name.casefold()
    if _has(words, _COLOUR):
        worst = max(
            ((c.ciede2000.value, c.ciede2000.sd, name) for name, c in measures.colours.items()
             if name in COLOURS), default=None,
        )  # fmt: skip
        if worst is None:
            return None
        value, sd, name = worst
        return _value(outcome, Measured(value, sd), f"CIEDE2000 of {name}, which changed most")
    for measure, asked in _NUMBERS.items():
        one: Measured | None = getattr(measures, measure)
        if one is not None and _has(words, asked):
            return _value(outcome, one, f"{measure} as measured")
    return None


def _value(outcome: Outcome, one: Measured, why: str) -> Proposal:
    low, high = sorted((outcome.worst, outcome.best))

    def held(value: float) -> float:
        return round(min(max(value, low), high), 4)

    reach = _SIDES * one.sd
    return Proposal(held(one.value), held(one.value - reach), held(one.value + reach), why)


def _graded(outcome: Outcome, measures: CouponMeasures) -> Proposal | None:
    """Return the worst grade of all that the outcome's name asks for."""
    if outcome.kind != "graded" or (outcome.worst, outcome.best) != (1, 5):
        return None
    words, found = outcome.name.casefold(), []
    washed, change = "wash" in words, worst_change(measures)
    if change is not None and (washed or _has(words, _COLOUR)):
        name, size = change
        told = f"{name} changed by {size.value:.1f} (ISO 105-A05)"
        found.append(_grade(outcome, size, grey_scale_grade, told))
    if measures.missing is not None and (washed or _has(words, _MISSING)):
        told = f"{measures.missing.value:.1f} % of the print missing"
        found.append(_grade(outcome, measures.missing, band_grade, told))
    if measures.cracked is not None and (washed or "crack" in words):
        told = f"{measures.cracked.value:.1f} % of the solid cracked"
        found.append(_grade(outcome, measures.cracked, band_grade, told))
    return min(found, key=lambda one: (one.value, one.low)) if found else None


def _grade(outcome: Outcome, one: Measured, grade: Callable[[float], float], why: str) -> Proposal:
    """Return the grade of a measure, on a scale of whole steps the lower of two."""
    reach = _SIDES * one.sd
    sides = [one.value, one.value + reach, one.value - reach]
    value, low, high = (_stepped(outcome, grade(side)) for side in sides)
    return Proposal(value, low, high, why)


def _stepped(outcome: Outcome, grade: float) -> float:
    return max(one for one in outcome.grades if one <= grade + 1e-9)


def _has(words: str, any_of: Iterable[str]) -> bool:
    return any(word in words for word in any_of)


def proposals_of_said(told: Mapping[str, Any]) -> dict[str, Proposal]:
    """Return the proposals that JSON holds, by outcome."""
    return {str(name): Proposal.of_said(one) for name, one in told.items()}
