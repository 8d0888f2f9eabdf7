"""The countdowns of the recording form: the duration of each step of a press.

A time comes from the planned press. Without one it is common practice on transfer benches (no
published source) or, when practice gives no number either, the form counts up.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.describe.units import convert, kind
from dtfexp.show.text.number_format import label
from dtfexp.show.text.trade_hints import peel_word

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

#: Seconds between cure and press; common practice, no source: 5 to 10 at least.
REST = 10.0
#: Seconds before a hot peel; common practice, no source.
HOT_PEEL = 3.0


#: Words in a factor's name that place its time elsewhere than its stage does.
_REST, _FINISH = {"rest", "resting"}, {"finish", "finishing", "final", "second"}


def countdowns(session: Session, settings: Mapping[Any, Any]) -> list[dict[str, Any]]:
    """Return cure, rest, press, peel wait and finish of a press with these settings, in order.

    Each has ``key``, ``label``, ``seconds`` (None: count up), ``hint`` (source of the time),
    ``letter`` (the key that starts it; "" for a second one of its step) and ``ends`` (the step
    completed at its end; "" for none).
    """
    planned: dict[str, list[dict[str, Any]]] = {}
    for factor in session.factors:
        seconds: float | None = None
        if factor.is_numeric and kind(factor.unit) == "time":
            seconds = float(convert(float(settings[factor.name]), factor.unit, "s"))
        elif factor.is_numeric and kind(factor.unit) == "speed":
            seconds = session.pace.dwell_seconds(float(settings[factor.name]), factor.unit)
        if seconds is not None:
            one = _one(factor.name, label(factor.name), seconds, "as planned")
            planned.setdefault(_step(factor), []).append(one)
    steps = (
        ("c", "cured", planned.get("cure") or [_own("cure", None, "no time planned")]),
        ("r", "", planned.get("rest") or [_own("rest", REST, "at least 5 s")]),
        ("p", "pressed", planned.get("press") or [_own("press", None, "no time planned")]),
        ("w", "", planned.get("peel") or [_wait(session, settings)]),
        ("f", "", planned.get("finish", [])),
    )
    return [
        {**one, "letter": "" if place else letter, "ends": ends if one is step[-1] else ""}
        for letter, ends, step in steps
        for place, one in enumerate(step)
    ]


def _step(factor: Factor) -> str:
    words = set(re.split(r"[\W_]+", factor.name.casefold()))
    if factor.stage != "peel" and words & _REST:
        return "rest"
    return "finish" if factor.stage == "press" and words & _FINISH else factor.stage


def _wait(session: Session, settings: Mapping[Any, Any]) -> dict[str, Any]:
    word = peel_word(session, settings)
    if word == "cold":
        return _own("wait to peel", None, "until fully cold")
    if word == "warm":
        return _own("wait to peel", None, "until warm")
    return _own("wait to peel", HOT_PEEL, "at least 3 s")


def _own(name: str, seconds: float | None, hint: str) -> dict[str, Any]:
    # No factor's name begins with @, so its key is its own.
    return _one(f"@{name}", name, seconds, hint)


def _one(key: str, name: str, seconds: float | None, hint: str) -> dict[str, Any]:
    return {"key": key, "label": name, "seconds": seconds, "hint": hint}
