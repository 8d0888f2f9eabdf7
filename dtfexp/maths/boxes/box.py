"""The largest box of good cells on a grid, found exactly.

A window is a box: one range per axis, every grid point inside it good. "Largest" is the product
over the axes of the box's width in units (the machine spread, or a step): a weighted maximal
empty-box problem in several dimensions. `box_search` solves it; this module states and checks the
problem.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.boxes.box_search import TIE, search

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WIDTH_OFFSET = 1e-3
"""Added to every width in units, so that boxes of zero width on an axis can be compared."""


@dataclass(frozen=True)
class Box:
    """A box of grid points: `lo[a] <= index <= hi[a]` on every axis; `size` is the objective."""

    lo: tuple[int, ...]
    hi: tuple[int, ...]
    size: float


def largest_box(
    good: Bools,
    coords: Sequence[Any],
    unit: Sequence[float],
    min_width: float | Sequence[float] = 0.0,
    prefer: Floats | None = None,
    holding: Sequence[Any] | None = None,
    clear: Sequence[float] | None = None,
) -> Box | None:
    """Return the largest box of good cells, or None when no box is wide enough.

        good      bool, shape (n1, ..., nd), d >= 1: the cells a box may hold
        coords    per axis, the grid's coordinates: 1-D, strictly ascending, length n_a
        unit      per axis, the width that counts as one (> 0, in the unit of coords)
        min_width per axis (or one number for all), in the unit of coords: least width of a box
        prefer    shape of `good`, finite: decides between boxes of equal size
        holding   per axis, ascending places of which a box must hold one that is not its edge,
                  or is where the grid ends; None for no condition
        clear     per axis, how far at least that place stands from such an edge; 0 if not given

    The size is the product over the axes of (width / unit + FLAT); an axis with one level counts as
    1. Sizes within a share TIE of the largest are equal; among these the largest sum of `prefer`
    inside wins (to nine digits), then the lowest `lo`, then the lowest `hi`. Raises ValueError on
    inconsistent arguments. METHODS.md, equation (25).
    """
    good, axes, units, narrow = _checked(good, coords, unit, min_width)
    preferred = _checked_prefer(good, prefer)
    if not good.any():
        return None
    corner, cropped = _cropped(good)
    widths = [
        _interval_widths(axis[at : at + n], u, w, counts=len(axis) > 1)
        for axis, at, n, u, w in zip(axes, corner, cropped.shape, units, narrow, strict=True)
    ]
    if holding is not None:
        held = [
            np.ones((len(axis),) * 2, dtype=bool) if at is None else _holds(axis, at, off)
            for axis, at, off in zip(axes, holding, clear or [0.0] * len(axes), strict=True)
        ]
        widths = [
            table * some[at : at + n, at : at + n]
            for table, some, at, n in zip(widths, held, corner, cropped.shape, strict=True)
        ]
    if any(not table.any() for table in widths):
        return None
    part = tuple(slice(at, at + n) for at, n in zip(corner, cropped.shape, strict=True))
    found = search(cropped, widths, preferred[part])
    if found is None:
        return None
    lo, hi, size = found
    return Box(
        lo=tuple(int(i + at) for i, at in zip(lo, corner, strict=True)),
        hi=tuple(int(i + at) for i, at in zip(hi, corner, strict=True)),
        size=size,
    )


def _interval_widths(at: Floats, unit: float, narrow: float, counts: bool) -> Floats:
    """Return the factor of every interval [p, q] of one axis, (n, n); 0 where too narrow."""
    width = at[None, :] - at[:, None]
    allowed = (width >= 0) & (width >= narrow * (1.0 - TIE))
    factor = width / unit + WIDTH_OFFSET if counts else np.ones_like(width)
    return np.where(allowed, factor, 0.0)


def _holds(axis: Floats, places: Any, clear: float = 0.0) -> Bools:
    """Return which intervals [p, q] of an axis hold a place that is not their edge, (n, n).

    The place stands ``clear`` from either edge, if that is more. The first and the last place may
    be an edge where the axis ends there.
    """
    at = np.asarray(places, dtype=np.float64)
    # A place that stands off by ``clear`` exactly counts; one on an edge never does.
    off = max(clear * (1.0 - TIE) - TIE, 0.0)
    low, high = axis + off, axis - off
    if axis[0] <= at[0]:
        low[0] = -np.inf
    if axis[-1] >= at[-1]:
        high[-1] = np.inf
    above = np.searchsorted(at, low, side="right")
    below = np.searchsorted(at, high, side="left")
    return np.asarray(below[None, :] > above[:, None])


def _cropped(good: Bools) -> tuple[tuple[int, ...], Bools]:
    """Return the start and content of the smallest part of the grid with every good cell."""
    ends = [
        np.flatnonzero(good.any(axis=tuple(b for b in range(good.ndim) if b != a)))
        for a in range(good.ndim)
    ]
    corner = tuple(int(e[0]) for e in ends)
    return corner, good[tuple(slice(int(e[0]), int(e[-1]) + 1) for e in ends)]


def _checked(
    good: Any,
    coords: Sequence[Any],
    unit: Sequence[float],
    min_width: float | Sequence[float],
) -> tuple[Bools, list[Floats], list[float], list[float]]:
    good = np.asarray(good)
    if good.dtype != np.bool_ or good.ndim < 1:
        raise ValueError(
            f"good must be a bool array of 1 axis or more, got {good.dtype} with {good.ndim} axes"
        )
    if isinstance(min_width, (int, float, np.number)):
        narrow = [float(min_width)] * good.ndim
    else:
        narrow = [float(w) for w in min_width]
    for name, given in (("coords", coords), ("unit", unit), ("min_width", narrow)):
        if len(given) != good.ndim:
            raise ValueError(f"{name} must have one entry per axis ({good.ndim}), got {len(given)}")
    axes = [np.asarray(axis, dtype=np.float64) for axis in coords]
    for a, axis in enumerate(axes):
        ascending = axis.ndim == 1 and np.isfinite(axis).all() and (np.diff(axis) > 0).all()
        if not ascending or axis.shape != (good.shape[a],):
            raise ValueError(
                f"coords of axis {a} must be {good.shape[a]} strictly ascending "
                f"numbers, got {axis.tolist()}"
            )
        if not (np.isfinite(unit[a]) and unit[a] > 0):
            raise ValueError(f"unit of axis {a} must be above 0, got {unit[a]}")
        if not (np.isfinite(narrow[a]) and narrow[a] >= 0):
            raise ValueError(f"min_width of axis {a} must be 0 or more, got {narrow[a]}")
    return good, axes, [float(u) for u in unit], narrow


def _checked_prefer(good: Bools, values: Any) -> Floats:
    if values is None:
        return np.zeros(good.shape)
    array = np.asarray(values, dtype=np.float64)
    if array.shape != good.shape or not np.isfinite(array).all():
        raise ValueError(f"prefer must be finite numbers of shape {good.shape}, got {array.shape}")
    return array
