"""What a change of machine, lot, season or fabric moves and keeps, from many logbooks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from dtfexp.describe.experience import Experience
from dtfexp.maths.inference.infer import at_central_hyperparameters
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.site_fitting import fit_sites, grades_of
from dtfexp.maths.inference.wrong_grades import integrated_log_evidence

#: Sd of the log of how far changes move, beside what is assumed without experience.
_DOUBT = 0.5
_SIZES = np.exp(np.linspace(-2.5, 2.5, 201))
#: Correlations of the fields before and after a change of which logbooks are asked.
KEPT = np.array([0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98, 1.0])


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


@dataclass(frozen=True)
class Kept:
    """What one logbook told of how far the field after a change of ``what`` is that before it.

    general: the correlation that is assumed without experience; log_evidence: one for each of KEPT.
    """

    what: str
    general: float
    log_evidence: tuple[float, ...]

    @classmethod
    def of(cls, what: str, post: Posterior, change: int) -> Kept:
        """Return the evidence of a posterior, at central hyperparameters; the last change is 0."""
        central = at_central_hyperparameters(post)
        scales = list(central.integration_points)
        grades, found = grades_of(central.data, central.grade_scales), []
        assumed = central.prior.change_correlation
        for kept in KEPT:
            tried = (*assumed[:change], float(kept), *assumed[change + 1 :])
            prior = replace(central.prior, change_correlation=tried)
            sites = fit_sites(central.data, central.shape, prior, central.grade_scales, scales)
            found.append(float(integrated_log_evidence(sites, grades, prior)[0]))
        return cls(what, assumed[change], tuple(found))


def learnt_moves(books: Sequence[tuple[Iterable[Move], Iterable[Kept]]]) -> dict[str, Any]:
    """Return, for each kind of change that was seen, what it moves and keeps, and its logbooks.

    ``sd`` by stage (°C): shifts are N(0, tau^2), tau log-normal about the general prior's sd.
    ``kept``: the correlation, Beta with the general one as its mean. Both are integrated on a grid.
    METHODS.md, section 16.
    """
    out = _moved([moves for moves, _ in books])
    for what in sorted({one.what for _, kept in books for one in kept}):
        seen = [(k, one) for k, (_, kept) in enumerate(books) for one in kept if one.what == what]
        table = out.setdefault(what, {"sd": {}, "books": 0})
        table["kept"] = _kept([one for _, one in seen])
        table["books"] = max(table["books"], len({k for k, _ in seen}))
    return out


def _kept(seen: Sequence[Kept]) -> float:
    strength = seen[0].general / (1.0 - seen[0].general)
    ends = np.concatenate([[0.0], 0.5 * (KEPT[1:] + KEPT[:-1]), [1.0]])
    log = np.log(np.diff(ends**strength)) + np.sum([one.log_evidence for one in seen], axis=0)
    weight = np.exp(log - log.max())
    return float(f"{weight @ KEPT / weight.sum():.4g}")


def _moved(books: Sequence[Iterable[Move]]) -> dict[str, dict[str, Any]]:
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


def known_kept(experience: Experience | None, what: str, general: float) -> float:
    """Return the correlation of the fields before and after a change: as learnt, or ``general``."""
    if experience is None:
        return general
    return float(experience.content["moved"].get(what, {}).get("kept", general))
