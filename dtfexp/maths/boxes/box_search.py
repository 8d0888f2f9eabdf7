"""Exact search for the box of good cells with the largest product of interval factors.

The longest axis is not enumerated: each cell holds the rank of the width of the run of good cells
that ends there, and a box takes the minimum over its cells. An interval on any other axis is then a
running minimum, over many candidates at a time. The rest is a depth-first branch and bound over the
intervals of the other axes: a candidate is dropped when its widths so far, times the widest
possible run on each remaining axis, fall short of the best box. The bound is never too low, so the
search is exact. On a small grid every box is tried instead, which is quicker than the bookkeeping.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Ranks = NDArray[Any]  # the smallest unsigned type that holds every rank of the run axis
_Batch = tuple[Ranks, Floats, Ints]  # ranks left, factor so far, picks

TIE = 1e-9
"""Relative tolerance below which sizes, widths and distances are equal."""

_BATCH = 8192  # candidates handled together: enough to hide call overhead, small enough for cache
_CELLS = 1 << 22  # and never more cells at a time than this
_HELD_TIES = 1 << 18  # equal boxes kept before they are reduced to their best
_FEW_BOXES = 1 << 18  # a grid with no more of them, good or not, is small


def search(good: Bools, widths: list[Floats], prefer: Floats) -> tuple[Ints, Ints, float] | None:
    """Return the best box as (lo, hi, size), or None when no box is allowed.

    good    bool, d axes, at least one cell True
    widths  per axis (n_a, n_a): factor of the interval [p, q], rising with q and falling with p;
            0 where the interval is not allowed
    prefer  shape of good: decides between boxes of equal size, see `box.largest_box`
    """
    searched = _Search(good, widths, prefer)
    few = np.prod([n * (n + 1) // 2 for n in good.shape], dtype=float) <= _FEW_BOXES
    return searched.try_all() if few else searched.run()


class _Search:
    """One search: the run axis, the enumerated axes in order, the best size so far and its boxes.

    A block holds the ranks of a batch of candidates, shape (n_level, ..., n_last, run, batch): the
    axes still open, the run axis, and one column per candidate. `picks` holds the intervals each
    candidate has chosen so far, shape (2 * level, batch).
    """

    def __init__(self, good: Bools, widths: list[Floats], prefer: Floats) -> None:
        self.good, self.shape = good, good.shape
        self.all_widths = widths
        self.prefer = prefer
        self.best = 0.0
        self.ties: list[Ints] = []
        self.held = 0

    def run(self) -> tuple[Ints, Ints, float] | None:
        """Search by branch and bound."""
        order = sorted(range(self.good.ndim), key=lambda a: (self.shape[a], a))
        *self.open_axes, self.run_axis = order
        self.widths = [self.all_widths[a] for a in self.open_axes]
        self.codes, self.run_width = _ranked(self.all_widths[self.run_axis])
        self.block = _run_ranks(self.good.transpose(order), self.codes)
        start = self.block[..., None]
        one = np.ones(1)
        none: Ints = np.zeros((0, 1), dtype=np.intp)
        if self.open_axes:
            self._descend(0, start, one, none)
        else:
            self._record(start, one, none)
        return self._winner()

    def try_all(self) -> tuple[Ints, Ints, float] | None:
        """Look at every box of the grid: whether all of it is good, axis after axis."""
        held, size, intervals = self.good, np.ones(()), []
        for a, (n, table) in enumerate(zip(self.shape, self.all_widths, strict=True)):
            before = (slice(None),) * a
            held = np.concatenate(
                [
                    np.logical_and.accumulate(held[(*before, slice(start, None))], axis=a)
                    for start in range(n)
                ],
                axis=a,
            )
            intervals.append(_all_intervals(n))
            size = np.multiply.outer(size, table[intervals[a]])
        size = np.where(held, size, 0.0)
        self.best = float(size.max())
        if self.best > 0.0:
            picked = zip(intervals, np.nonzero(size >= self._enough), strict=True)
            self.ties = [np.array([ends[at] for pair, at in picked for ends in pair])]
        return self._winner()

    @property
    def _enough(self) -> float:
        # Never 0: a candidate that cannot hold any box has the bound 0.
        return max(self.best * (1.0 - TIE), sys.float_info.min)

    def _descend(self, level: int, block: Ranks, factor: Floats, picks: Ints) -> None:
        """Try every interval of the open axis `level` for every candidate of the block."""
        last = level == len(self.widths) - 1
        waiting: list[_Batch] = []
        count = 0
        for start in range(block.shape[0]):
            tried = []
            for stop, running, ceiling in self._intervals(level, block, factor, start):
                size = factor * self.widths[level][start, stop]
                if not last:
                    tried.append((running, size, _append_interval(picks, start, stop)))
                elif (ceiling * self.widths[level][start, stop]).max() >= self._enough:
                    self._record(running, size, _append_interval(picks, start, stop))
            if not tried:
                continue
            running, size, chosen = _concatenated(tried)
            keep = self._bound(level + 1, running, size) >= self._enough
            if keep.any():
                # compress, not an index: an index would leave the candidates scattered in memory
                waiting.append(
                    (
                        np.compress(keep, running, axis=-1),
                        size[keep],
                        chosen[:, keep],
                    )
                )
                count += waiting[-1][1].size
            if count >= self._batch(level + 1):
                self._descend(level + 1, *_concatenated(waiting))
                waiting, count = [], 0
        if waiting:
            self._descend(level + 1, *_concatenated(waiting))

    def _intervals(
        self, level: int, block: Ranks, factor: Floats, start: int
    ) -> Iterator[tuple[int, Ranks, Floats]]:
        """Yield allowed intervals from `start` on.

        Each is (stop, running minimum, factor times widest run).
        """
        widths = self.widths[level]
        open_most = self._most(level + 1)
        running = block[start]
        for stop in range(start, block.shape[0]):
            if stop > start:
                running = np.minimum(running, block[stop])
            # The running minimum only falls: stop when even the widest interval from here cannot
            # compensate for it.
            top = running.reshape(-1, running.shape[-1]).max(axis=0)
            ceiling = self.run_width[top] * factor
            if ceiling.max() * open_most * widths[start, stop:].max() < self._enough:
                return
            if widths[start, stop] > 0.0:
                yield stop, running, ceiling

    def _batch(self, level: int) -> int:
        cells = int(np.prod(self.block.shape[level:]))
        return max(1, min(_BATCH, _CELLS // cells))

    def _most(self, level: int) -> float:
        return float(np.prod([table.max() for table in self.widths[level:]]))

    def _bound(self, level: int, ranks: Ranks, size: Floats) -> Floats:
        """Return an upper bound on a candidate's boxes: widths so far times widest open runs.

        ranks (n_level, ..., run, batch), size (batch,) -> (batch,)
        """
        top = ranks.max(axis=-2)  # widest run over each cell of the open axes
        n_open = top.ndim - 1
        shadows = [
            top.max(axis=tuple(b for b in range(n_open) if b != a)) if n_open > 1 else top
            for a in range(n_open)
        ]  # per open axis, the widest run over each of its levels: (n_a, batch)
        ceiling = self.run_width[shadows[0].max(axis=0)]
        bound: Floats = size * ceiling * self._most(level)
        for _ in range(2):
            # Levels whose runs are too short for a better box count as bad.
            with np.errstate(divide="ignore", invalid="ignore"):
                least = np.where(bound > 0, self._enough * ceiling / bound, np.inf)
            need = np.maximum(np.searchsorted(self.run_width, least * (1 - TIE)), 1)
            bound = size * ceiling
            for a, shadow in enumerate(shadows):
                bound = bound * _widest(shadow >= need, self.widths[level + a])
        return bound

    def _record(self, ranks: Ranks, factor: Floats, picks: Ints) -> None:
        """Last step: ranks (run, batch) are all that is left; keep what equals the best."""
        size = factor * self.run_width[ranks.max(axis=0)]
        self.best = max(self.best, float(size.max()))
        hits = np.flatnonzero(size >= self._enough)
        if not hits.size:
            return
        each = factor[hits] * self.run_width[ranks[:, hits]]
        end, column = np.nonzero(each >= self._enough)
        code = ranks[end, hits[column]]
        begin = np.argmax(self.codes[end] == code[:, None], axis=1)
        boxes = np.empty((2 * len(self.shape), end.size), dtype=np.intp)
        for level, axis in enumerate(self.open_axes):
            boxes[2 * axis] = picks[2 * level, hits[column]]
            boxes[2 * axis + 1] = picks[2 * level + 1, hits[column]]
        boxes[2 * self.run_axis] = begin
        boxes[2 * self.run_axis + 1] = end
        self.ties.append(boxes)
        self.held += end.size
        if self.held > _HELD_TIES:
            self._reduce()

    def _sizes(self, boxes: Ints) -> Floats:
        """Return sizes multiplied in the order of the axes, independent of the search order."""
        size = np.ones(boxes.shape[1])
        for a, table in enumerate(self.all_widths):
            size = size * table[boxes[2 * a], boxes[2 * a + 1]]
        return size

    def _reduce(self) -> None:
        """Keep the first box of each size that may still count."""
        boxes = np.concatenate(self.ties, axis=1)
        size = self._sizes(boxes)
        keep = size >= size.max() * (1.0 - TIE)
        boxes, size = boxes[:, keep], size[keep]
        order = np.lexsort([*self._keys(boxes), size])
        first = np.concatenate([[True], np.diff(size[order]) != 0])
        self.ties = [boxes[:, order[first]]]
        self.held = int(first.sum())

    def _keys(self, boxes: Ints) -> list[Any]:
        """Return the tie-breakers of equal boxes, most important last, as lexsort needs."""
        return [*boxes[1::2][::-1], *boxes[::2][::-1], -_sum_inside(self.prefer, boxes)]

    def _winner(self) -> tuple[Ints, Ints, float] | None:
        if not self.ties:
            return None
        self._reduce()
        boxes = self.ties[0]
        first = np.lexsort(self._keys(boxes))[0]
        return boxes[::2, first], boxes[1::2, first], float(self._sizes(boxes)[first])


@cache
def _all_intervals(n: int) -> tuple[Ints, Ints]:
    """Return first and last level of every interval of an axis, asked for at every search."""
    return np.triu_indices(n)


def _append_interval(picks: Ints, start: int, stop: int) -> Ints:
    batch = picks.shape[1]
    return np.vstack([picks, np.full((1, batch), start), np.full((1, batch), stop)])


def _concatenated(parts: list[_Batch]) -> _Batch:
    """Return batches joined along the last axis."""
    if len(parts) == 1:
        return parts[0]
    ranks, factors, picks = zip(*parts, strict=True)
    return (
        np.concatenate(ranks, axis=-1),
        np.concatenate(factors, axis=-1),
        np.concatenate(picks, axis=-1),
    )


def _ranked(widths: Floats) -> tuple[Ranks, Floats]:
    """Return ranks of the run axis: codes[end, begin], and the width factor of each rank.

    Rank 0 is "no run"; ranks rise with the width.
    """
    values, codes = np.unique(widths[widths > 0], return_inverse=True)
    kind = next(k for k in (np.uint8, np.uint16, np.uint32) if values.size <= np.iinfo(k).max)
    table = np.zeros(widths.shape, dtype=kind)
    table[widths > 0] = codes + 1
    return table.T.copy(), np.concatenate([[0.0], values])


def _run_ranks(good: Bools, codes: Ranks) -> Ranks:
    """Return the rank of the longest run of good cells ending at each cell of the last axis."""
    ranks = np.zeros(good.shape, dtype=codes.dtype)
    begin = np.zeros(good.shape[:-1], dtype=np.intp)
    for end in range(good.shape[-1]):
        here = good[..., end]
        begin = np.where(here, begin, end + 1)
        ranks[..., end] = np.where(here, codes[end, np.minimum(begin, end)], 0)
    return ranks


def _widest(alive: Bools, widths: Floats) -> Floats:
    """Return the widest allowed run of True down each column.

    alive (n, batch), widths (n, n) -> (batch,)
    """
    n = alive.shape[0]
    best = np.zeros(alive.shape[1])
    begin = np.zeros(alive.shape[1], dtype=np.intp)
    for end in range(n):
        begin = np.where(alive[end], begin, end + 1)
        best = np.maximum(best, np.where(alive[end], widths[np.minimum(begin, end), end], 0.0))
    return best


def _sum_inside(values: Floats, boxes: Ints) -> Floats:
    """Return the sum of `values` inside each box, to nine digits of their scale, (boxes,)."""
    if boxes.shape[1] == 1:
        return np.zeros(1)  # nothing to compare with
    table = np.pad(values, [(1, 0)] * values.ndim)
    for a in range(values.ndim):
        table = np.cumsum(table, axis=a)
    total = np.zeros(boxes.shape[1])
    for corner in np.ndindex(*(2,) * values.ndim):
        at = tuple(boxes[2 * a + 1] + 1 if c else boxes[2 * a] for a, c in enumerate(corner))
        total += (-1) ** (values.ndim - sum(corner)) * table[at]
    scale = float(np.abs(values).sum()) or 1.0
    rounded: Floats = np.round(total / scale, 9)
    return rounded
