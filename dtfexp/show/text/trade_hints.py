"""Advice of the trade beside the numbers: the sign of each edge, and the steps of the bench.

All of it is common practice on transfer benches, no published source, and the papers say so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dtfexp.describe.signs import phrase
from dtfexp.describe.units import kind
from dtfexp.dialin.encode.roles import TEMPERS, is_pressure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

#: The signs of a failure side: keys of the table of signs.
_WATCH = {
    "too little ink or powder": ("thin powder", "pinholes", "colour goes"),
    "too much ink or powder": ("thick", "oily"),
    "under-cured": ("grain", "colour goes"),
    "over-cured": ("no peel", "blister"),
    "under-pressed": ("lifts", "wash lifts"),
    "over-pressed": ("separate", "boiled"),
    "peeled too early": ("letters",),
    "peeled too late": ("drags",),
}
_SQUEEZED, _LOOSE = ("squeezed",), ("patches",)


def sign_beyond_edge(factor: Factor, looks: str) -> str:
    """Return the sign seen beyond an edge of this factor; ``looks``: a word of ``Window.edges``."""
    seen = _WATCH.get(looks, ())
    if is_pressure(factor):
        seen = _SQUEEZED if looks == "over-pressed" else _LOOSE
    return "; ".join(map(phrase, seen)) or looks


def move_advice(side: str, factor: Factor) -> str:
    """Return which way to move the setting when an edge (``side``) was crossed."""
    if not factor.is_numeric:
        return "go one step up" if side == "low" else "go one step down"
    if kind(factor.unit) == "time":
        return "longer" if side == "low" else "shorter"
    if kind(factor.unit) == "speed":
        return "faster" if side == "low" else "slower"
    if factor.is_temperature:
        return "hotter" if side == "low" else "cooler"
    return "more" if side == "low" else "less"


def steps(session: Session, target: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the steps before and after the settings, in the order of the bench, one line each."""
    warm = max(10.0, session.warm_up_minutes)
    return (
        f"Warm up oven and press for at least {warm:g} min before the first piece.",
        "After cure, rest the film 5 to 10 s.",
        "Pre-press the garment 5 to 8 s to drive out moisture and creases.",
        _peel(session, target),
        "Finish: press again 5 to 8 s under cloth or silicone-coated paper.",
    )


def alike(session: Session) -> str:
    """Return what is done alike at every test press, so that a card's steps hold for its grades.

    The peel is left out where it is one of the settings.
    """
    varied = any(factor.stage == "peel" for factor in session.factors)
    told = steps(session, {factor.name: factor.usual for factor in session.factors})[1:]
    kept = [line for line in told if not (varied and line == told[2])]
    return f"Every press alike (common practice): {' '.join(kept)}"


def peel_word(session: Session, settings: Mapping[Any, Any]) -> str:
    """Return how the settings or the session's film are peeled: cold, warm, hot or ""."""
    words = [
        str(settings[factor.name]).casefold()
        for factor in session.factors
        if factor.stage == "peel" and not factor.is_numeric
    ]
    # When both words appear, the longer wait is safer.
    temper = next((one for one in TEMPERS if any(one in word for word in words)), "")
    return temper or session.film_peel


def _peel(session: Session, target: Mapping[str, Any]) -> str:
    word = peel_word(session, target)
    waits = any(
        factor.stage == "peel" and factor.is_numeric and kind(factor.unit) == "time"
        for factor in session.factors
    )
    slowly = "then peel slowly, rolling, the film close to the cloth."
    if waits:
        return f"Wait as set above, {slowly}"
    if word == "cold":
        return f"Peel cold: let it cool fully off the press, {slowly}"
    if word == "warm":
        return f"Peel warm: take it off the press first, {slowly}"
    if word == "hot":
        return f"Peel hot: wait 3 s, {slowly}"
    return f"Wait at least 3 s, longer for a warm or cold peel film, {slowly}"
