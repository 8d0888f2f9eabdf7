"""Which side of a stage a defect speaks for, in the words that are ticked at the press."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import log
from typing import Any

# How much one coupon with such a defect moves the odds of a side: a plain sign or a hint.
# Common practice on transfer benches for the direction, judgement for the size; no source.
PLAIN, HINT = log(4.0), log(1.6)

#: Part of a defect's words -> ((stage, side, weight), ...); side "low" is too little of the stage.
SIGNS: dict[str, tuple[tuple[str, str, float], ...]] = {
    "lifted with the film": (("press", "low", PLAIN), ("cure", "low", HINT)),
    "lifts with the film": (("press", "low", PLAIN), ("cure", "low", HINT)),
    "small letters": (("peel", "low", PLAIN), ("press", "low", HINT)),
    "hard to separate": (("press", "high", PLAIN), ("cure", "high", HINT)),
    "grain": (("cure", "low", PLAIN),),
    "colour layer": (("cure", "low", PLAIN),),
    "color layer": (("cure", "low", PLAIN),),
    "blister": (("cure", "high", PLAIN),),
    "no hot peel": (("cure", "high", PLAIN),),
    # Bubbles come from a weak cure as well as from an over-cured solid, and from moisture.
    "bubble": (("cure", "low", HINT), ("cure", "high", HINT)),
    "boil": (("press", "high", PLAIN),),
    "squeezed": (("press", "high", PLAIN),),
    "scorch": (("press", "high", PLAIN),),
    "shiny": (("press", "high", PLAIN),),
}


def defect_words(cell: Any) -> list[str]:
    """The defects in one cell of a results frame: words joined by ";" or a list of them."""
    if isinstance(cell, str):
        parts: Iterable[Any] = cell.replace(",", ";").split(";")
    elif isinstance(cell, (list, tuple, set, frozenset)):
        parts = sorted(map(str, cell))
    else:
        return []
    return [word for part in parts if (word := " ".join(str(part).split()).casefold())]


def defect_counts(cell: Any) -> dict[str, int]:
    """Garments per defect in one cell of a day's counts: "bubbles: 2; grainy underside: 1", or a
    mapping of the same; a word without a number counts one."""
    if isinstance(cell, Mapping):
        return {" ".join(str(word).split()).casefold(): int(n) for word, n in cell.items()}
    found: dict[str, int] = {}
    for part in defect_words(cell):
        word, _, number = part.rpartition(":")
        if word and number.strip().isdigit():
            found[word.strip()] = found.get(word.strip(), 0) + int(number)
        else:
            found[part] = found.get(part, 0) + 1
    return found


def signs_of(word: str) -> tuple[tuple[str, str, float], ...]:
    """(stage, side, weight) of every side a defect speaks for; empty for one that names none."""
    found: dict[tuple[str, str], float] = {}
    for part, signs in SIGNS.items():
        if part in word:
            for stage, side, weight in signs:
                found[stage, side] = max(weight, found.get((stage, side), 0.0))
    return tuple((stage, side, weight) for (stage, side), weight in found.items())
