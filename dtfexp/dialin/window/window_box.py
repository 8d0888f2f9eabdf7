"""The largest box of set-points that keep what is asked, and its edges between the steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.lines import inwards
from dtfexp.dialin.window.pass_map import Demand, PassMap, pass_map
from dtfexp.maths.boxes.box import Box, largest_box

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

FIRST_BUDGET = 6_000
SECOND_BUDGET = 6_000
THIRD_BUDGET = 8_000
# Edges may lie between the steps of the dial: so many parts to a step.
PARTS = 4
# How often the edges may move on, by one spacing of the second grid each time.
MOST_REFINEMENTS = 3
# Shares of the way to where each edge alone would fall short that all edges may move together.
_SHARES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
_MOST_SPOTS = 729


@dataclass(frozen=True)
class MappedBox:
    """A box on a map; ``low`` and ``high`` (axis -> place) are its edges between the steps."""

    mapped: PassMap
    box: Box
    low: Array
    high: Array

    def ends(self, session: Session) -> tuple[dict[str, Any], dict[str, Any]]:
        """The low and the high end as set-points, in the session's order."""
        grid, order = self.mapped.grid, [f.name for f in session.factors]
        low, high = (
            grid.words
            | {f.name: grids.as_setting(f, v) for f, v in zip(grid.factors, end, strict=True)}
            for end in (self.low, self.high)
        )
        return {n: low[n] for n in order}, {n: high[n] for n in order}

    @property
    def part(self) -> tuple[slice, ...]:
        """Where the box lies in the arrays of its map."""
        return tuple(slice(a, b + 1) for a, b in zip(self.box.lo, self.box.hi, strict=True))

    def weight(self) -> Array:
        """Excess times the share of the box that each set-point stands for."""
        out = np.maximum(self.mapped.excess[self.part], 0.0)
        for k, (axis, part) in enumerate(zip(self.mapped.grid.axes, self.part, strict=True)):
            width = _cell_widths(axis[part])
            across = [-1 if a == k else 1 for a in range(out.ndim)]
            out = out * (width / width.sum()).reshape(across)
        return out

    @property
    def offers(self) -> float:
        """The size of the box times how far it stands above what is asked on average."""
        return self.box.size * float(self.weight().sum())


def _cell_widths(axis: Array) -> Array:
    """What each level of an axis stands for: half of the way to each neighbour."""
    if len(axis) < 2:
        return np.ones(len(axis))
    gaps = np.diff(axis)
    return np.asarray(0.5 * (np.append(gaps, 0.0) + np.append(0.0, gaps)))


def best_box(
    mapped: PassMap, at_least: Mapping[str, float], holding: Sequence[Any] | None = None
) -> Box | None:
    """Largest box that keeps what is asked; each width at least twice the spread when possible, and
    ``at_least`` always.  holding: as in :func:`dtfexp.maths.boxes.box.largest_box`."""
    good = mapped.excess >= 0.0
    if not good.any():
        return None
    axes, factors = list(mapped.grid.axes), mapped.grid.factors
    if not axes:
        return Box((), (), 1.0)
    units = [grids.width_unit(f) for f in factors]
    wide = [
        2.0 * f.spread if f.is_numeric and len(a) > 1 else 0.0
        for f, a in zip(factors, axes, strict=True)
    ]
    asked = [2.0 * at_least.get(f.name, 0.0) for f in factors]
    both = np.maximum(wide, asked).tolist()
    prefer = np.maximum(mapped.excess, 0.0)
    for least in (both, asked):
        box = largest_box(good, axes, units, min_width=least, prefer=prefer, holding=holding)
        if box is not None:
            return box
    return None


