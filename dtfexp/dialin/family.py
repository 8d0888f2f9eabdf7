"""What a family of plans is asked, what it answers, and how its coded rows become presses.

A family decides which presses are wanted; loads, rounds and order are laid out afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.errors import PlanError
from dtfexp.describe.session import Session
from dtfexp.dialin.first_look import REACH, share_presses
from dtfexp.dialin.levels import settings_from_codes

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Asked:
    """What was asked of a family: ``presses`` in all, for the fabrics named."""

    session: Session
    design: str
    fabrics: list[str]
    presses: int
    seed: int
    options: dict[str, Any]

    @property
    def each(self) -> int:
        """Presses that every fabric gets at least."""
        return self.presses // len(self.fabrics)

    def needs(self, each: int) -> None:
        """Raise ``PlanError`` when ``each`` presses for every fabric are more than were asked."""
        needed = each * len(self.fabrics)
        if needed > self.presses:
            raise PlanError(
                f"design {self.design!r} needs {needed} presses ({each} for each of "
                f"{len(self.fabrics)} fabrics) and presses is {self.presses}; allow {needed} or "
                "more, name fewer fabrics, or use design 'auto'"
            )

    def whole(self, name: str, default: int, low: int, high: int) -> int:
        """The whole-number option ``name``; ``PlanError`` when it is something else."""
        value = self.options.get(name, default)
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, np.integer))
            or not low <= value <= high
        ):
            raise PlanError(f"{name} is {value!r}; give a whole number from {low} to {high}")
        return int(value)

    def reach(self, default: float = REACH) -> float:
        """Share of the half-range that the levels lie from the middle of the plan."""
        reach = self.options.get("reach", default)
        if isinstance(reach, bool) or not isinstance(reach, (int, float)) or not 0 < reach <= 1:
            raise PlanError(
                f"reach is {reach!r}; give a number above 0 and up to 1 (1: the ends of the range)"
            )
        return float(reach)


@dataclass(frozen=True)
class Wanted:
    """The presses a family asks for.

    frame: the columns fabric and one per factor, a row per press, in no order; with ``laid_out``
    also oven_load and press_round, numbered from 1, and in pressing order. ``reason`` is one
    sentence, ``notes`` say what the plan can and cannot tell.
    """

    frame: pd.DataFrame
    reason: str
    notes: tuple[str, ...] = ()
    laid_out: bool = False


@dataclass(frozen=True)
class Family:
    """How the presses of one family are made, and the options that it takes."""

    make: Callable[[Asked], Wanted]
    options: tuple[str, ...] = ()

    def __call__(self, asked: Asked) -> Wanted:
        """The wanted presses; ``PlanError`` for an option the family does not have."""
        for name in asked.options:
            if name not in self.options:
                accepted = (
                    f"it takes {', '.join(self.options)}" if self.options else "it takes no options"
                )
                raise PlanError(f"design {asked.design!r} has no option {name!r}; {accepted}")
        return self.make(asked)


def for_fabrics(asked: Asked, coded: Array, reach: float, most_centres: int) -> pd.DataFrame:
    """The coded rows (n, factors) for every fabric, with centre presses while there is room.

    The column ``_row`` tells which coded row a press is, -1 for a centre press.
    """
    parts = []
    for fabric, count in share_presses(asked.presses, asked.fabrics).items():
        centres = max(min(count - len(coded), most_centres), 0)
        codes = np.vstack([coded, np.zeros((centres, coded.shape[1]))])
        part = settings_from_codes(asked.session, fabric, codes, reach)
        part.insert(0, "fabric", fabric)
        part["_row"] = [*range(len(coded)), *[-1] * centres]
        parts.append(part)
    return pd.concat(parts, ignore_index=True)
