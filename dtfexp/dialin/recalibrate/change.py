"""The possible changes of a bench and their effect on earlier results; imports nothing heavy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Change:
    """The effect of a change on earlier results.

    ``moves``: stage -> prior sd of its temperature shift (°C); ``correlation``: between
    the fields before and after, once shifted; ``cause_text``: the cause, in words. The sizes are
    judgement, no source.
    """

    moves: Mapping[str, float]
    correlation: float
    cause_text: str


#: The possible changes.
CHANGES: dict[str, Change] = {
    "oven": Change({"cure": 7.0}, 1.0, "the machine"),
    "press": Change({"press": 7.0}, 1.0, "the machine"),
    "powder": Change({"cure": 4.0, "press": 3.0}, 0.95, "the new powder"),
    "film": Change({"cure": 4.0, "press": 3.0}, 0.95, "the new film"),
    "ink": Change({"cure": 4.0, "press": 2.0}, 0.95, "the new ink"),
    "season": Change({"cure": 4.0, "press": 2.0}, 0.95, "the new season"),
    "fabric": Change({"press": 7.0}, 1.0, "the new fabric"),
}