def refined_box(
    fit: FittedModel,
    fabric: str,
    coarse: PassMap,
    box: Box,
    demand: Demand,
    at_least: Mapping[str, float],
) -> tuple[PassMap, Box] | None:
    """Search again on a finer grid around the coarse box, between the steps of the dial too, then
    closer still at its edges until they move no more.  What a finer grid finds stands: a coarse box
    may step over set-points that fall short.  Every box holds a set-point that is not on its edge.
    None when nothing is left."""
    session, words = fit.session, coarse.grid.words
    within = {
        factor.name: (float(axis[max(lo - 1, 0)]), float(axis[min(hi + 1, len(axis) - 1)]))
        for factor, axis, lo, hi in zip(
            coarse.grid.factors, coarse.grid.axes, box.lo, box.hi, strict=True
        )
    }
    steps = [
        grids.full_axis(session, f, fabric) if f.is_numeric else None for f in coarse.grid.factors
    ]
    fine = grids.grid(session, fabric, words, SECOND_BUDGET, within, PARTS)
    mapped = pass_map(fit, fabric, fine, demand)
    found = best_box(mapped, at_least, steps)
    for _ in range(MOST_REFINEMENTS):
        if found is None:
            return None
        axes = mapped.grid.axes
        ends = [
            (float(a[k]), float(a[m])) for a, k, m in zip(axes, found.lo, found.hi, strict=True)
        ]
        near = grids.refined_near_edges(session, fabric, fine, ends, THIRD_BUDGET, PARTS)
        if all(np.isin(a, had).all() for a, had in zip(near.axes, axes, strict=True)):
            break  # every place is looked at already
        mapped = pass_map(fit, fabric, near, demand)
        found = best_box(mapped, at_least, steps)
    return None if found is None else (mapped, found)


def with_edges(
    fit: FittedModel, fabric: str, mapped: PassMap, box: Box, demand: Demand
) -> MappedBox:
    """The box with its edges told between the steps: moved out to where the first set-point of a
    face falls short, all edges together as far as every corner of the larger box allows."""
    axes, factors = mapped.grid.axes, mapped.grid.factors
    low = np.array([axis[k] for axis, k in zip(axes, box.lo, strict=True)], dtype=float)
    high = np.array([axis[k] for axis, k in zip(axes, box.hi, strict=True)], dtype=float)
    down, up = (_reach(mapped, box, side) for side in (-1, 1))
    spots, trials = [], []
    for share in _SHARES if down.any() or up.any() else ():
        inside = [
            inwards(factor, a - share * d, b + share * u) if factor.is_numeric else (a, b)
            for factor, a, b, d, u in zip(factors, low, high, down, up, strict=True)
        ]
        trials.append(inside)
        spots.append(_box_spots(mapped.grid, inside))
    if not trials:
        return MappedBox(mapped, box, low, high)
    excess = demand.excess_at(fit, pd.concat(spots, ignore_index=True), fabric)
    for inside, part in zip(trials, np.split(excess, len(trials)), strict=True):
        if (part >= 0.0).all():
            low, high = (np.array(ends) for ends in zip(*inside, strict=True))
            break
    return MappedBox(mapped, box, low, high)


def _reach(mapped: PassMap, box: Box, side: int) -> Array:
    """How far each edge of one side may move alone before a set-point of its face falls short,
    read between the map's steps; 0 where the range ends."""
    part: list[Any] = [slice(lo, hi + 1) for lo, hi in zip(box.lo, box.hi, strict=True)]
    out = np.zeros(len(part))
    for a, (factor, axis) in enumerate(zip(mapped.grid.factors, mapped.grid.axes, strict=True)):
        edge = box.lo[a] if side < 0 else box.hi[a]
        beyond = edge + side
        if not factor.is_numeric or not 0 <= beyond < len(axis):
            continue
        inner, outer = (mapped.excess[(*part[:a], k, *part[a + 1 :])] for k in (edge, beyond))
        share = np.where(outer >= 0.0, 1.0, inner / np.maximum(inner - outer, 1e-12))
        out[a] = float(share.min()) * abs(axis[beyond] - axis[edge])
    return out


def _box_spots(grid: grids.Grid, ends: list[tuple[float, float]]) -> pd.DataFrame:
    """Corners, middles of edges and faces, and the centre of a box; corners alone if many."""
    middles = 3 ** len(ends) <= _MOST_SPOTS
    sides = []
    for factor, (low, high) in zip(grid.factors, ends, strict=True):
        between = [0.5 * (low + high)] if middles and factor.is_numeric else []
        sides.append(list(dict.fromkeys([low, *between, high])))
    rows = [
        {f.name: grids.as_setting(f, v) for f, v in zip(grid.factors, spot, strict=True)}
        | grid.words
        for spot in product(*sides)
    ]
    return pd.DataFrame(rows)
