"""Coding of a session and its frames as arrays of the model.

A numeric setting is coded as its distance from the usual setting in half-ranges, a time by its
logarithm, ordered words by their position. A conveyor speed is the inverse of a time and coded so:
slower is more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe import units
from dtfexp.describe.errors import ResultsError
from dtfexp.describe.factor import Factor
from dtfexp.describe.outcome import Outcome, wash_series
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import machine_spread
from dtfexp.dialin.encode.cure_look import COLUMN, LOOKS, sets_cure
from dtfexp.dialin.encode.doubtful import doubtful_readings
from dtfexp.dialin.encode.measured_scale import latent_of_value
from dtfexp.dialin.encode.results import second_grades
from dtfexp.maths.field.monotone import WashOrder
from dtfexp.maths.field.points import CURE, PEEL, PRESS, FieldShape, Points
from dtfexp.maths.inference import cure_looks
from dtfexp.maths.inference.observations import FIRST, Data, GradeScale

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

#: Print and cure act on the film, nearly the same for all fabrics: one part of the field.
STAGE_CODE = {"print": CURE, "cure": CURE, "press": PRESS, "peel": PEEL}
_DWELLS = ("time", "speed")
# Half-ranges that a reading must be off to be doubted; more where a setting acts by its logarithm:
# people lengthen a time on purpose, as of a load cured on.
_FAR, _FAR_IN_LOGS = 0.75, 2.0
# Above this number of grades the cuts are fixed at the scale: too many to estimate.
_MOST_ESTIMATED_GRADES = 12


@dataclass(frozen=True)
class Coding:
    """The session's settings as columns of codes; one for each factor, in the session's order."""

    session: Session

    @cached_property
    def shape(self) -> FieldShape:
        """The dimensions of the session's field."""
        factors = self.session.factors
        pairs = [
            (i, j)
            for i, a in enumerate(factors)
            for j, b in enumerate(factors)
            if a.is_temperature and units.kind(b.unit) in _DWELLS and a.stage == b.stage
        ]
        return FieldShape(
            stage=tuple(STAGE_CODE[f.stage] for f in factors),
            is_category=tuple(not f.is_numeric and not f.ordered for f in factors),
            trade_off=tuple(pairs),
            n_outcomes=len(self.outcomes),
            series=self._series,
            wash_order=self._wash_order,
        )

    @cached_property
    def _series(self) -> tuple[int, ...]:
        """One code per outcome, shared by the outcomes of a wash series."""
        tied = wash_series(self.session.outcomes)
        first = {o.name: some[0].name for some in tied for o in some}
        names = [first.get(o.name, o.name) for o in self.outcomes]
        return tuple(names.index(name) for name in names)

    @cached_property
    def _wash_order(self) -> WashOrder:
        """Neighbours of a wash series, fewest washes first.

        A later outcome accepted at a better grade is measured from its own acceptance.
        """
        place = {o.name: k for k, o in enumerate(self.outcomes)}
        out = []
        for series in wash_series(self.session.outcomes):
            for earlier, later in pairwise(o for o in series if o.name in place):
                if later.kind == "measured":
                    better = float(latent_of_value(earlier, later.accept))
                else:
                    better = later.sign * (later.accept - earlier.accept) / grade_unit(later)
                out.append((place[earlier.name], place[later.name], better))
        return tuple(out)

    @cached_property
    def outcomes(self) -> tuple[Outcome, ...]:
        """The outcomes that can fail a press; one that accepts its worst grade cannot."""
        binding = [o for o in self.session.outcomes if o.kind == "measured" or o.accept != o.worst]
        return tuple(binding) or self.session.outcomes

    @cached_property
    def graded(self) -> tuple[GradeScale | None, ...]:
        """Nominal cuts of every outcome in grade units, its acceptance cut at zero."""
        return tuple(None if o.kind == "measured" else _nominal_cuts(o) for o in self.outcomes)

    def code(self, factor: Factor, values: Any) -> Array:
        """Return codes of settings of one factor (numbers or words), any shape.

        A number more than a whole range beyond an end is clipped there: a typing error such as 1250
        for 125 would dominate the arithmetic. METHODS.md, equation (1).
        """
        if not factor.is_numeric:
            place = {word: float(k) for k, word in enumerate(factor.levels)}
            rank = np.array([place[factor.snap(v)] for v in np.ravel(values)], dtype=float)
            if not factor.ordered:
                return rank.reshape(np.shape(values))
            half = 0.5 * (len(factor.levels) - 1)
            return (rank.reshape(np.shape(values)) - place[str(factor.usual)]) / half
        low, high = factor.bounds
        x = np.asarray(values, dtype=float)
        more = direction(factor)
        if is_logarithmic(factor):
            x = np.clip(x, low * low / high, high * high / low)
            return np.asarray(more * np.log(x / float(factor.usual)) / (0.5 * np.log(high / low)))
        x = np.clip(x, 2 * low - high, 2 * high - low)
        return np.asarray(more * (x - float(factor.usual)) / (0.5 * (high - low)))

    def points(self, settings: pd.DataFrame, fabric: Ints, *, spread: bool = True) -> Points:
        """Return model points of a frame of settings; with ``spread``, over the machine spread."""
        factors = self.session.factors
        wide = spread and any(f.is_numeric and f.spread > 0 for f in factors)
        weights = machine_spread.SPREAD_WEIGHTS if wide else np.ones(1)
        nodes = np.empty((len(settings), len(factors), len(weights)))
        for i, factor in enumerate(factors):
            column = settings[factor.name]
            if factor.is_numeric:
                around = machine_spread.spread_nodes(factor) if wide else np.zeros(1)
                nodes[:, i, :] = self.code(factor, column.to_numpy(dtype=float)[:, None] + around)
            else:
                nodes[:, i, :] = self.code(factor, column.to_numpy())[:, None]
        return Points(nodes, weights, np.asarray(fabric, dtype=int))

    def fabric_index(self, name: str) -> int:
        """Return the index of a fabric in the session."""
        return self.session.fabrics.index(self.session.fabric(name))

    def data(self, results: pd.DataFrame, before: NDArray[np.bool_] | None = None) -> Data:
        """Return the observations of a checked results frame: one row per press and grade.

        Readings replace the settings, doubtful ones do not; excluded presses are left out.
        ``before`` (n,): presses made before a change (:class:`Points`).
        """
        kept = ~excluded_rows(results)
        used = results[kept]
        settings = pd.DataFrame(index=used.index)
        read = np.zeros((len(used), len(self.session.factors)), dtype=bool)
        for column, factor in enumerate(self.session.factors):
            settings[factor.name] = used[factor.name]
            actual = f"{factor.name}_actual"
            if actual in used and factor.is_numeric:
                read[:, column] = used[actual].notna() & ~self.is_doubtful(factor, used)
                reading = used[actual].astype(float).where(read[:, column])
                settings[factor.name] = reading.fillna(used[factor.name])
        fabric = used["fabric"].map(self.fabric_index).to_numpy(dtype=int)
        at = self.points(settings, fabric, spread=False)
        if before is not None:
            at = replace(at, before_change=before[kept])
        # A reading has no input noise; a setting without one has.
        spread = np.where(read, 0.0, self.points(settings, fabric).sd)
        codes = {
            name: _codes(used[name]) if name in used else np.full(len(used), -1)
            for name in ("oven_load", "press_round", "block", "press")
        }
        rows, outcome, grade, value, again = [], [], [], [], []
        for judgement, o, seen, described in self._judgements(used):
            measured = described.kind == "measured"
            for i in np.flatnonzero(np.isfinite(seen)):
                rows.append(i)
                outcome.append(o)
                grade.append(-1 if measured else described.rank(seen[i]))
                value.append(float(latent_of_value(described, seen[i])) if measured else np.nan)
                again.append(judgement)
        index = np.array(rows, dtype=int)
        looks = self._cure_looks(used, settings, None if before is None else before[kept])
        made = Data(
            at=at.take(index),
            outcome=np.array(outcome, dtype=int),
            load=codes["oven_load"][index],
            round_=codes["press_round"][index],
            block=codes["block"][index],
            press=codes["press"][index],
            grade=np.array(grade, dtype=int),
            value=np.array(value, dtype=float),
            spread=spread[index],
            again=np.array(again, dtype=int) if any(again) else None,
        ).with_monotone_rows(self.shape.wash_order)
        return made if looks is None else made.with_cure_looks(*looks)

    def _judgements(self, used: pd.DataFrame) -> list[tuple[int, int, Array, Outcome]]:
        """Return judgement, outcome's place, column (n,) and outcome; the first grades first.

        A second grade without a first says nothing of the eye, and stands for no grade.
        """
        place = {o.name: k for k, o in enumerate(self.outcomes)}
        found = [(FIRST, k, used[o.name].to_numpy(float), o) for k, o in enumerate(self.outcomes)]
        for judgement, o, column in second_grades(self.session):
            if column in used and o.name in place:
                seen = used[column].where(used[o.name].notna()).to_numpy(float)
                found.append((judgement, place[o.name], seen, o))
        return found

    def is_doubtful(self, factor: Factor, used: pd.DataFrame) -> NDArray[np.bool_]:
        """Return which readings of a setting are not believed; ``used``: rows of a results frame.

        See :func:`dtfexp.dialin.encode.doubtful.doubtful_readings`.
        """
        setting = used[factor.name].astype(float)
        at = self.code(factor, setting)
        off = self.code(factor, used[f"{factor.name}_actual"].astype(float)) - at
        spread = np.abs(self.code(factor, setting + factor.spread) - at)
        return doubtful_readings(off, spread, _FAR_IN_LOGS if is_logarithmic(factor) else _FAR)

    def _cure_looks(
        self, used: pd.DataFrame, settings: pd.DataFrame, before: NDArray[np.bool_] | None
    ) -> tuple[Points, Ints] | None:
        """Return points and codes of the oven loads' recorded looks after the cure, if any.

        A look belongs to the film, which has no fabric yet and will be pressed as usual.
        """
        moved = [k for k, f in enumerate(self.session.factors) if sets_cure(f)]
        if COLUMN not in used or not moved:
            return None
        table = used.assign(row=np.arange(len(used)))[used[COLUMN] != ""]
        loads = table.sort_values("press").groupby("oven_load")
        rows = loads["row"].first().to_numpy(dtype=int)
        if not len(rows):
            return None
        cured = settings.iloc[rows].assign(
            **{f.name: f.usual for f in self.session.factors if STAGE_CODE[f.stage] != CURE}
        )
        at = self.points(cured, np.full(len(rows), -1), spread=False)
        step = np.zeros((len(self.session.factors), 1))
        step[moved] = cure_looks.HALF_STEP
        at = replace(at, nodes=at.nodes + step, subtracted_nodes=at.nodes - step)
        if before is not None:
            at = replace(at, before_change=before[rows])
        seen = loads[COLUMN].first().map(LOOKS.index).to_numpy(dtype=int)
        return at, seen


