"""How the oven loads and press rounds of a plan cross: which coupon lies in which of each."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int_]


@dataclass(frozen=True, eq=False)
class Crossing:
    """Codes of the load and the round of every press (n,), numbered from 0."""

    load: Ints
    round_: Ints

    @property
    def loads(self) -> int:
        """How many oven loads."""
        return len(np.unique(self.load))

    @property
    def rounds(self) -> int:
        """How many press rounds."""
        return len(np.unique(self.round_))


def crossed(
    fabrics: list[str],
    side: list[int],
    loads: int,
    rounds: dict[int, int],
    most: tuple[int, int],
) -> Crossing:
    """Loads and rounds as evenly filled and as evenly crossed as they go.

    fabrics, side: per press, its fabric and which set of rounds it belongs to (fabrics of unlike
    heat limits are pressed in rounds of their own); rounds: side -> how many; most: what one load
    and one round hold. Every fabric is spread over the loads and over its rounds, so that neither
    luck hangs on a fabric.
    """
    first = dict(zip(rounds, np.cumsum([0, *rounds.values()]).tolist(), strict=False))
    size: Counter[tuple[str, int]] = Counter()
    shared: Counter[tuple[str, int, str]] = Counter()
    met: Counter[tuple[int, int]] = Counter()
    of_load, of_round = [], []
    for fabric, at in zip(fabrics, side, strict=True):
        load, round_ = min(
            (
                (a, b)
                for a in range(loads)
                for b in range(first[at], first[at] + rounds[at])
                if size["load", a] < most[0] and size["round", b] < most[1]
            ),
            key=lambda cell: (
                size["load", cell[0]] + size["round", cell[1]],
                met[cell],
                shared["load", cell[0], fabric] + shared["round", cell[1], fabric],
                cell,
            ),
        )
        of_load.append(load)
        of_round.append(round_)
        met[load, round_] += 1
        for word, batch in (("load", load), ("round", round_)):
            size[word, batch] += 1
            shared[word, batch, fabric] += 1
    return Crossing(np.array(of_load, dtype=int), np.array(of_round, dtype=int))
