"""Agreement of two judgements of the same coupons: two graders, two days, or eye and picture.

Weighted kappa with linear weights (Cohen 1968, Psychol. Bull. 70:213) is agreement beyond chance, a
near miss counting as part of a hit. Repeatability is the sd of one grade: half the mean squared
difference of two (ISO 5725-2; Bland & Altman 1999, Stat. Methods Med. Res. 8:135; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.fields import count_phrase
from dtfexp.dialin.encode.results import second_grades
from dtfexp.maths.inference.observations import EYE_AGAIN

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session

#: From this number of coupons on a kappa is told: of fewer its error is as large as itself.
FEWEST = 8


@dataclass(frozen=True)
class Agreement:
    """What ``pairs`` coupons judged twice tell.

    ``same``: share with the same grade; ``kappa`` with its 90 % interval ``low``, ``high``, None
    where it cannot be told; ``sd``: of one grade, in grades; ``bias``: mean of second less first.
    """

    pairs: int
    same: float
    kappa: float | None
    low: float | None
    high: float | None
    sd: float
    bias: float

    @property
    def sentence(self) -> str:
        """The agreement in one sentence."""
        told = (
            f"{count_phrase(self.pairs, 'coupon')} judged twice: {self.same:.0%} got the same "
            f"grade; one grade is good to ± {self.sd:.1f}"
        )
        if self.kappa is None:
            return f"{told}."
        return f"{told}; weighted kappa {self.kappa:.2f} ({self.low:.2f} to {self.high:.2f})."


def agreement(
    first: Sequence[float], second: Sequence[float], grades: Sequence[float]
) -> Agreement | None:
    """Return the agreement of two judgements of the same coupons; None without any.

    ``first``, ``second``: of each coupon; ``grades``: the whole scale, worst to best. A value that
    is no grade of it counts as the nearest.
    """
    if len(first) != len(second):
        raise ValueError(
            f"got {len(first)} first and {len(second)} second grades; pairs are needed"
        )
    if not len(first):
        return None
    one, two = (np.asarray(values, dtype=float) for values in (first, second))
    scale = np.asarray(grades, dtype=float)
    at = [np.abs(values[:, None] - scale).argmin(axis=1) for values in (one, two)]
    kappa = _kappa(at[0], at[1], len(scale)) if len(one) >= FEWEST else (None, None, None)
    return Agreement(
        pairs=len(one),
        same=float(np.mean(at[0] == at[1])),
        kappa=kappa[0],
        low=kappa[1],
        high=kappa[2],
        sd=float(np.sqrt(np.mean((two - one) ** 2) / 2.0)),
        bias=float(np.mean(two - one)),
    )


def agreements(session: Session, results: pd.DataFrame) -> list[tuple[str, str, Agreement]]:
    """Return outcome, "eye" or "picture", and agreement of first and second grades of coupons.

    ``results`` are those that a fit takes, with the columns of :func:`second_grades` if any.
    """
    found = []
    for judgement, outcome, column in second_grades(session):
        if column in results and outcome.name in results:
            pairs = results[[outcome.name, column]].dropna().astype(float)
            told = agreement(list(pairs.iloc[:, 0]), list(pairs.iloc[:, 1]), outcome.grades)
            if told is not None:
                who = "eye" if judgement == EYE_AGAIN else "picture"
                found.append((outcome.name, who, told))
    return found


def _kappa(
    first: np.ndarray, second: np.ndarray, grades: int
) -> tuple[float, float, float] | tuple[None, None, None]:
    """Return weighted kappa and its 90 % interval; None where all got one grade."""
    from statsmodels.stats.inter_rater import cohens_kappa

    table = np.zeros((grades, grades))
    np.add.at(table, (first, second), 1.0)
    seen = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    if len(seen) < 2:
        return None, None, None
    found = cohens_kappa(table, wt="linear")
    reach = 1.645 * float(found.std_kappa)
    kappa = float(found.kappa)
    return kappa, max(kappa - reach, -1.0), min(kappa + reach, 1.0)
