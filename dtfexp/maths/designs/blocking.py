"""Division of runs into blocks (days, rolls, lots) with the least confounding.

Regular two-level plans are divided by products of factors, as in the literature. In other plans
runs change places until the blocks are as alike as they can be. Arrays in, labels 0 .. count-1 out.

Sources: Box, Hunter & Hunter (2005), *Statistics for Experimenters*, on blocking two-level plans;
Cook & Nachtsheim (1989), Technometrics 31:339 (exchange between blocks).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.designs.classical import Fraction, bits_of, word_of

Matrix = NDArray[np.float64]
Labels = NDArray[np.intp]

_BEAM_WIDTH = 256
_STARTS = 6
_PASSES = 30
_HIGHEST_ORDER = 9


@dataclass(frozen=True, eq=False)
class Blocked:
    """Labels of the runs, shape (runs,), and the shortest effects confounded with blocks."""

    labels: Labels
    confounded: tuple[str, ...]


def blocks_of_fraction(made: Fraction, count: int, spare: Collection[str] = ()) -> Blocked:
    """Return a two-level plan in ``count`` equal blocks, confounding the highest order possible.

    ``count``: a power of two, at most half the runs. No block is confounded with a main effect;
    among the remaining ways, the one that confounds the fewest two-factor effects, then the fewest
    of those to ``spare`` (words, such as "AB"), then the fewest of three, and so on. A beam of 256
    partial choices is kept, which is all for two and four blocks.

    Raises ``ValueError`` when ``count`` does not suit or a main effect would be confounded.
    """
    runs, k = made.matrix.shape
    if count < 2 or count & (count - 1) or count > runs // 2:
        raise ValueError(
            f"blocks is {count}; {runs} runs divide into 2, 4, 8 ... blocks of at least 2 runs"
        )
    words = [bits_of(word) for word in made.words]
    basic = runs.bit_length() - 1
    spared = {bits_of(word) for word in spare}
    orders = {b: _orders(b, words, spared) for b in range(1, runs)}
    beam: list[frozenset[int]] = [frozenset()]
    for _ in range(count.bit_length() - 1):
        wider: dict[frozenset[int], tuple[int, ...]] = {}
        for group in beam:
            for product in range(1, runs):
                if product not in group:
                    grown = group | {product} | {product ^ other for other in group}
                    wider.setdefault(grown, _cost(grown, orders))
        beam = sorted(wider, key=lambda g: (wider[g], sorted(g)))[:_BEAM_WIDTH]
    best = beam[0]
    if _cost(best, orders)[0]:
        raise ValueError(
            f"{k} factors in {runs} runs and {count} blocks: a factor's own effect would be hidden "
            "by the blocks"
        )
    labels = np.zeros(runs, dtype=np.intp)
    for place, product in enumerate(_generators(best)):
        column = made.matrix[:, [i for i in range(basic) if product >> i & 1]].prod(axis=1)
        labels += (column > 0).astype(np.intp) << place
    hidden = sorted((_shortest(b, words) for b in best), key=lambda w: (len(w), w))
    return Blocked(labels, tuple(hidden))


def balanced_blocks(rows: Matrix, count: int, rng: np.random.Generator) -> Labels:
    """Return rows (n, columns) in ``count`` blocks of sizes within one, with similar means.

    Minimises the sum over blocks of the squared sums of the centred columns, and with a quarter of
    the weight of their squares and pairwise products, by exchanging two rows at a time from several
    random starts.
    """
    n = len(rows)
    x = _columns(rows)
    best, least = np.arange(n) % count, np.inf
    for _ in range(_STARTS if n <= 200 else 1):
        labels = np.empty(n, dtype=np.intp)
        labels[rng.permutation(n)] = np.arange(n) % count
        for _ in range(_PASSES):
            if not _exchanged(x, labels, count):
                break
        value = float((_sums(x, labels, count) ** 2).sum())
        if value < least - 1e-9:
            best, least = labels, value
    return best


def _orders(product: int, words: list[int], spared: set[int]) -> tuple[int, ...]:
    """Return how many effects of 1, of 2, of those to spare, of 3 ... factors alias a product."""
    mixed = [product ^ word for word in (0, *words)]
    lengths = Counter(effect.bit_count() for effect in mixed)
    counts = [lengths[n] for n in range(1, _HIGHEST_ORDER + 1)]
    return (*counts[:2], len(spared.intersection(mixed)), *counts[2:])


def _cost(group: frozenset[int], orders: dict[int, tuple[int, ...]]) -> tuple[int, ...]:
    return tuple(sum(part) for part in zip(*(orders[b] for b in group), strict=True))


def _generators(group: frozenset[int]) -> list[int]:
    """Return independent members that generate the group."""
    chosen: list[int] = []
    made = {0}
    for member in sorted(group):
        if member not in made:
            chosen.append(member)
            made |= {member ^ other for other in made}
    return chosen


def _shortest(product: int, words: list[int]) -> str:
    return min(
        (word_of(product ^ word) for word in (0, *words)), key=lambda text: (len(text), text)
    )


def _columns(rows: Matrix) -> Matrix:
    """Return centred and scaled columns, their squares and products at half weight."""
    scaled = _scaled(rows)
    pairs = [scaled[:, i] * scaled[:, j] for i, j in combinations(range(scaled.shape[1]), 2)]
    second = np.column_stack([scaled**2, *pairs])
    return np.hstack([scaled, 0.5 * _scaled(second)])


def _scaled(columns: Matrix) -> Matrix:
    centred = columns - columns.mean(axis=0)
    spread = centred.std(axis=0)
    return np.asarray(centred / np.where(spread > 1e-12, spread, 1.0))


def _sums(x: Matrix, labels: Labels, count: int) -> Matrix:
    sums = np.zeros((count, x.shape[1]))
    np.add.at(sums, labels, x)
    return sums


def _exchanged(x: Matrix, labels: Labels, count: int) -> bool:
    """Make one pass of the best exchange for each row; return whether any was made."""
    sums = _sums(x, labels, count)
    made = False
    for i in range(len(x)):
        step = x - x[i]
        # Rows i and j exchange places: one block's sum moves by the step, the other's back.
        gap = sums[labels[i]] - sums[labels]
        change = 2.0 * (gap * step).sum(axis=1) + 2.0 * (step**2).sum(axis=1)
        change[labels == labels[i]] = 0.0
        j = int(np.argmin(change))
        if change[j] < -1e-9:
            a, b = labels[i], labels[j]
            sums[a] += step[j]
            sums[b] -= step[j]
            labels[i], labels[j] = b, a
            made = True
    return made
