"""Observations as arrays: a row for every grade or measurement, and for wash monotonicity."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field import batch_effects
from dtfexp.maths.field.monotone import WashOrder
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.design_points import DesignPoints

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]

# Most points with monotonicity rows: the work grows with the cube of the rows, and elsewhere the
# field is capped at evaluation (``monotone.monotone_fields``).
MOST_MONOTONE_POINTS = 40
# Which judgement of a coupon a grade is.
FIRST, EYE_AGAIN, BY_PICTURE = 0, 1, 2


@dataclass(frozen=True)
class GradeScale:
    """The grades of an outcome on the latent scale: cuts (n_grades - 1,), accept cut at 0.

    ``estimate_steps`` allows the steps between cuts to be fitted.
    """

    cuts: Array
    estimate_steps: bool = True


@dataclass(frozen=True)
class Data:
    """All observations, one row per press and outcome observed.

    ``at``: point of each row; ``outcome``, ``load``, ``round_``, ``block``, ``press`` (N,) codes
    (below zero: not known); ``grade`` (N,) 0-based, -1 where measured; ``value`` (N,) measured
    value in grade units or NaN; ``spread`` (N, d) sd, in codes, of the machines around each setting
    (none: exact, or a reading); ``input_noise`` (N, d) effect of one such sd on the row's field, in
    grades (see ``with_input_noise``). ``later_outcome`` (N,): where not below zero, the row is no
    grade but the field of ``outcome`` less that of ``later_outcome``, which is at least ``value``
    (:mod:`dtfexp.maths.field.monotone`); such rows come last and belong to no press (none: no such
    rows). ``look`` (N,): where not below zero, the row is no grade but the look of a load's cure
    (:mod:`dtfexp.maths.inference.cure_looks`), 0 too little, 1 good, 2 too much; of no press, load
    or outcome. ``unit`` (O,): what ``value`` is in, of nominal units (none: those; see
    :mod:`dtfexp.maths.inference.measured_units`). ``again`` (N,): which judgement of a coupon a
    grade is, ``FIRST``, ``EYE_AGAIN`` or ``BY_PICTURE`` (none: no coupon was judged again).
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
    input_noise: Array | None = None
    later_outcome: Ints | None = None
    look: Ints | None = None
    unit: Array | None = None
    again: Ints | None = None

    @property
    def n(self) -> int:
        return len(self.outcome)

    @cached_property
    def is_observed(self) -> Bools:
        """Which rows (N,) are grades or measurements."""
        out = np.ones(self.n, dtype=bool)
        for column in (self.later_outcome, self.look):
            if column is not None:
                out &= column < 0
        return out

    @cached_property
    def is_cure_look(self) -> Bools:
        """Which rows (N,) are looks of the cure."""
        return np.zeros(self.n, dtype=bool) if self.look is None else self.look >= 0

    @cached_property
    def input_noise_covariance(self) -> Array | None:
        """Covariance (N, N) of the rows from the machine spread; none without input noise."""
        if self.input_noise is None:
            return None
        return batch_effects.input_noise_covariance(self.input_noise, self.press)

    @cached_property
    def is_first(self) -> Bools:
        """Which rows (N,) are no second judgement of a coupon."""
        return np.ones(self.n, dtype=bool) if self.again is None else self.again == FIRST

    @cached_property
    def same_coupon(self) -> Bools:
        """Which two rows (N, N) judge one outcome of one press, where that was judged again."""
        same = (self.press[:, None] == self.press) & (self.outcome[:, None] == self.outcome)
        same &= self.is_observed[:, None] & self.is_observed
        return np.asarray(same & (same.sum(axis=1) > 1)[:, None])

    def outcome_design(self, n_outcomes: int) -> Array:
        """Return the coefficient of each outcome's field in every row, (N, n_outcomes)."""
        out = np.zeros((self.n, n_outcomes))
        out[np.arange(self.n), self.outcome] = 1.0
        if self.later_outcome is not None:
            rows = np.flatnonzero(self.later_outcome >= 0)
            out[rows, self.later_outcome[rows]] = -1.0
        out[self.is_cure_look] = 1.0 / n_outcomes
        return out

    @cached_property
    def design_points(self) -> DesignPoints:
        """The distinct points of the rows."""
        return DesignPoints.of(self.at)

    def rows(self, index: Ints) -> Data:
        """Return the data with only the rows of ``index``, repeats allowed."""

        def of(column: Any) -> Any:
            return None if column is None else column[index]

        return Data(
            self.at.take(index),
            self.outcome[index],
            self.load[index],
            self.round_[index],
            self.block[index],
            self.press[index],
            self.grade[index],
            self.value[index],
            of(self.spread),
            of(self.input_noise),
            of(self.later_outcome),
            of(self.look),
            self.unit,
            of(self.again),
        )

    def with_cure_looks(self, at: Points, look: Ints) -> Data:
        """Return the data with a row for each look of a cure; ``at`` are differences of two points.

        METHODS.md, equation (13).
        """
        count = len(look)

        def longer(name: str, new: Any, missing: Any = None) -> Any:
            column = getattr(self, name)
            if column is None and missing is None:
                return None
            old = np.full(self.n, missing) if column is None else column
            return np.concatenate([old, np.full((count, *old.shape[1:]), new)])

        of_none = {name: longer(name, -1) for name in ("load", "round_", "block", "press", "grade")}
        return replace(
            self,
            at=self.at.joined(at),
            outcome=longer("outcome", 0),
            value=longer("value", np.nan),
            spread=longer("spread", 0.0),
            input_noise=longer("input_noise", 0.0),
            later_outcome=longer("later_outcome", -1),
            again=longer("again", FIRST),
            look=np.concatenate([longer("look", -1, -1)[: self.n], look]),
            **of_none,
        )

    def with_monotone_rows(self, wash_order: WashOrder) -> Data:
        """Return the data with monotonicity rows, once at each point pressed.

        At most ``MOST_MONOTONE_POINTS`` points, spread evenly. METHODS.md, equation (11).
        """
        if not wash_order or not self.n:
            return self
        first = np.sort(np.unique(self.design_points.index_of_row, return_index=True)[1])
        count = min(len(first), MOST_MONOTONE_POINTS)
        where = first[np.linspace(0, len(first) - 1, count).astype(int)]
        longer = self.rows(np.concatenate([np.arange(self.n), np.tile(where, len(wash_order))]))
        told = np.arange(longer.n) >= self.n
        outcome, later = longer.outcome.copy(), np.full(longer.n, -1)
        value = longer.value.copy()
        outcome[told], later[told], value[told] = (
            np.repeat(column, count) for column in zip(*wash_order, strict=True)
        )
        of_no_press: dict[str, Any] = {
            name: np.where(told, -1, getattr(longer, name))
            for name in ("load", "round_", "block", "press", "grade")
        }
        spread = None if longer.spread is None else np.where(told[:, None], 0.0, longer.spread)
        again = None if longer.again is None else np.where(told, FIRST, longer.again)
        return replace(
            longer,
            outcome=outcome,
            later_outcome=later,
            value=value,
            spread=spread,
            again=again,
            **of_no_press,
        )
