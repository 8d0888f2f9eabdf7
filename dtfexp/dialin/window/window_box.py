"""The largest box of set-points that meet a requirement, and its edges between the dial's steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator
from scipy.ndimage import label

from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import FORBIDDEN, Demand, PassSurface
from dtfexp.dialin.window.lines import inwards
from dtfexp.dialin.window.pass_map import PassMap, pass_map
from dtfexp.maths.boxes.box import Box, largest_box
from dtfexp.maths.prediction.pass_probability import PassPosterior

Array = NDArray[np.float64]

# Set-points whose pass rate is computed: over the whole range, where a window may lie, around it.
FIRST_BUDGET = 1_500
SECOND_BUDGET = 1_500
THIRD_BUDGET = 1_300
# Set-points in between, by splines.
_COARSE_CELLS, _FINE_CELLS = 12_000, 20_000
# Edges may lie between the steps of the dial, in tenths of a step.
PARTS = 10
# How often the edges may move on, by one spacing of the fine grid each time.
_MOST_REFINEMENTS = 3
# Shares of the way to where each edge by itself would fall short.
_SHARES = (1.0, 0.75, 0.5, 0.25, 0.1)
_MOST_ROUNDS = 12
_MOST_TRIALS = 5
# The least that is required more after a box that falls short: a hair changes no box.
_LEAST_STRICTER = 0.005
_MOST_SPOTS = 81


@dataclass(frozen=True)
class MappedBox:
    """A box on a map; ``low`` and ``high`` (place on each axis) are its edges.

    ``region`` is the map of the surroundings, on an even grid.
    """

    mapped: PassMap
    box: Box
    low: Array
    high: Array
    region: PassMap

    def ends(self, session: Session) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return the low and the high end as set-points, in the session's order."""
        grid, order = self.mapped.grid, [f.name for f in session.factors]
        low, high = (
            grid.words
            | {f.name: grids.as_setting(f, v) for f, v in zip(grid.factors, end, strict=True)}
            for end in (self.low, self.high)
        )
        return {n: low[n] for n in order}, {n: high[n] for n in order}

    @property
    def part(self) -> tuple[slice, ...]:
        """The slices of the box in the arrays of its map."""
        return tuple(slice(a, b + 1) for a, b in zip(self.box.lo, self.box.hi, strict=True))

    def weight(self) -> Array:
        """Return the excess times the share of the box that belongs to each set-point."""
        out = np.maximum(self.mapped.excess[self.part], 0.0)
        grid = self.mapped.grid
        for k, (f, axis, part) in enumerate(zip(grid.factors, grid.axes, self.part, strict=True)):
            # Each word counts alike; the end of a range has half a cell.
            width = _cell_widths(axis[part]) if f.is_numeric else np.ones(len(axis[part]))
            across = [-1 if a == k else 1 for a in range(out.ndim)]
            out = out * (width / width.sum()).reshape(across)
        return out

    @property
    def offers(self) -> float:
        """The size of the box times its mean excess over the requirement."""
        return self.box.size * float(self.weight().sum())


def _cell_widths(axis: Array) -> Array:
    """Return the width of each level of an axis: half the way to each neighbour."""
    if len(axis) < 2:
        return np.ones(len(axis))
    gaps = np.diff(axis)
    return np.asarray(0.5 * (np.append(gaps, 0.0) + np.append(0.0, gaps)))


def best_box(
    mapped: PassMap, at_least: Mapping[str, float], holding: Sequence[Any] | None = None
) -> Box | None:
    """Return the largest box of good set-points.

    When possible each width is at least twice the spread and the place that is held stands a
    spread from the edges; else the widths alone; ``at_least`` always. ``holding`` as in
    :func:`dtfexp.maths.boxes.box.largest_box`.
    """
    if not mapped.good.any():
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
    prefer = np.maximum(mapped.excess, 0.0)
    both = np.maximum(wide, asked).tolist()
    clear = [0.5 * w for w in wide]
    # Between dial steps a window may be wide enough and have no step but beside its edge.
    for least, off in ((both, clear), (both, None), (asked, None)):
        if off is not None and holding is None:
            continue
        box = largest_box(mapped.good, axes, units, least, prefer, holding, off)
        if box is not None:
            return box
    return None


@dataclass(frozen=True)
class Surroundings:
    """The part of the range in which a window may lie, for one choice of words.

    ``size``: of the largest box by a first look; 0 without one, where the part is around the
    set-point with the highest excess.
    """

    words: dict[str, str]
    within: dict[str, tuple[float, float]]
    size: float


