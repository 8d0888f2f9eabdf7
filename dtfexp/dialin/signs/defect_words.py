"""The side of a stage indicated by a defect, in the words ticked at the press."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from math import log
from typing import Any

from dtfexp.describe.signs import cause, sign
from dtfexp.describe.signs.sign import OFTEN
from dtfexp.describe.signs.sign import PLAIN as PLAIN_SIGN
from dtfexp.dialin.signs.phrases import read_phrase

# Odds ratio of a side for one coupon with the defect: a plain sign or a hint.
# Direction: common practice on transfer benches; size: judgement; no source.
PLAIN, HINT = log(4.0), log(1.6)


def defect_words(cell: Any) -> list[str]:
    """Return the defects in one cell of a results frame: words joined by ";", or a list."""
    if isinstance(cell, str):
        parts: Iterable[Any] = cell.replace(",", ";").replace("\n", ";").split(";")
    elif isinstance(cell, (list, tuple, set, frozenset)):
        parts = sorted(map(str, cell))
    else:
        return []
    return [word for part in parts if (word := " ".join(str(part).split()).casefold())]


def defect_counts(cell: Any) -> dict[str, int]:
    """Return garments per defect from one cell of a day's counts.

    The cell is text such as "bubbles: 2; grainy underside: 1", or a mapping; a word without a
    number counts one.
    """
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


@lru_cache(maxsize=4096)
def signs_of(word: str) -> tuple[tuple[str, str, float], ...]:
    """Return (stage, side, weight) of every side a defect indicates; empty for none.

    A plain sign of a cause is a plain sign of its side; one that often accompanies it is a hint.
    """
    found: dict[tuple[str, str], float] = {}
    for key in read_phrase(word).signs:
        for name, speaks in sign(key).causes.items():
            side = cause(name).fit_side
            if side[0] and speaks >= OFTEN:
                weight = PLAIN if speaks >= PLAIN_SIGN else HINT
                found[side] = max(weight, found.get(side, 0.0))
    return tuple((stage, side, weight) for (stage, side), weight in found.items())
