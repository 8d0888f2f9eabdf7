"""Classical plans as coded matrices, verified.

The only caller of pyDOE3, which gives the raw tables. Inputs are checked here. Missing or wrong
designs are built from their parts. Every matrix is verified: levels balanced, columns orthogonal,
its model estimable. Rows are runs, columns factors in order; -1, 0, +1 are low, middle and high.
Errors are ValueError, in one line.

Sources: Box, Hunter & Hunter (2005), *Statistics for Experimenters*; Fries & Hunter (1980),
Technometrics 22:601 (aberration); Plackett & Burman (1946), Biometrika 33:305; Box & Behnken
(1960), Technometrics 2:455; Montgomery (2013), *Design and Analysis of Experiments*, ch. 11.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import prod
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]
Codes = NDArray[np.intp]

LETTERS = "ABCDEFGHJKLMNOPQ"
"""Names of factors in words and aliases; there is no I, which stands for the mean."""

MOST_IN_FRACTION = 9
_MOST_RUNS = 1 << 16
# Factors that vary together in each group of runs, others at 0. Box & Behnken (1960), from memory:
# pyDOE3 pairs all factors instead, 66 runs for six factors where these take 48 and centres.
_BEHNKEN_TRIPLES = {
    k: tuple(tuple((i + step) % k for step in (0, 1, 3)) for i in range(k)) for k in (6, 7)
}
# Sizes for which pyDOE3 knows how to begin: powers of two, and doublings of 12 and of 20.
_BURMAN_RUNS = (4, 8, 12, 16, 20, 24, 32, 40, 48, 64)


@dataclass(frozen=True, eq=False)
class Fraction:
    """A regular two-level fraction.

    matrix: ±1, shape (runs, k), not writable; generators such as "E=ABC"; words: the defining
    relation without I, shortest first; resolution: length of the shortest word, None for the full
    factorial; word_length_pattern: length -> number of words of that length.
    """

    matrix: Matrix
    generators: tuple[str, ...]
    words: tuple[str, ...]
    resolution: int | None
    word_length_pattern: Mapping[int, int]

    def aliases(self, max_order: int = 2) -> dict[str, tuple[str, ...]]:
        """Return, for every effect of up to ``max_order`` factors, its aliases of that order."""
        k = self.matrix.shape[1]
        order = _whole(max_order, "max_order", 1, k)
        words = [bits_of(word) for word in self.words]
        effects = [
            sum(1 << i for i in chosen)
            for n in range(1, order + 1)
            for chosen in combinations(range(k), n)
        ]
        return {
            word_of(effect): tuple(
                sorted(
                    (word_of(effect ^ w) for w in words if 0 < (effect ^ w).bit_count() <= order),
                    key=_by_length,
                )
            )
            for effect in effects
        }


def two_level_full(k: int) -> Matrix:
    """Return all corners: ±1, shape (2**k, k); the last factor changes fastest."""
    from pyDOE3 import ff2n

    return _two_level(ff2n(_whole(k, "k", 1, 16)))


def full_factorial(levels: Sequence[int]) -> Codes:
    """Return all combinations: codes 0 .. levels-1, shape (product of levels, factors)."""
    from pyDOE3 import fullfact

    counts = [_whole(n, f"levels of factor {i}", 1, 1000) for i, n in enumerate(levels, start=1)]
    if not counts:
        raise ValueError("levels is empty; give the number of levels of each factor")
    if prod(counts) > _MOST_RUNS:
        raise ValueError(
            f"{' x '.join(map(str, counts))} levels make {prod(counts)} runs; "
            f"use {_MOST_RUNS} or fewer"
        )
    codes: Codes = np.rint(fullfact(counts)).astype(np.intp)
    if len(np.unique(codes, axis=0)) != prod(counts) or any(
        sorted(set(codes[:, i])) != list(range(n)) for i, n in enumerate(counts)
    ):
        raise ValueError(f"the full factorial of {counts} levels came out incomplete")
    return codes


def centre_points(k: int, count: int) -> Matrix:
    """Return centre runs: zeros, shape (count, k)."""
    return np.zeros((_whole(count, "count", 0, 1000), _whole(k, "k", 1, 1000)))


def fraction(k: int, runs: int | None = None, resolution: int | None = None) -> Fraction:
    """Return the two-level fraction of minimum aberration: the fewest short words.

    ``k``: factors, 2 to 9. ``runs``: a power of two from k + 1 to 2**k (and 4 or more).
    ``resolution``: at least this one, with the fewest runs that reach it; with neither, resolution
    4. The full factorial exceeds every resolution.
    """
    k = _whole(k, "k", 2, MOST_IN_FRACTION)
    sizes = [1 << m for m in range(2, k + 1) if 1 << m > k]
    if runs is not None and (isinstance(runs, bool) or runs not in sizes):
        raise ValueError(f"runs is {runs!r}; {k} factors take {_listed(sizes)} runs")
    wanted = _whole(resolution, "resolution", 3, 9) if resolution is not None else None
    if runs is None and wanted is None:
        wanted = 4
    for size in [runs] if runs is not None else sizes:
        found = _minimum_aberration(k, int(size))
        if wanted is None or found.resolution is None or found.resolution >= wanted:
            return found
    raise ValueError(
        f"resolution is {wanted}; {k} factors in {runs} runs reach resolution "
        f"{found.resolution} at most"
    )


def relabelled(made: Fraction, columns: Sequence[int]) -> Fraction:
    """Return the fraction with columns reordered: factor i takes ``columns[i]`` of it."""
    k = made.matrix.shape[1]
    if sorted(columns) != list(range(k)):
        raise ValueError(f"columns is {list(columns)!r}; give each of 0 to {k - 1} once")
    letter = {LETTERS[column]: LETTERS[i] for i, column in enumerate(columns)}

    def spelt(word: str) -> str:
        return "".join(sorted(letter[old] for old in word))

    matrix = made.matrix[:, list(columns)]
    matrix.setflags(write=False)
    return Fraction(
        matrix=matrix,
        generators=tuple("=".join(map(spelt, text.split("="))) for text in made.generators),
        words=tuple(sorted(map(spelt, made.words), key=_by_length)),
        resolution=made.resolution,
        word_length_pattern=made.word_length_pattern,
    )


def plackett_burman(k: int, runs: int | None = None) -> Matrix:
    """Return a main-effects plan of k factors (1 to 63) in few runs: ±1, shape (runs, k).

    The runs are the next multiple of four above k unless a larger size is given; pyDOE3 cannot
    build 28, 36, 44 and 52 to 60, and the next larger size replaces them.
    """
    from pyDOE3 import pbdesign

    k = _whole(k, "k", 1, _BURMAN_RUNS[-1] - 1)
    sizes = [n for n in _BURMAN_RUNS if n > k]
    if runs is None:
        runs = sizes[0]
    elif isinstance(runs, bool) or runs not in sizes:
        raise ValueError(f"runs is {runs!r}; {k} factors take {_listed(sizes)} runs")
    return _two_level(np.asarray(pbdesign(runs - 1))[:, :k], runs)


def box_behnken(k: int, centres: int = 3) -> Matrix:
    """Return three levels without corners (-1, 0, +1), for a full quadratic in 3 to 7 factors."""
    from pyDOE3 import bbdesign, ff2n

    k = _whole(k, "k", 3, 7)
    count = _whole(centres, "centres", 1, 1000)
    if k in _BEHNKEN_TRIPLES:
        corners = np.asarray(ff2n(3))
        groups = []
        for triple in _BEHNKEN_TRIPLES[k]:
            group = np.zeros((len(corners), k))
            group[:, triple] = corners
            groups.append(group)
        outer = np.vstack(groups)
    else:
        outer = np.asarray(bbdesign(k, center=0), dtype=float)
    return check_quadratic(
        np.vstack([outer, centre_points(k, count)]), f"Box-Behnken of {k} factors"
    )


def central_composite(
    k: int, alpha: str | float = "rotatable", centres: int | tuple[int, int] = 4
) -> Matrix:
    """Return corners, then star points at ±alpha on each axis: full quadratic in 2 to 9 factors.

    ``alpha``: "faced" (1), "rotatable" (corner runs to the power 1/4), "blocks" (the distance at
    which a block difference between corners and star is orthogonal to the quadratic), or a number
    above 0. ``centres``: how many, all after the star; or a pair (after the corners, after the
    star), which "blocks" needs. Five factors and more take the smallest fraction of resolution 5 or
    above for corners.
    """
    k = _whole(k, "k", 2, MOST_IN_FRACTION)
    pair = centres if isinstance(centres, tuple) else (0, centres)
    if len(pair) != 2:
        raise ValueError(f"centres is {centres!r}; give one number or a pair of numbers")
    with_corners, with_star = (_whole(n, "centres", 0, 1000) for n in pair)
    corners = two_level_full(k) if k < 5 else fraction(k, resolution=5).matrix
    if alpha == "blocks":
        if not isinstance(centres, tuple):
            raise ValueError(f"alpha 'blocks' needs centres as a pair of numbers, not {centres!r}")
        # Montgomery (2013), ch. 11: blocks orthogonal to the second-order model.
        share = (2 * k + with_star) / (2 * (len(corners) + with_corners))
        distance = float(np.sqrt(len(corners) * share))
    elif alpha in ("faced", "rotatable"):
        distance = 1.0 if alpha == "faced" else float(len(corners) ** 0.25)
    else:
        known = "'rotatable', 'faced', 'blocks' or a number above 0"
        if isinstance(alpha, (bool, str)) or not (np.isfinite(alpha) and alpha > 0):
            raise ValueError(f"alpha is {alpha!r}; use {known}")
        distance = float(alpha)
    star = np.zeros((2 * k, k))
    for i in range(k):
        star[2 * i, i], star[2 * i + 1, i] = -distance, distance
    rows = [corners, centre_points(k, with_corners), star, centre_points(k, with_star)]
    return check_quadratic(
        np.vstack(rows), f"central composite of {k} factors, alpha {distance:.4g}"
    )


# ------------------------------------------------------------------------- building and checking


@cache
def _minimum_aberration(k: int, runs: int) -> Fraction:
    """Return the first set of generators with the best word lengths, by exhaustive search."""
    basic = runs.bit_length() - 1
    products = sorted(
        (p for p in range(1, runs) if p.bit_count() >= 2), key=lambda p: _by_length(word_of(p))
    )
    best: tuple[list[int], tuple[int, ...]] | None = None
    for chosen in combinations(products, k - basic):
        lengths = Counter(word.bit_count() for word in _defining_words(basic, chosen))
        pattern = [lengths[n] for n in range(3, k + 1)]
        if best is None or pattern < best[0]:
            best = (pattern, chosen)
    if best is None:
        raise ValueError(f"no two-level fraction of {k} factors in {runs} runs")
    return _built(k, best[1])


def _defining_words(basic: int, products: Sequence[int]) -> list[int]:
    """Return every product of generating words, as bit sets of factors."""
    words = [0]
    for i, product in enumerate(products):
        generating = product | 1 << (basic + i)
        words += [word ^ generating for word in words]
    return words[1:]


def _built(k: int, products: tuple[int, ...]) -> Fraction:
    from pyDOE3 import fracfact

    basic = k - len(products)
    columns = [*LETTERS[:basic], *(word_of(p) for p in products)]
    # pyDOE3 counts letters through the alphabet and knows no gap at I.
    plain = {letter: chr(ord("a") + i) for i, letter in enumerate(LETTERS)}
    text = " ".join("".join(plain[letter] for letter in column) for column in columns)
    matrix = _two_level(fracfact(text) if products else two_level_full(k), 1 << basic)
    for i, product in enumerate(products):
        parts = [b for b in range(basic) if product >> b & 1]
        if not np.array_equal(matrix[:, basic + i], matrix[:, parts].prod(axis=1)):
            raise ValueError(f"column {LETTERS[basic + i]} is not the product {word_of(product)}")
    matrix.setflags(write=False)
    words = sorted((word_of(w) for w in _defining_words(basic, products)), key=_by_length)
    lengths = dict(sorted(Counter(map(len, words)).items()))
    return Fraction(
        matrix=matrix,
        generators=tuple(f"{LETTERS[basic + i]}={word_of(p)}" for i, p in enumerate(products)),
        words=tuple(words),
        resolution=min(lengths) if lengths else None,
        word_length_pattern=MappingProxyType(lengths),
    )


def _two_level(table: Any, runs: int | None = None) -> Matrix:
    """Return the table as ±1 after verifying size, levels, balance and orthogonality."""
    matrix = np.array(table, dtype=np.float64)
    if runs is not None and len(matrix) != runs:
        raise ValueError(f"a design of {runs} runs came out with {len(matrix)}")
    if not np.all(np.abs(matrix) == 1):
        raise ValueError("a two-level design came out with levels other than -1 and +1")
    with_mean = np.column_stack([np.ones(len(matrix)), matrix])
    if not np.array_equal(with_mean.T @ with_mean, len(matrix) * np.eye(with_mean.shape[1])):
        raise ValueError(
            f"a two-level design of {matrix.shape[1]} factors in {len(matrix)} runs came out "
            "unbalanced or not orthogonal"
        )
    return matrix


def check_quadratic(matrix: Matrix, name: str) -> Matrix:
    """Return the matrix after verifying balance, orthogonality and an estimable quadratic.

    Raises ``ValueError`` that begins with ``name`` otherwise.
    """
    k = matrix.shape[1]
    moments = np.column_stack([np.ones(len(matrix)), matrix]).T @ matrix
    if np.abs(moments - np.vstack([np.zeros(k), np.diag(np.diag(moments[1:]))])).max() > 1e-9:
        raise ValueError(f"{name}: came out unbalanced or not orthogonal")
    pairs = [matrix[:, i] * matrix[:, j] for i, j in combinations(range(k), 2)]
    model = np.column_stack([np.ones(len(matrix)), matrix, matrix**2, *pairs])
    if np.linalg.matrix_rank(model) < model.shape[1]:
        raise ValueError(
            f"{name}: its {len(matrix)} runs cannot tell all {model.shape[1]} terms of a quadratic "
            "apart; add a centre run or use another alpha"
        )
    return matrix


# --------------------------------------------------------------------------------- small helpers


def word_of(bits: int) -> str:
    """Return the letters of the factors in a bit set, the first factor being bit 0."""
    return "".join(letter for i, letter in enumerate(LETTERS) if bits >> i & 1)


def bits_of(word: str) -> int:
    """Return the factors of a word as a bit set."""
    return sum(1 << LETTERS.index(letter) for letter in word)


def _by_length(word: str) -> tuple[int, str]:
    return len(word), word


def _listed(items: Sequence[Any]) -> str:
    return ", ".join(map(str, items))


def _whole(value: Any, name: str, low: int, high: int) -> int:
    whole = isinstance(value, (int, np.integer)) and not isinstance(value, bool)
    if not whole or not low <= value <= high:
        raise ValueError(f"{name}: got {value!r}; accepted a whole number from {low} to {high}")
    return int(value)
