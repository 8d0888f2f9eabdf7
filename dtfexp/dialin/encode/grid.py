"""Grids of set-points on the bench's steps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Grid:
    """Set-points of the ranged factors, for one choice of the word factors.

    ``axes``: ascending values per ranged factor (ordered words count by position); ``words``: the
    fixed level of every unordered word factor.
    """

    factors: tuple[Factor, ...]
    axes: tuple[Array, ...]
    words: dict[str, str]

    @property
    def shape(self) -> tuple[int, ...]:
        return tuple(len(axis) for axis in self.axes)

    def setting(self, index: tuple[int, ...]) -> dict[str, Any]:
        """Return the set-point at a grid index, factor name -> value."""
        out: dict[str, Any] = {}
        for factor, axis, i in zip(self.factors, self.axes, index, strict=True):
            out[factor.name] = as_setting(factor, axis[i])
        return out | self.words

    def permitted(self, session: Session, fabric: str) -> NDArray[np.bool_]:
        """Return which set-points meet nothing forbidden, in the grid's shape."""
        return session.permits(self.frame(), fabric).reshape(self.shape)

    def frame(self) -> pd.DataFrame:
        """Return every set-point, first axis slowest, one column per factor."""
        mesh = np.meshgrid(*self.axes, indexing="ij") if self.axes else []
        count = int(np.prod(self.shape)) if self.axes else 1
        columns: dict[str, Any] = {}
        for factor, values in zip(self.factors, mesh, strict=True):
            flat = values.ravel()
            columns[factor.name] = (
                flat
                if factor.is_numeric
                else np.array(factor.levels, dtype=object)[flat.astype(int)]
            )
        for name, word in self.words.items():
            columns[name] = np.full(count, word, dtype=object)
        return pd.DataFrame(columns)


def as_setting(factor: Factor, value: float) -> Any:
    """Return an axis value as a setting: a float, or the ordered word at that position."""
    return float(value) if factor.is_numeric else factor.levels[int(value)]


def as_axis(factor: Factor, setting: Any) -> float:
    """Return the position of a setting on its axis."""
    return float(setting) if factor.is_numeric else float(factor.levels.index(factor.snap(setting)))


def full_axis(session: Session, factor: Factor, fabric: str, parts: int = 1) -> Array:
    """Return all allowed settings of a ranged factor for one fabric, words as positions.

    The axis is empty where the fabric's range and heat limit leave nothing. ``parts``: divides each
    step of a number into so many.
    """
    allowed = session.allowed(factor, fabric)
    axis = np.array([as_axis(factor, setting) for setting in allowed], dtype=float)
    if parts == 1 or not factor.is_numeric or len(axis) < 2:
        return axis
    share = np.arange(parts * (len(axis) - 1) + 1) / parts
    return np.asarray(np.round(np.interp(share, np.arange(len(axis)), axis), 9))


def nearest(axis: Array, value: float) -> float:
    """Return the axis value nearest to a value; the lower one in a tie."""
    return float(axis[int(np.argmin(np.abs(axis - value)))])


def usual_set_point(session: Session, fabric: str) -> dict[str, Any]:
    """Return today's set-point, as near as dial and fabric allow."""
    return {factor.name: session.usual(factor, fabric) for factor in session.factors}


