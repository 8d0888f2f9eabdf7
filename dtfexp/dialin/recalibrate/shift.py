"""The shift of a temperature between presses made before and after a change.

A drifted oven or press, or a re-adjusted dial, shifts every temperature by about the same amount;
another lot of powder or film, or another fabric, needs its heat a few degrees higher or lower. The
earlier presses show the edges; a few new ones show where they are now.

The shift is one more unknown of the fit, integrated out like the hyperparameters (Rasmussen &
Williams 2006, sec. 5.2, for unknowns inside a covariance).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.describe.units import convert_difference
from dtfexp.dialin.encode.coding import Coding, excluded_rows
from dtfexp.dialin.experience.learnt_prior import learnt_prior
from dtfexp.dialin.fit import Fit
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.infer import infer
from dtfexp.maths.inference.measured_units import in_fitted_units

Bools = NDArray[np.bool_]

#: Distance from the old target of the presses that measure a shift (°C): about an ordinary drift.
#: Common practice for the size of drifts, no source.
FAR_OFFSET_C, MIDDLE_OFFSET_C, NEAR_OFFSET_C = 12.0, 8.0, 4.0


@dataclass(frozen=True)
class ShiftPrior:
    """A temperature that a change may have shifted.

    ``sd``: prior standard deviation, in its unit; ``cause_text``: the cause ("the machine", "the
    new powder").
    """

    factor: Factor
    sd: float
    cause_text: str


@dataclass(frozen=True)
class Shift:
    """The posterior of a shift of ``factor``, as if it ran hotter than before.

    ``mean`` and ``sd`` in its unit; ``presses``: graded presses since the change.
    """

    factor: Factor
    mean: float
    sd: float
    presses: int
    cause_text: str = "the machine"

    def sentence(self) -> str:
        """In words."""
        name = self.factor.name
        if not self.presses:
            return f"How far {name} has moved is not known yet."
        size = self.factor.format(round(abs(self.mean), 1))
        give = f"give or take {self.factor.format(round(self.sd, 1))} (by {self.presses} presses)"
        if self.cause_text == "the machine":
            way = "hotter" if self.mean > 0 else "cooler"
            return f"At the same {name} the machine seems to run {size} {way} than before, {give}."
        way = "less" if self.mean > 0 else "more"
        return f"{self.cause_text.capitalize()} seems to want {size} {way} {name}, {give}."


def fit_with_shift(
    session: Session,
    results: pd.DataFrame,
    before: Bools,
    moving: Sequence[Sequence[ShiftPrior]],
    prior: Prior,
    presses: Sequence[int],
) -> tuple[Fit, list[tuple[Shift, ...]]]:
    """Return the fit with the unknown shifts of c changes, the last first, and their posteriors.

    ``before`` (n, c): rows that each change moved; ``moving``: what it may have moved;
    ``prior.change_correlation`` (c,): of the fields before and after; ``presses`` graded ones were
    made between it and the next. The fit keeps the results as pressed. METHODS.md, equation (30).
    """
    coding = Coding(session)
    data, shape = in_fitted_units(coding.data(results, before), coding.shape, prior)
    told = np.zeros((len(moving), len(session.factors)))
    for change, some in enumerate(moving):
        for one in some:
            told[change, session.factors.index(one.factor)] = one.sd / _half_range(one.factor)
    moved_prior = replace(prior, shift_sd=tuple(told.ravel()))
    learnt = learnt_prior(session)
    posterior = infer(data, shape, coding.graded, moved_prior, learnt=learnt)
    known = posterior.shift()

    def shift(change: int, one: ShiftPrior) -> Shift:
        # Without presses on both sides the posterior is the prior, exactly.
        found = (0.0, one.sd)
        if presses[change] and known is not None:
            column = change * len(session.factors) + session.factors.index(one.factor)
            half = _half_range(one.factor)
            found = (float(known[0][column]) * half, float(known[1][column]) * half)
        return Shift(one.factor, *found, presses[change], one.cause_text)

    shifts = [tuple(shift(change, one) for one in some) for change, some in enumerate(moving)]
    return Fit(session, results, posterior), shifts


def shifted(factor: Factor, results: pd.DataFrame, before: Bools, by: float) -> pd.DataFrame:
    """Return results with the rows ``before`` converted to today's dial.

    A machine that runs ``by`` hotter reaches the same at a lower setting.
    """
    moved = results.copy()
    for column in (factor.name, f"{factor.name}_actual"):
        if column in moved:
            told = moved[column].to_numpy(dtype=float)
            moved[column] = np.where(before, told - by, told)
    return moved


def known_by_set_point(factor: Factor, results: pd.DataFrame) -> Bools:
    """Return the rows known by their dial only; a reading is independent of any drift."""
    actual = f"{factor.name}_actual"
    if actual not in results:
        return np.ones(len(results), dtype=bool)
    return np.asarray(results[actual].isna().to_numpy(), dtype=bool)


def shift_probe_offsets(factors: Sequence[Factor]) -> list[list[tuple[Factor, float]]]:
    """Return offsets of four presses around the old target that best measure the shifts.

    In each factor's unit. One temperature: near and far on either side; two: each on either side.
    The first two alone are on both sides.
    """
    if len(factors) == 1:
        return [
            [(factors[0], _degrees(factors[0], by))]
            for by in (-FAR_OFFSET_C, FAR_OFFSET_C, -NEAR_OFFSET_C, NEAR_OFFSET_C)
        ]
    return [
        [(one, _degrees(one, by))] for one in factors for by in (-MIDDLE_OFFSET_C, MIDDLE_OFFSET_C)
    ]


def _degrees(factor: Factor, celsius: float) -> float:
    return convert_difference(celsius, "°C", factor.unit)


def _half_range(factor: Factor) -> float:
    """Return one code unit of a temperature, in its unit."""
    low, high = factor.bounds
    return 0.5 * (high - low)


def graded_rows(session: Session, results: pd.DataFrame) -> Bools:
    """Return the rows with a grade that are not excluded."""
    names = [outcome.name for outcome in session.outcomes]
    return results[names].notna().any(axis=1).to_numpy() & ~excluded_rows(results)
