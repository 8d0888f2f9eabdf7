"""Unique design points: sums over rows of the data become sums over distinct points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.points import Points

Array = NDArray[np.float64]


@dataclass(frozen=True)
class DesignPoints:
    """The P distinct points of the data.

    The outcomes of a press, and equal presses, share a point, so their rows are summed first.
    ``at``: the points; ``order`` (N,): rows of the data, point by point; ``first_rows`` (P,): the
    place in ``order`` of the first of each. METHODS.md, equation (18).
    """

    at: Points
    order: NDArray[np.int_]
    first_rows: NDArray[np.int_]

    @classmethod
    def of(cls, points: Points) -> DesignPoints:
        size = points.nodes.shape[1] * points.nodes.shape[2]
        keys = [points.nodes.reshape(points.n, size), points.fabric[:, None].astype(float)]
        keys += [] if points.before_change is None else [points.before_change.astype(float)]
        # A difference has a second end; replace NaN elsewhere, because NaN differs from itself.
        keys += (
            []
            if points.subtracted_nodes is None
            else [np.nan_to_num(points.subtracted_nodes, nan=1e9).reshape(-1, size)]
        )
        _, first, place = np.unique(np.hstack(keys), axis=0, return_index=True, return_inverse=True)
        place = place.reshape(-1)
        order = np.argsort(place, kind="stable")
        return cls(points.take(first), order, np.flatnonzero(np.diff(place[order], prepend=-1)))

    @cached_property
    def index_of_row(self) -> NDArray[np.int_]:
        """The point (N,) of every row of the data."""
        out = np.empty(len(self.order), dtype=int)
        sizes = np.diff(self.first_rows, append=len(self.order))
        out[self.order] = np.repeat(np.arange(len(self.first_rows)), sizes)
        return out

    def sum_rows(self, rows: Array) -> Array:
        """Return rows (N, k) of the data summed by point, (P, k)."""
        if not len(self.first_rows):
            return rows
        return np.asarray(np.add.reduceat(rows[self.order], self.first_rows, axis=0))
