"""Largest box: how much faster than looking at every box, and how long on large grids.

Run by name:  python tests/bench/bench_box.py [--quick]

The yardstick is an exhaustive search with a summed-area table over every box of a 21-level 4-axis
grid, 231**4 = 2.8 thousand million of them, vectorised as well as we know how: the table is
contracted axis by axis, and the last two axes of all boxes are judged at once. It is run to the
end, nothing is extrapolated (with --quick it looks at every 25th interval of the first axis and
says so). Both must give the same size.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from dtfexp.maths.boxes.box import WIDTH_OFFSET, largest_box


def region(kind: str, shape: tuple[int, ...], seed: int = 1) -> np.ndarray:
    """Masks of the kinds a bench gives: a tilted blob, a ridge, either with frayed edges."""
    rng = np.random.default_rng(seed)
    d = len(shape)
    grid = np.stack(np.meshgrid(*[np.linspace(-1, 1, n) for n in shape], indexing="ij"))
    if "blob" in kind:
        mix = rng.normal(size=(d, d))
        shape_matrix = mix @ mix.T / d + 0.5 * np.eye(d)
        away = grid - rng.uniform(-0.3, 0.3, d).reshape(-1, *[1] * d)
        far = np.einsum("i...,ij,j...->...", away, shape_matrix, away)
        edge = float(np.quantile(far, 0.3))
    else:
        slope = rng.normal(size=d)
        far = np.abs(np.tensordot(slope / np.linalg.norm(slope), grid, 1))
        edge = 0.35
    if "noisy" in kind:
        far = far + 0.1 * edge * rng.normal(size=far.shape)
    return far < edge


def exhaustive(good: np.ndarray, every: int = 1) -> float:
    """Size of the largest box of a 4-axis grid with steps of one unit, by looking at all of them.

    every: look only at each so-many-th interval of the first axis (for a quick, partial run).
    """
    table = np.pad(good, [(1, 0)] * 4).astype(np.int32)
    for axis in range(4):
        table = np.cumsum(table, axis=axis, dtype=np.int32)
    lo, hi = (np.array(list(pairs)) for pairs in zip(*_intervals(good.shape[2]), strict=True))
    lo4, hi4 = (np.array(list(pairs)) for pairs in zip(*_intervals(good.shape[3]), strict=True))
    cells = np.outer(hi - lo + 1, hi4 - lo4 + 1).astype(np.int32)
    inner = np.outer(hi - lo + WIDTH_OFFSET, hi4 - lo4 + WIDTH_OFFSET)
    best = 0.0
    for lo1, hi1 in _intervals(good.shape[0])[::every]:
        first = table[hi1 + 1] - table[lo1]
        for lo2, hi2 in _intervals(good.shape[1]):
            both = first[hi2 + 1] - first[lo2]
            rows = both[hi + 1] - both[lo]
            full = rows[:, hi4 + 1] - rows[:, lo4] == cells * ((hi1 - lo1 + 1) * (hi2 - lo2 + 1))
            if full.any():
                size = (
                    float(inner[full].max())
                    * (hi1 - lo1 + WIDTH_OFFSET)
                    * (hi2 - lo2 + WIDTH_OFFSET)
                )
                best = max(best, size)
    return best


def _intervals(n: int) -> list[tuple[int, int]]:
    return [(p, q) for p in range(n) for q in range(p, n)]


def ours(good: np.ndarray, times: int = 3) -> tuple[float, float]:
    """(size, best seconds of several runs)."""
    steps = [np.arange(n, dtype=float) for n in good.shape]
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        box = largest_box(good, steps, [1.0] * good.ndim)
        seconds.append(time.perf_counter() - start)
    return (box.size if box else 0.0), min(seconds)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    every = 25 if parser.parse_args().quick else 1
    kinds = ("blob", "noisy blob", "ridge", "noisy ridge")
    print("21 levels, 4 axes, against the exhaustive search")
    for kind in kinds:
        good = region(kind, (21,) * 4)
        size, fast = ours(good)
        start = time.perf_counter()
        reference = exhaustive(good, every)
        slow = time.perf_counter() - start
        if every == 1:
            same = "same size" if abs(size - reference) < 1e-9 * size else "SIZES DIFFER"
            print(f"  {kind:12} {slow:8.1f} s / {fast:.3f} s = {slow / fast:6.0f} x   {same}")
        else:
            part = len(_intervals(21)) / len(_intervals(21)[::every])
            print(f"  {kind:12} about {slow * part / fast:6.0f} x (extrapolated from 1/{part:.0f})")
    for shape in ((9,) * 6, (64, 21, 15, 9), (11,) * 5, (33, 33, 17, 9)):
        print("levels", " x ".join(map(str, shape)))
        for kind in kinds:
            size, fast = ours(region(kind, shape), times=1)
            print(f"  {kind:12} {fast:6.3f} s   size {size:.4g}")


if __name__ == "__main__":
    main()