def moved_in(session: Session, fabric: str, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return a set-point with every setting moved to the nearest allowed for the fabric.

    An unordered word that is not allowed is replaced by the usual one.
    """
    out: dict[str, Any] = {}
    for factor in session.factors:
        value = settings[factor.name]
        if factor.is_numeric or factor.ordered:
            axis = full_axis(session, factor, fabric)
            out[factor.name] = as_setting(factor, nearest(axis, as_axis(factor, value)))
        else:
            word = factor.snap(value)
            allowed = word in session.allowed(factor, fabric)
            out[factor.name] = word if allowed else session.usual(factor, fabric)
    return out


def width_unit(factor: Factor) -> float:
    """Return the unit of widths: the spread, or the step when no spread is given."""
    if factor.is_numeric and factor.spread > 0:
        return factor.spread
    return factor.grid_step


def word_choices(session: Session, fabric: str) -> list[dict[str, str]]:
    """Return every combination of unordered words allowed for the fabric."""
    factors = [f for f in session.factors if not f.is_numeric and not f.ordered]
    return [
        dict(zip([f.name for f in factors], words, strict=True))
        for words in product(*(session.allowed(f, fabric) for f in factors))
    ]


def ranged_factors(session: Session) -> tuple[Factor, ...]:
    """Return the factors a window has a range of: numbers and ordered words."""
    return tuple(f for f in session.factors if f.is_numeric or f.ordered)


def grid(
    session: Session,
    fabric: str,
    words: dict[str, str],
    budget: int,
    within: dict[str, tuple[float, float]] | None = None,
    parts: int = 1,
) -> Grid:
    """Return a grid of at most ``budget`` set-points, thinned where the steps are finest.

    ``within`` (factor -> (low, high) on the axis) restricts the range. Thinning always acts on the
    axis with the smallest spacing in multiples of its spread, so that no axis is coarser than
    necessary. Words are never thinned. ``parts`` as in :func:`full_axis`.
    """
    factors = ranged_factors(session)
    full = []
    for factor in factors:
        axis = full_axis(session, factor, fabric, parts)
        if within is not None and factor.name in within:
            low, high = within[factor.name]
            kept = axis[(axis >= low - 1e-9) & (axis <= high + 1e-9)]
            axis = kept if len(kept) else axis[[int(np.argmin(np.abs(axis - low)))]]
        full.append(axis)
    stride, counts = [1] * len(full), [len(axis) for axis in full]
    steps = [(_step(axis), width_unit(f)) for axis, f in zip(full, factors, strict=True)]
    # Words are never thinned.
    fixed = [not f.is_numeric for f in factors]
    while math.prod(counts) > budget:
        spacing = [
            np.inf if n <= 2 or stays else s * step / unit
            for n, stays, s, (step, unit) in zip(counts, fixed, stride, steps, strict=True)
        ]
        finest = int(np.argmin(spacing))
        if not np.isfinite(spacing[finest]):
            break
        stride[finest] += 1
        # Every stride-th value and both ends, as in _every_nth.
        counts[finest] = -(-(len(full[finest]) - 1) // stride[finest]) + 1
    axes = tuple(_every_nth(axis, s) for axis, s in zip(full, stride, strict=True))
    return Grid(factors, axes, dict(words))


def refined_near_edges(
    session: Session,
    fabric: str,
    thinned: Grid,
    ends: list[tuple[float, float]],
    budget: int,
    parts: int = 1,
) -> Grid:
    """Return a grid around a box with every step of the bench close to the box's edges.

    ``ends``: the box's low and high end on each axis. An edge may move by up to one spacing of
    ``thinned`` either way, but not off ``thinned``; between the edges its values are kept. If that
    exceeds ``budget`` set-points, steps near the edges are thinned evenly.
    """
    kept, between = [], []
    for factor, axis, (low, high) in zip(thinned.factors, thinned.axes, ends, strict=True):
        reach = float(np.diff(axis).max(initial=0.0)) + 1e-9
        steps = full_axis(session, factor, fabric, parts)
        # The thinned grid may cover only a part of the range; nothing is known beyond it.
        first, last = max(low - reach, axis[0]), min(high + reach, axis[-1])
        steps = steps[(steps >= first - 1e-9) & (steps <= last + 1e-9)]
        inside = axis[(axis >= steps[0]) & (axis <= steps[-1])]
        kept.append(np.unique([*inside, low, high, steps[0], steps[-1]]))
        near = np.minimum(np.abs(steps - low), np.abs(steps - high)) <= reach
        between.append(np.setdiff1d(steps[near], kept[-1]))
    stride = 1
    while True:
        axes = tuple(np.union1d(k, b[::stride]) for k, b in zip(kept, between, strict=True))
        size = np.prod([len(axis) for axis in axes], dtype=float)
        if size <= budget or stride > max(map(len, between)):
            return Grid(thinned.factors, axes, dict(thinned.words))
        stride += 1


def _step(axis: Array) -> float:
    return float(axis[1] - axis[0]) if len(axis) > 1 else 1.0


def _every_nth(axis: Array, stride: int) -> Array:
    """Return every ``stride``-th value with both ends, so that the whole range is covered."""
    if stride == 1 or len(axis) <= 2:
        return axis
    kept = np.arange(0, len(axis), stride)
    if kept[-1] != len(axis) - 1:
        kept = np.append(kept, len(axis) - 1)
    return np.asarray(axis[kept])