def surroundings(session: Session, fabric: str, coarse: PassMap) -> Surroundings:
    """Return where to look closely: all good set-points connected to the largest box.

    METHODS.md, section 8.
    """
    grid, words = coarse.grid, coarse.grid.words
    finer = grids.grid(session, fabric, words, _COARSE_CELLS)
    mapped = coarse.at(session, fabric, finer)
    box = best_box(mapped, {})
    if box is None:
        here = _best_place(mapped)
        held = list(zip(here.lo, here.hi, strict=True))
    else:
        parts, _ = label(mapped.good, structure=np.ones((3,) * mapped.good.ndim))
        mine = parts == parts[box.lo] if finer.axes else np.ones(())
        held = []
        for a in range(mine.ndim):
            some = np.flatnonzero(mine.any(axis=tuple(b for b in range(mine.ndim) if b != a)))
            held.append((int(some[0]), int(some[-1])))
    within = {}
    for factor, had, axis, (lo, hi) in zip(grid.factors, grid.axes, finer.axes, held, strict=True):
        reach = float(np.diff(had).max(initial=0.0))
        within[factor.name] = (float(axis[lo]) - reach, float(axis[hi]) + reach)
    return Surroundings(words, within, 0.0 if box is None else box.size)


def map_of_surroundings(
    fit: PassSurface, fabric: str, where: Surroundings, demand: Demand
) -> tuple[PassMap, PassPosterior]:
    """Return the map of the surroundings, between the steps of the dial too."""
    grid = grids.grid(fit.session, fabric, where.words, SECOND_BUDGET, where.within, PARTS)
    return pass_map(fit, fabric, grid, demand)


def refined_box(
    fit: PassSurface, fabric: str, region: PassMap, demand: Demand, at_least: Mapping[str, float]
) -> MappedBox | None:
    """Return the largest box in a map of the surroundings, or None.

    The box is found between the places of the map, then again on a map of its own neighbourhood. It
    contains a set-point of the dial that is not on its edge. METHODS.md, section 8.
    """
    session = fit.session
    coarse = _even(session, fabric, region)
    dial = _steps(session, fabric, coarse)
    # A coarse grid may hold no box round a step of the dial where a finer one does.
    box = best_box(coarse, at_least, dial) or best_box(coarse, {}) or _best_place(coarse)
    within = {}
    for factor, axis, (low, high) in zip(
        region.grid.factors, region.grid.axes, _ends(coarse, box), strict=True
    ):
        reach = 0.7 * float(np.diff(axis).max(initial=0.0))
        within[factor.name] = (low - reach, high + reach)
    grid = grids.grid(session, fabric, region.grid.words, THIRD_BUDGET, within, PARTS)
    mapped = region
    if not all(np.isin(a, b).all() for a, b in zip(grid.axes, region.grid.axes, strict=True)):
        mapped = pass_map(fit, fabric, grid, demand)[0]
    return box_in(fit, fabric, mapped, demand, dial, at_least, region)


def box_in(
    fit: PassSurface,
    fabric: str,
    mapped: PassMap,
    demand: Demand,
    holding: Sequence[Any],
    at_least: Mapping[str, float],
    region: PassMap,
) -> MappedBox | None:
    """Return the largest box in a map, between its places, or None.

    Where splines flatter a set-point of its faces, it is searched again with that much more
    required. ``holding`` as in :func:`dtfexp.maths.boxes.box.largest_box`.
    """
    flattered = 0.0
    for _ in range(_MOST_TRIALS):
        stricter = replace(mapped, excess=mapped.excess - flattered)
        found = _searched(fit.session, fabric, stricter, holding, at_least)
        if found is None:
            return None
        edged, short = with_edges(fit, fabric, *found, demand, region)
        if edged is not None:
            return edged
        flattered = 2.0 * flattered + max(short, _LEAST_STRICTER)
    return None


def _searched(
    session: Session,
    fabric: str,
    mapped: PassMap,
    holding: Sequence[Any],
    at_least: Mapping[str, float],
) -> tuple[PassMap, Box] | None:
    """Return the largest box of a map by splines, refined until its edges stay.

    The result of a finer grid replaces that of a coarser one.
    """
    even = near = _even(session, fabric, mapped)
    box = best_box(near, at_least, holding)
    for _ in range(_MOST_REFINEMENTS):
        if box is None:
            return None
        closer = grids.refined_near_edges(
            session, fabric, even.grid, _ends(near, box), _FINE_CELLS, PARTS
        )
        if all(np.isin(a, b).all() for a, b in zip(closer.axes, near.grid.axes, strict=True)):
            break  # every place is included already
        near = mapped.at(session, fabric, closer)
        box = best_box(near, at_least, holding)
    return None if box is None else (near, box)


def _even(session: Session, fabric: str, mapped: PassMap) -> PassMap:
    """Return a map by splines on a finer grid, between the steps of the dial too."""
    within = {
        f.name: (float(a[0]), float(a[-1]))
        for f, a in zip(mapped.grid.factors, mapped.grid.axes, strict=True)
    }
    even = grids.grid(session, fabric, mapped.grid.words, _FINE_CELLS, within, PARTS)
    return mapped.at(session, fabric, even)