def direction(factor: Factor) -> float:
    """Return 1 where a higher setting acts more strongly, -1 for a conveyor speed."""
    return -1.0 if factor.is_numeric and units.kind(factor.unit) == "speed" else 1.0


def is_logarithmic(factor: Factor) -> bool:
    """Return whether a factor acts by its logarithm.

    This applies to a time or a conveyor speed whose range spans a factor of two or more.
    """
    if not factor.is_numeric or units.kind(factor.unit) not in _DWELLS:
        return False
    low, high = factor.bounds
    lowest = min(-factor.spread, *machine_spread.spread_nodes(factor))
    return low > 0 and high >= 2 * low and low + lowest > 0


def excluded_rows(results: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which rows of checked ``results`` are excluded from the fit."""
    if "excluded" not in results:
        return np.zeros(len(results), dtype=bool)
    return results["excluded"].to_numpy(dtype=bool)


def check_settings(session: Session, settings: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with the session's factor columns as finite numbers and known words."""
    if not isinstance(settings, pd.DataFrame):
        raise ResultsError(
            f"settings: got {type(settings).__name__}; give a pandas DataFrame with the columns "
            + ", ".join(f.name for f in session.factors)
        )
    out = {}
    for factor in session.factors:
        if factor.name not in settings:
            raise ResultsError(f"settings: column {factor.name!r} is missing; it is a factor")
        column = []
        for row, value in enumerate(settings[factor.name], start=1):
            try:
                if factor.is_numeric:
                    number = float(value)
                    if not np.isfinite(number):
                        raise ValueError
                    column.append(number)
                else:
                    column.append(factor.snap(value))
            except (TypeError, ValueError):
                accepted = "a number" if factor.is_numeric else "one of " + ", ".join(factor.levels)
                raise ResultsError(
                    f"settings: row {row}, column {factor.name!r}: got {value!r}; use {accepted}"
                ) from None
        out[factor.name] = pd.Series(
            column, index=settings.index, dtype=float if factor.is_numeric else object
        )
    return pd.DataFrame(out, index=settings.index)


def _nominal_cuts(outcome: Outcome) -> GradeScale:
    count = len(outcome.grades)
    ranks = np.arange(1, count, dtype=float)
    cuts = (ranks - outcome.rank(outcome.accept)) * outcome.step / grade_unit(outcome)
    return GradeScale(cuts=cuts, estimate_steps=2 < count <= _MOST_ESTIMATED_GRADES)


def grade_unit(outcome: Outcome) -> float:
    """Return one grade unit of the model in the units of a grade scale.

    A quarter of the scale, or its step where that is larger. METHODS.md, section 1.
    """
    return max(outcome.step, abs(outcome.best - outcome.worst) / 4.0)


def _codes(column: pd.Series) -> Ints:
    """Return a code for each different entry; -1 for a blank, which is no block."""
    codes, _ = pd.factorize(column.replace("", None), sort=True)
    return np.asarray(codes, dtype=int)
