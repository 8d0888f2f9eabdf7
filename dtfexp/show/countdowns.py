"""How long each step of one press takes: what the recording form counts down at the bench.

A time comes from the planned press. Where no plan says one, it is common practice on transfer
benches (no published source) or, when practice gives no number either, the form counts up.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.describe.units import convert, kind
from dtfexp.show.practice import peel_word
from dtfexp.show.reading import label

if TYPE_CHECKING:
    from dtfexp.describe.session import Session

#: Seconds between cure and press; common practice, no source: 5 to 10 at least.
REST = 10.0
#: Seconds before a hot peel; common practice, no source.
HOT_PEEL = 3.0


def countdowns(session: Session, settings: Mapping[Any, Any]) -> list[dict[str, Any]]:
    """Cure, rest, press and peel wait of a press with these settings, in the order of the bench.

    Each has ``key``, ``label``, ``seconds`` (None: count up), ``hint`` (where the time comes
    from), ``letter`` (the key that starts it; "" for a second one of its stage) and ``ends``
    (the step that has happened when it is over; "" for none).
    """
    steps = {
        "c": ("cured", _planned(session, settings, "cure", "cure")),
        "r": ("", [_one("rest", "rest", REST, "at least 5 s")]),
        "p": ("pressed", _planned(session, settings, "press", "press")),
        "w": ("", _peel(session, settings)),
    }
    return [
        {**one, "letter": "" if place else letter, "ends": ends if one is stage[-1] else ""}
        for letter, (ends, stage) in steps.items()
        for place, one in enumerate(stage)
    ]


def _planned(
    session: Session, settings: Mapping[Any, Any], stage: str, name: str
) -> list[dict[str, Any]]:
    """One countdown for every time that the plan sets in this stage; counting up if for none."""
    found = [
        _one(
            factor.name,
            label(factor.name),
            float(convert(float(settings[factor.name]), factor.unit, "s")),
            "as planned",
        )
        for factor in session.factors
        if factor.stage == stage and factor.is_numeric and kind(factor.unit) == "time"
    ]
    return found or [_one(name, name, None, "no time planned")]


def _peel(session: Session, settings: Mapping[Any, Any]) -> list[dict[str, Any]]:
    planned = _planned(session, settings, "peel", "wait to peel")
    if planned[0]["seconds"] is not None:
        return planned
    word = peel_word(session, settings)
    if word == "cold":
        return [_one("wait to peel", "wait to peel", None, "until fully cold")]
    if word == "warm":
        return [_one("wait to peel", "wait to peel", None, "until warm")]
    return [_one("wait to peel", "wait to peel", HOT_PEEL, "at least 3 s")]


def _one(key: str, name: str, seconds: float | None, hint: str) -> dict[str, Any]:
    return {"key": key, "label": name, "seconds": seconds, "hint": hint}
