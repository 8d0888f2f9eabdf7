"""What was seen: one row for every grade or measurement, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.places import Places
from dtfexp.maths.points import Points

Array = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True)
class Graded:
    """How an outcome's grades sit on the latent scale: cuts (n_grades - 1,), accept cut at 0.

    ``learn`` allows the steps between cuts to be fitted.
    """

    cuts: Array
    learn: bool = True


@dataclass(frozen=True)
class Data:
    """All observations, one row per press and outcome seen.

    at: where each row was pressed; outcome, load, round_, block, press (N,) codes (below zero: not
    known); grade (N,) 0-based, -1 where measured; value (N,) measured value in grade units or NaN;
    spread (N, d) sd, in codes, of what the machines did around each setting (none: exact, or read
    off); slip (N, d) what one such sd does to the row's own field, in grades (see ``with_slip``).
    """

    at: Points
    outcome: Ints
    load: Ints
    round_: Ints
    block: Ints
    press: Ints
    grade: Ints
    value: Array
    spread: Array | None = None
    slip: Array | None = None

    @property
    def n(self) -> int:
        return len(self.outcome)

    @cached_property
    def places(self) -> Places:
        """Where the rows were pressed, every place once."""
        return Places.of(self.at)

    def thinned(self, most: int) -> Data:
        """The same with at most about ``most`` rows: whole presses, spread evenly over all."""
        if self.n <= most:
            return self
        made = np.unique(self.press)
        count = max(int(most * len(made) / self.n), 1)
        kept = made[np.linspace(0, len(made) - 1, count).astype(int)]
        rows = np.flatnonzero(np.isin(self.press, kept))
        return Data(
            self.at.take(rows),
            self.outcome[rows],
            self.load[rows],
            self.round_[rows],
            self.block[rows],
            self.press[rows],
            self.grade[rows],
            self.value[rows],
            None if self.spread is None else self.spread[rows],
            None if self.slip is None else self.slip[rows],
        )
