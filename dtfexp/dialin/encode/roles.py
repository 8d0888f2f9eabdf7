"""The role of a setting on the bench, whatever the session calls it.

Roles are the terms of the table of causes: "press temperature", "pressure", "rest", "pre-press",
"peel warmth", "powder" and so on. They follow from stage, unit, words and, last, the name.
"""

from __future__ import annotations

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.describe.units import kind

#: Peel types, from cold to hot.
TEMPERS = ("cold", "warm", "hot")
#: Roles of which more brings more heat into film and garment.
HEAT = frozenset({"press temperature", "press time", "cure temperature", "cure time"})
_PRESSURE_WORDS = ("light", "medium", "firm", "soft", "hard")


def role(factor: Factor) -> str:
    """Return the role of a setting; "" for one unknown to the table of causes."""
    name = " ".join(factor.name.casefold().replace("_", " ").replace("-", " ").split())
    measure = kind(factor.unit) if factor.is_numeric else ""
    for word in ("powder", "ink", "white"):
        if word in name.split() and measure not in ("temperature", "time"):
            return "powder" if word == "powder" else "ink"
    if measure == "time":
        for words, found in ((("pre press", "prepress"), "pre-press"), (("rest",), "rest"),
                             (("finish",), "finish")):  # fmt: skip
            if any(f" {word} " in f" {name} " for word in words):
                return found
        return "peel wait" if factor.stage == "peel" else f"{factor.stage} time"
    if is_pressure(factor):
        return "pressure"
    if measure == "temperature":
        plain = not any(word in name for word in ("pre press", "prepress", "finish", "room"))
        return f"{factor.stage} temperature" if plain else ""
    if measure == "speed" or "speed" in name:
        return f"{factor.stage} speed"
    if factor.stage == "peel" and any(peel_warmth(word) is not None for word in factor.levels):
        return "peel warmth"
    return ""


def is_pressure(factor: Factor) -> bool:
    """Return whether a setting is the pressure of the press, in numbers or in words."""
    if factor.is_numeric:
        return kind(factor.unit) == "pressure" or "pressure" in factor.name.casefold()
    words = {word.casefold() for word in factor.levels}
    return factor.stage == "press" and bool(words & set(_PRESSURE_WORDS))


def peel_warmth(word: str) -> int | None:
    """Return 0 for a cold peel, 1 warm, 2 hot; None for any other word.

    When a word names two, the one with the longer wait is safer.
    """
    return next((k for k, t in enumerate(TEMPERS) if t in word.casefold()), None)


def factors_with_role(session: Session, wanted: str) -> tuple[Factor, ...]:
    """Return the settings of a session with that role."""
    return tuple(factor for factor in session.factors if role(factor) == wanted)
