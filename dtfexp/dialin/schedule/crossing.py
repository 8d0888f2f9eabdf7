"""The crossing of a plan's oven loads and press rounds: the load and round of each coupon."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int_]
Side = Hashable
Sides = Sequence[tuple[Side, Side]]


@dataclass(frozen=True, eq=False)
class Crossing:
    """Codes of the load and the round of every press (n,), numbered from 0."""

    load: Ints
    round_: Ints

    @property
    def loads(self) -> int:
        """The number of oven loads."""
        return len(np.unique(self.load))

    @property
    def rounds(self) -> int:
        """The number of press rounds."""
        return len(np.unique(self.round_))


def cross_loads_and_rounds(
    fabrics: Sequence[str],
    loads: dict[Side, int],
    rounds: dict[Side, int],
    sides: Sides,
    most: tuple[int, int],
) -> Crossing:
    """Return loads and rounds, filled and crossed as evenly as possible.

    ``fabrics``: per press. ``sides``: per press, its set of loads and set of rounds (a day has its
    own loads and rounds, and so have fabrics with different heat limits); ``loads``, ``rounds``:
    side -> number; ``most``: capacity of a load and of a round. Every fabric is spread over its
    loads and rounds, so that no batch effect is confounded with a fabric.
    """
    of_side = [_numbered(counts) for counts in (loads, rounds)]
    size: Counter[tuple[str, int]] = Counter()
    shared: Counter[tuple[str, int, str]] = Counter()
    met: Counter[tuple[int, int]] = Counter()
    of_load, of_round = [], []
    for fabric, (load_side, round_side) in zip(fabrics, sides, strict=True):
        load, round_ = min(
            (
                (a, b)
                for a in of_side[0][load_side]
                for b in of_side[1][round_side]
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


def batches_per_side(presses: Counter[Side], most: int, total: int) -> dict[Side, int]:
    """Return the number of batches of each side.

    As many as hold its presses, and more, up to ``total``, where most presses share a batch.
    """
    out = {side: -(-count // most) for side, count in presses.items()}
    while sum(out.values()) < total:
        out[max(out, key=lambda side: presses[side] / out[side])] += 1
    return out


def _numbered(counts: dict[Side, int]) -> dict[Side, range]:
    out, start = {}, 0
    for side, count in counts.items():
        out[side] = range(start, start + count)
        start += count
    return out
