"""Points of the field: settings as codes, quadrature nodes of the machine spread, and doses.

Temperature and time of one stage are exchangeable in part: a hotter cure may be shorter. With the
temperature in half-ranges and the logarithm of the time in half-ranges their sum is the *dose* of
the stage, below and above which prints fail (practice; no source; a rate that grows exponentially
with temperature times a time, as in Arrhenius' law, is a sum on this scale).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.monotone import WashOrder

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]
Pairs = tuple[tuple[int, int], ...]

CURE, PRESS, PEEL = 0, 1, 2


@dataclass(frozen=True)
class FieldShape:
    """The dimensions of the field.

    ``stage`` (d,) of CURE/PRESS/PEEL; ``is_category`` (d,) true where the column holds a category
    code; ``trade_off``: pairs of columns (temperature, time) of one stage that add up to a dose;
    ``series`` (n_outcomes,): equal codes are one quality judged again after more washes (empty:
    none); ``wash_order``: neighbours of a series, fewest washes first
    (:mod:`dtfexp.maths.field.monotone`). Every dose is one more column, after those of the
    settings.
    """

    stage: tuple[int, ...]
    is_category: tuple[bool, ...]
    trade_off: Pairs
    n_outcomes: int
    series: tuple[int, ...] = ()
    wash_order: WashOrder = ()

    @cached_property
    def stages(self) -> tuple[int, ...]:
        """The stage of every column, doses included."""
        return self.stage + tuple(self.stage[i] for i, _ in self.trade_off)

    @cached_property
    def is_category_column(self) -> tuple[bool, ...]:
        """Which columns, doses included, hold a category code."""
        return self.is_category + (False,) * len(self.trade_off)

    def column_weights(self, dose: float) -> Array:
        """Return the weight of each column, doses included, for a share ``dose`` of the dose.

        METHODS.md, equation (2).
        """
        out = np.ones(len(self.stages))
        for k, pair in enumerate(self.trade_off):
            out[list(pair)] = 1.0 - dose
            out[len(self.stage) + k] = dose
        return out

    def columns_of(self, setting: int) -> list[int]:
        """Return the columns that move with one setting: its own and those of its doses."""
        doses = [k for k, pair in enumerate(self.trade_off) if setting in pair]
        return [setting, *(len(self.stage) + k for k in doses)]


def kept_between(a: Bools | None, b: Bools | None, kept: tuple[float, ...]) -> Array | float:
    """Return the correlation (n_a, n_b) of what was before changes (n, c) with what was not.

    ``kept`` (c,): of each change. METHODS.md, equation (30).
    """
    if a is None and b is None:
        return 1.0
    of_a, of_b = (np.zeros((1, len(kept)), dtype=bool) if x is None else x for x in (a, b))
    out: Array | float = 1.0
    for change, share in enumerate(kept):
        if share != 1.0:
            same = of_a[:, change][:, None] == of_b[:, change][None, :]
            out = out * np.where(same, 1.0, share)
    return out


@dataclass(frozen=True)
class Points:
    """Points at which the field is evaluated.

    ``nodes`` (n, d, q): codes reached by the machines around each set-point (q = 1: exact);
    ``weights`` (q,) of the nodes; ``fabric`` (n,) index; ``before_change`` (n, c): true for
    settings from before each of c changes, the last first, which are moved by
    ``Hyperparameters.shift`` (None: none is). Columns of
    words repeat the code. ``doses``: pairs of columns whose sums are the last columns (see
    :meth:`with_doses`). ``subtracted_nodes`` (n, d, q): where not NaN, the row is the field at
    ``nodes`` less that there (None: no row is a difference).
    """

    nodes: Array
    weights: Array
    fabric: Ints
    before_change: Bools | None = None
    doses: Pairs = ()
    subtracted_nodes: Array | None = None

    @property
    def n(self) -> int:
        return int(self.nodes.shape[0])

    def take(self, index: Ints) -> Points:
        before = None if self.before_change is None else self.before_change[index]
        less = None if self.subtracted_nodes is None else self.subtracted_nodes[index]
        return replace(
            self,
            nodes=self.nodes[index],
            fabric=self.fabric[index],
            before_change=before,
            subtracted_nodes=less,
        )

    def joined(self, other: Points) -> Points:
        """Return these points, then those of ``other``; nodes have the same weights."""

        def both(name: str, missing: Callable[[Points], Array | Bools]) -> Any:
            one, two = getattr(self, name), getattr(other, name)
            if one is None and two is None:
                return None
            one, two = (missing(p) if x is None else x for p, x in ((self, one), (other, two)))
            return np.concatenate([one, two])

        noted = [p.before_change for p in (self, other) if p.before_change is not None]
        changes = noted[0].shape[1] if noted else 0
        return Points(
            np.concatenate([self.nodes, other.nodes]),
            self.weights,
            np.concatenate([self.fabric, other.fabric]),
            both("before_change", lambda p: np.zeros((p.n, changes), dtype=bool)),
            subtracted_nodes=both("subtracted_nodes", lambda p: np.full(p.nodes.shape, np.nan)),
        )

    @cached_property
    def without_differences(self) -> tuple[Points, Ints]:
        """Return plain points, and the rows that were differences.

        All rows, then the other ends of the differences. A difference is its first end less its
        second (:func:`difference_rows`).
        """
        if self.subtracted_nodes is None:
            return self, np.zeros(0, dtype=int)
        rows = np.flatnonzero(~np.isnan(self.subtracted_nodes[:, 0, 0]))
        plain, ends = (
            replace(self, subtracted_nodes=None),
            replace(self.take(rows), subtracted_nodes=None),
        )
        return plain.joined(replace(ends, nodes=self.subtracted_nodes[rows])), rows

    def shifted(self, shift: Array | None) -> Points:
        """Return the points in today's settings.

        After shifts of ``shift`` (c d,) codes, change by change (or None), the same effect is
        reached at a lower setting. METHODS.md, equation (30).
        """
        if self.before_change is None or shift is None:
            return self
        by = self.before_change @ shift.reshape(self.before_change.shape[1], -1)
        return replace(self, nodes=self.nodes - by[:, :, None])

    def with_doses(self, pairs: Pairs) -> Points:
        """Return the points with one more column for each pair: the sum of its two columns.

        METHODS.md, equation (2).
        """
        if not pairs or self.doses:
            return self
        if pairs not in self._widened:
            self._widened[pairs] = self._widen(pairs)
        return self._widened[pairs]

    @cached_property
    def _widened(self) -> dict[Pairs, Points]:
        return {}

    def _widen(self, pairs: Pairs) -> Points:
        middle, sd, rows = self.mean, self.sd, np.arange(self.n)
        columns = [self.nodes]
        for i, j in pairs:
            # The spreads of two machines are independent: variances add up, the nodes' shape stays.
            wider = np.where(sd[:, i] >= sd[:, j], i, j)
            about = self.nodes[rows, wider] - middle[rows, wider][:, None]
            both = np.hypot(sd[:, i], sd[:, j]) / np.maximum(sd[rows, wider], 1e-12)
            dose = (middle[:, i] + middle[:, j])[:, None] + about * both[:, None]
            columns.append(dose[:, None, :])
        return replace(self, nodes=np.concatenate(columns, axis=1), doses=pairs)

    @cached_property
    def levels(self) -> list[tuple[Ints, Ints]]:
        """Return, for each column, the first row of every distinct set-point, and each row's level.

        Settings have few levels: tables are computed on these and expanded. A dose has a level for
        every pair of its two settings, whose spreads differ.
        """
        middle = self.nodes[:, :, self.nodes.shape[2] // 2]
        settings = middle[:, : middle.shape[1] - len(self.doses)]
        out = [_unique_levels(column) for column in settings.T]
        for i, j in self.doses:
            out.append(_unique_levels(out[i][1] * len(out[j][0]) + out[j][1]))
        return out

    @property
    def is_scattered(self) -> bool:
        """True where the points form no grid: some setting differs at nearly every point."""
        return any(4 * len(first) > self.n for first, _ in self.levels)

    def joint_levels(self, columns: tuple[int, ...]) -> tuple[Ints, Ints]:
        """Return ``levels`` of several columns, the fabric and the side of a change jointly.

        On a grid the effect of one stage has far fewer levels than there are points.
        """
        if columns not in self._together:
            code = np.asarray(self.fabric, dtype=np.int64)
            if self.before_change is not None:
                for before in self.before_change.T:
                    code = 2 * code + before
            for k in columns:
                first, at = self.levels[k]
                # Renumber each time: a product of many sizes would overflow.
                code = _unique_levels(code * max(len(first), 1) + at)[1]
            self._together[columns] = _unique_levels(code)
        return self._together[columns]

    @cached_property
    def _together(self) -> dict[tuple[int, ...], tuple[Ints, Ints]]:
        return {}

    @cached_property
    def mean(self) -> Array:
        """The mean of the nodes of every point, (n, d)."""
        return np.asarray(self.nodes @ self.weights)

    @cached_property
    def skewness_and_kurtosis(self) -> tuple[Array, Array]:
        """Skewness and kurtosis (n, d) of the nodes of every point; 0 and 3 where all are equal."""
        about = self.nodes - self.mean[:, :, None]
        square = about**2
        variance = square @ self.weights
        wide = variance > 1e-18
        some = np.where(wide, variance, 1.0)
        lean = np.where(wide, ((about * square) @ self.weights) / some**1.5, 0.0)
        return lean, np.where(wide, ((square**2) @ self.weights) / some**2, 3.0)

    @cached_property
    def sd(self) -> Array:
        """The standard deviation of the nodes of every point, (n, d)."""
        square = (self.nodes**2) @ self.weights
        return np.asarray(np.sqrt(np.maximum(square - self.mean**2, 0.0)))


def difference_rows(rows: Array, differences: Ints) -> Array:
    """Return rows (n + k, ...) of plain points as those (n, ...) of the points with differences."""
    if not len(differences):
        return rows
    count = len(rows) - len(differences)
    out = rows[:count].copy()
    out[differences] -= rows[count:]
    return out


def _unique_levels(column: Array | Ints) -> tuple[Ints, Ints]:
    _, first, at = np.unique(column, return_index=True, return_inverse=True)
    return first, at.reshape(-1)
