"""Latin hypercubes on steps: every step of every factor equally often, rows far apart.

Sources: McKay, Beckman & Conover (1979), Technometrics 21:239; Morris & Mitchell (1995), Journal
of Statistical Planning and Inference 43:381 (the distance criterion and the exchange).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import pdist
from scipy.stats import qmc

Codes = NDArray[np.intp]
Matrix = NDArray[np.float64]

_STARTS = 8
_POWER = 15.0
_MOST_PAIRS = 40_000_000


def latin_hypercube(
    count: int,
    steps: Sequence[int],
    rng: np.random.Generator,
    allowed: Callable[[Codes], NDArray[np.bool_]] | None = None,
    places: Sequence[Matrix | None] | None = None,
) -> Codes:
    """Return codes 0 .. steps-1 of each factor, shape (count, factors), evenly spread.

    In every column each code occurs count / steps times, to within one. Of several random
    hypercubes the one with the rows farthest apart (Morris & Mitchell's criterion, the factors
    scaled alike) is improved by exchanging two rows in one column; fewer times for very many rows.
    ``allowed`` returns which rows may be run; the others are exchanged away as far as possible.
    ``places`` gives the positions of a factor's steps, shape (steps, dimensions), for distances;
    None: evenly from 0 to 1.
    """
    counts = np.asarray(steps, dtype=np.intp)
    where = [
        np.linspace(0.0, 1.0, n)[:, None] if place is None else place
        for n, place in zip(steps, places or [None] * len(steps), strict=True)
    ]
    drawn = [_random_hypercube(count, counts, rng) for _ in range(_STARTS)]
    bad = [_criterion(codes, allowed) for codes in drawn]
    start = min(
        range(_STARTS), key=lambda k: (int(bad[k].sum()), _maximin_energy(drawn[k], where), k)
    )
    best, out = drawn[start], bad[start]
    value = _maximin_energy(best, where)
    for _ in range(min(40 * count, _MOST_PAIRS // count**2) if count > 2 else 0):
        column = int(rng.integers(len(counts)))
        pair = rng.choice(count, size=2, replace=False)
        tried = best.copy()
        tried[pair, column] = best[pair[::-1], column]
        moved = _criterion(tried[pair], allowed)
        fewer = int(moved.sum()) - int(out[pair].sum())
        if fewer > 0:
            continue
        crowding = _maximin_energy(tried, where)
        if fewer < 0 or crowding < value:
            value, best = crowding, tried
            out[pair] = moved
    return best


def _random_hypercube(count: int, steps: Codes, rng: np.random.Generator) -> Codes:
    """Return a hypercube with its strata dealt over the steps, the surplus at random."""
    strata = np.floor(qmc.LatinHypercube(len(steps), rng=rng).random(count) * count)
    shift = rng.random(len(steps))
    codes: Codes = np.floor((strata + shift) * steps / count).astype(np.intp) % steps
    return codes


def _criterion(
    codes: Codes, allowed: Callable[[Codes], NDArray[np.bool_]] | None
) -> NDArray[np.bool_]:
    return np.zeros(len(codes), dtype=bool) if allowed is None else ~allowed(codes)


def _maximin_energy(codes: Codes, where: Sequence[Matrix]) -> float:
    """Return Morris & Mitchell's criterion: smaller for rows farther apart."""
    if len(codes) < 2:
        return 0.0
    at = np.hstack([place[codes[:, k]] for k, place in enumerate(where)])
    # Avoid division by zero for equal rows.
    gaps = np.maximum(pdist(at, "cityblock"), 1e-3)
    return float((gaps**-_POWER).sum() ** (1.0 / _POWER))
