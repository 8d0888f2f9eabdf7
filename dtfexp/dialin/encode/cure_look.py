"""The look of the powder side after the cure: three ordered words, and their wordings.

Common practice on transfer benches, no source: a good cure is melted through, glossy, like orange
peel; grainy or dull is too little, blistered or browned too much.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from dtfexp.describe import units
from dtfexp.describe.errors import ResultsError

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

#: The results column, and its words from too little cure to too much.
COLUMN = "cure_look"
LOOKS = ("grainy", "good", "browned")
ACCEPTED = "grainy (or dull, sandy), good (or glossy, melted, orange peel), browned (or blistered)"

_WORDINGS = {
    "grainy": "not melted|not glossy|not shiny|not smooth|under cured|undercured|too little|grainy|"
    "grains|grain|dull|sandy|matte|matt|unmelted|rough|white specks|specks|powdery",
    "good": "orange peel|orangepeel|melted through|melted|glossy|gloss|shiny|good|ok|okay|fine|"
    "right|smooth",
    "browned": "over cured|overcured|too much|browned|brown|browning|blistered|blisters|blister|"
    "yellowed|yellow|yellowing|burnt|burned|shrunken|scorched",
}
_FILLERS = {
    "a", "all", "and", "bit", "but", "in", "it", "like", "little", "looks", "of", "or", "over",
    "partly", "places", "powder", "quite", "rather", "side", "slightly", "some", "still", "the",
    "very",
}  # fmt: skip


def parse_look(cell: object) -> str:
    """Return the word of ``LOOKS`` in a cell; ``ValueError`` for none or two."""
    if not isinstance(cell, str):
        raise ValueError(cell)
    text = " ".join(re.sub(r"[^a-z]+", " ", cell.casefold()).split())
    found = set()
    for look, wordings in _WORDINGS.items():
        text, count = re.subn(rf"\b(?:{wordings})\b", "", text)
        if count:
            found.add(look)
    if len(found) != 1 or not set(text.split()) <= _FILLERS:
        raise ValueError(cell)
    return found.pop()


def one_per_load(cells: list[str], loads: list[int], presses: list[int]) -> list[str]:
    """Return the look of each press's load; a blank cell takes that of its load.

    Raises ``ResultsError`` when one load has two looks.
    """
    of_load: dict[int, tuple[str, int]] = {}
    for cell, load, press in zip(cells, loads, presses, strict=True):
        if not cell:
            continue
        first, by = of_load.setdefault(load, (cell, press))
        if first != cell:
            raise ResultsError(
                f"oven load {load}, column {COLUMN!r}: press {by} says {first!r} and press {press} "
                f"says {cell!r}; a load has one look"
            )
    return [of_load.get(load, ("", 0))[0] for load in loads]


def sets_cure(factor: Factor) -> bool:
    """Return whether a setting changes the cure: temperature, time or speed of the oven."""
    dwells = factor.is_numeric and units.kind(factor.unit) in ("time", "speed")
    return factor.stage == "cure" and (factor.is_temperature or dwells)


def cure_time(session: Session) -> Factor | None:
    """Return the cure time factor, to which further curing adds; None if not varied."""
    times = [f for f in session.factors if sets_cure(f) and units.kind(f.unit) == "time"]
    return times[0] if times else None
