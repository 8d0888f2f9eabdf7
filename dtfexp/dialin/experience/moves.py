"""How far a change of machine, lot, season or fabric moves a temperature, from many logbooks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dtfexp.describe.experience import Experience

#: Sd of the log of how far changes move, beside what is assumed without experience.
_DOUBT = 0.5
_SIZES = np.exp(np.linspace(-2.5, 2.5, 201))


@dataclass(frozen=True)
class Move:
    """What one logbook told of how far a change of ``what`` moved the temperature of a ``stage``.

    In °C: the general prior's sd, and the precision and precision times centre of what was seen.
    """

    what: str
    stage: str
    general_sd: float
    precision: float
    information: float

    @classmethod
    def of(cls, what: str, stage: str, general_sd: float, mean: float, sd: float) -> Move:
        """Return the posterior N(mean, sd^2) of a shift with its prior N(0, general_sd^2) out."""
        precision = max(sd**-2 - general_sd**-2, 0.0)
        return cls(what, stage, general_sd, precision, mean / sd**2 if precision else 0.0)


def learnt_moves(books: Sequence[Iterable[Move]]) -> dict[str, dict[str, Any]]:
    """Return, for each kind of change that was seen, the sd by stage (°C) and its logbooks.

    Shifts are N(0, tau^2), tau log-normal about the general prior's sd; tau is integrated on a
    grid. METHODS.md, section 16.
    """
    seen: dict[str, dict[str, list[tuple[int, Move]]]] = {}
    for k, moves in enumerate(books):
        for move in moves:
            if move.precision > 0.0:
                seen.setdefault(move.what, {}).setdefault(move.stage, []).append((k, move))
    return {
        what: {
            "sd": {stage: _sd([m for _, m in some]) for stage, some in sorted(stages.items())},
            "books": len({k for some in stages.values() for k, _ in some}),
        }
        for what, stages in sorted(seen.items())
    }


def _sd(moves: Sequence[Move]) -> float:
    general = moves[0].general_sd
    variance = (general * _SIZES) ** 2
    log = -0.5 * (np.log(_SIZES) / _DOUBT) ** 2
    for move in moves:
        wide = 1.0 + move.precision * variance
        log += 0.5 * (move.information**2 * variance / wide - np.log(wide))
    weight = np.exp(log - log.max())
    return float(f"{np.sqrt(weight @ variance / weight.sum()):.4g}")


def known_moves(
    experience: Experience | None, what: str, general: Mapping[str, float]
) -> Mapping[str, float]:
    """Return the sd of a change by stage, in °C: as learnt, else as in ``general``."""
    if experience is None:
        return general
    learnt = experience.content["moved"].get(what, {}).get("sd", {})
    return {stage: float(learnt.get(stage, sd)) for stage, sd in general.items()}