def _best_place(mapped: PassMap) -> Box:
    """Return the set-point with the highest excess."""
    best = int(np.argmax(np.where(mapped.allowed, mapped.excess, -np.inf)))
    at = tuple(int(k) for k in np.unravel_index(best, mapped.grid.shape))
    return Box(at, at, 0.0)


def _steps(session: Session, fabric: str, mapped: PassMap) -> list[Array | None]:
    """Return the steps of the dial on each axis; None for words."""
    factors = mapped.grid.factors
    return [grids.full_axis(session, f, fabric) if f.is_numeric else None for f in factors]


def _ends(mapped: PassMap, box: Box) -> list[tuple[float, float]]:
    axes = mapped.grid.axes
    return [(float(a[k]), float(a[m])) for a, k, m in zip(axes, box.lo, box.hi, strict=True)]


def with_edges(
    fit: PassSurface, fabric: str, mapped: PassMap, box: Box, demand: Demand, region: PassMap
) -> tuple[MappedBox | None, float]:
    """Return the box with its edges moved out between the places of its map, in tenths of a step.

    None where the pass rate, computed at corners, edges, faces and the centre of that box, falls
    short of the requirement, and by how much. METHODS.md, section 8.
    """
    factors, ends = mapped.grid.factors, np.array(_ends(mapped, box)).reshape(-1, 2)
    if any(f.is_numeric for f in factors):
        ends = _moved_out(mapped, ends)
    ends = np.array(
        [
            inwards(f, a, b) if f.is_numeric else (a, b)
            for f, (a, b) in zip(factors, ends, strict=True)
        ]
    ).reshape(-1, 2)
    excess = demand.excess_at(fit, _settings(mapped.grid, _spots(ends)), fabric)
    if (excess < 0.0).any():
        return None, -float(excess.min())
    return MappedBox(mapped, box, ends[:, 0], ends[:, 1], region), 0.0


def _moved_out(mapped: PassMap, ends: Array) -> Array:
    """Return the edges (axis, side) moved out until none can move farther.

    In every round each edge may go to where a set-point of its face would fall short if it moved
    alone; all go the same share of their way, the largest at which the whole box holds.
    """
    axes = mapped.grid.axes
    free = [k for k, axis in enumerate(axes) if len(axis) > 1]
    level = np.where(mapped.allowed, mapped.excess, FORBIDDEN)
    excess = RegularGridInterpolator(
        [axes[k] for k in free], level.reshape([len(axes[k]) for k in free])
    )
    sides = np.array([(k, s) for k in free if mapped.grid.factors[k].is_numeric for s in (0, 1)])
    for _ in range(_MOST_ROUNDS):
        room = np.zeros_like(ends)
        for k, s in sides:
            last = axes[k][-1] if s else axes[k][0]
            near = axes[k][(axes[k] - ends[k, s]) * (last - ends[k, s]) > 0.0]
            if not len(near):
                continue
            beyond = near[0] if s else near[-1]
            faces = [np.array([ends[k, s]]), np.array([beyond])]
            inner, outer = (excess(_spots(ends, {k: face})[:, free]) for face in faces)
            held = np.where(outer >= 0.0, 1.0, inner / np.maximum(inner - outer, 1e-12))
            room[k, s] = max(float(held.min()), 0.0) * (beyond - ends[k, s])
        for share in _SHARES:
            moved = ends + share * room
            if (excess(_spots(moved)[:, free]) >= 0.0).all():
                ends = moved
                break
        else:
            break
        if all(abs(room[k, s]) < 0.02 * mapped.grid.factors[k].grid_step for k, s in sides):
            break
    return ends


def _spots(ends: Array, fixed: Mapping[int, Array] | None = None) -> Array:
    """Return corners, centres of edges and faces, and the centre of a box (M, axes).

    Corners alone where those are many. ``fixed``: replaces the places on an axis.
    """
    middles = 3 ** len(ends) <= _MOST_SPOTS
    sides = []
    for k, (low, high) in enumerate(ends):
        between = [0.5 * (low + high)] if middles else []
        sides.append((fixed or {}).get(k, np.array([low, *between, high])))
    mesh = np.meshgrid(*sides, indexing="ij")
    return np.stack(mesh, axis=-1).reshape(-1, len(ends)) if len(ends) else np.zeros((1, 0))


def _settings(grid: grids.Grid, spots: Array) -> pd.DataFrame:
    """Return places on the axes of a grid as settings."""
    columns: dict[str, Any] = {
        f.name: column
        if f.is_numeric
        else np.array(f.levels, dtype=object)[np.round(column).astype(int)]
        for f, column in zip(grid.factors, spots.T, strict=True)
    }
    frame = pd.DataFrame(columns, index=range(len(spots)))
    return frame.assign(**grid.words)
