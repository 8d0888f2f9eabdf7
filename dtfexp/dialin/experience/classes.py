"""What is alike across shops: classes of fabrics, films and outcomes, read off their names.

A class is a word of the trade in the name or the notes (common practice, no source); what has none
belongs to no class, and a new session learns from the others what all have in common.
"""

from __future__ import annotations

import re

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import Session

#: Class -> word stems, the first class that has one wins: blends are named by both fibres.
_FABRICS = {
    "blend": ("blend", "tri-blend", "triblend", "poly-cotton", "polycotton", "cotton-poly", "cvc",
              "50/50", "60/40"),
    "nylon": ("nylon", "polyamide", "shell", "windbreaker", "umbrella"),
    "polyester": ("polyester", "poly", "fleece", "jersey sport", "sportswear", "performance"),
    "cotton": ("cotton", "canvas", "denim", "duck", "tote", "jute", "linen"),
    "leather": ("leather", "vinyl", "pvc"),
}  # fmt: skip
_OUTCOMES = {
    "wash": ("wash", "laundr"),
    "stretch": ("stretch", "elong", "crack"),
    "peel": ("peel", "bond", "adhes", "lift"),
    "feel": ("feel", "hand", "soft"),
    "look": ("look", "gloss", "colour", "color", "scorch", "shine", "mark", "print"),
    "rub": ("rub", "crock"),
}


def _first(classes: dict[str, tuple[str, ...]], text: str) -> str:
    words = text.casefold()
    for name, stems in classes.items():
        if any(re.search(rf"(?<![a-z]){re.escape(stem)}", words) for stem in stems):
            return name
    return ""


def fabric_class(fabric: Fabric) -> str:
    """Return the class of a fabric: by its name, else its notes; "" for none."""
    return _first(_FABRICS, fabric.name) or _first(_FABRICS, fabric.notes)


def outcome_class(outcome: Outcome) -> str:
    """Return the class of an outcome by its name; its own name where no word is known."""
    named = "wash" if outcome.washes else _first(_OUTCOMES, outcome.name)
    return named or outcome.name.casefold()


def classes_of(session: Session, fabric: Fabric, outcome: Outcome) -> tuple[str, ...]:
    """Return the classes of one fabric's and one outcome's quality, as "kind: name"."""
    film = session.film_peel and f"film: {session.film_peel} peel"
    cloth = fabric_class(fabric)
    told = (f"outcome: {outcome_class(outcome)}", cloth and f"fabric: {cloth}", film)
    return tuple(word for word in told if word)
