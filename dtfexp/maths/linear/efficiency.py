"""Efficiency of a plan: D-, G-, I-efficiency, prediction variance.

Efficiencies are relative to the continuous optimum, which no plan of any size exceeds. For models
of main effects, interactions and quadratics over numbers from -1 to +1 and words it has a closed
form: the optimum is invariant when numbers are mirrored or exchanged and words renamed, so it is
described by two moments, u = mean z^2 and v = mean z^2 z'^2, with z of -1, 0 and +1 alone.

Sources: Farrell, Kiefer & Walbran (1967), Proc. 5th Berkeley Symposium 1:113 (the symmetric
optimum); Kiefer & Wolfowitz (1960), Canadian J. Math. 12:363 (D and G have one optimum, where the
greatest variance is the number of terms); Zahran, Anderson-Cook & Myers (2003), J. Quality
Technology 35:377 (share-of-range curve). From memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import qmc

from dtfexp.maths.linear.model_terms import FactorKind, Terms

Array = NDArray[np.float64]

_MOST_PRODUCT = 20_000
_MOST_STEPS, _CLOSE = 1000, 0.005


@dataclass(frozen=True)
class ContinuousOptimum:
    """The continuous optimum: d = log-determinant per press, i = least mean variance times n."""

    d: float
    i: float


def information(x: Array, precision: Array | None = None) -> Array:
    """Return X' V^-1 X of model columns (n, p); independent presses without ``precision``."""
    return np.asarray(x.T @ x if precision is None else x.T @ precision @ x)


def prediction_variance(x_at: Array, information_: Array) -> Array:
    """Return f' M^-1 f at each row (m, p), in units of the noise variance."""
    return np.asarray(np.sum(np.linalg.solve(information_, x_at.T).T * x_at, axis=1))


def d_efficiency(information_: Array, n: int, ideal: ContinuousOptimum) -> float:
    """Return the D-efficiency per term and press, at most 1."""
    log_det = float(np.linalg.slogdet(information_ / n)[1])
    return float(np.exp((log_det - ideal.d) / len(information_)))


def g_efficiency(information_: Array, n: int, x_range: Array) -> float:
    """Return the number of terms over n times the greatest variance over ``x_range`` (m, p)."""
    return float(len(information_) / (n * prediction_variance(x_range, information_).max()))


def i_efficiency(information_: Array, n: int, moments: Array, ideal: ContinuousOptimum) -> float:
    """Return the least possible mean variance over the plan's."""
    return float(ideal.i / (n * np.trace(np.linalg.solve(information_, moments))))


def inflation(x: Array) -> Array:
    """Return variance inflation factors (p,) of model columns (n, p) without the mean.

    The diagonal of R^-1, R the correlation matrix; infinite for a linearly dependent column.
    """
    if x.shape[1] == 0:
        return np.zeros(0)
    r = correlation(x)
    value, vector = np.linalg.eigh(r)
    small = value < 1e-9
    out = np.sum(vector[:, ~small] ** 2 / value[~small], axis=1)
    out[np.sum(vector[:, small] ** 2, axis=1) > 1e-9] = np.inf
    return np.asarray(out)


def correlation(x: Array) -> Array:
    """Return correlations of columns (n, p); a constant column has 0, and 1 with itself."""
    centred = x - x.mean(axis=0)
    size = np.linalg.norm(centred, axis=0)
    unit = centred / np.where(size > 1e-9, size, np.inf)
    r = unit.T @ unit
    np.fill_diagonal(r, 1.0)
    return np.asarray(r)


def coded_range(levels: Sequence[Array | None], points: int = 4096) -> Array:
    """Return evenly spread points over the range of all settings, base columns (m, c).

    ``levels``: per setting the columns of its words, or None for a number from -1 to +1. Scrambled
    Sobol points (Sobol 1967).
    """
    if not levels:
        return np.zeros((1, 0))
    sobol = qmc.Sobol(len(levels), scramble=True, seed=0).random(points)
    columns = [
        (2.0 * u - 1.0)[:, None] if words is None else words[(u * len(words)).astype(int)]
        for u, words in zip(sobol.T, levels, strict=True)
    ]
    return np.concatenate(columns, axis=1)


def corners(levels: Sequence[Array | None], seed: int = 0) -> Array:
    """Return low, middle and high of every number with every word, as base columns.

    There the prediction variance is greatest. Above 20,000 combinations, that many drawn at random.
    """
    if not levels:
        return np.zeros((1, 0))
    grids = [np.array([[-1.0], [0.0], [1.0]]) if w is None else w for w in levels]
    sizes = [len(g) for g in grids]
    if np.prod(sizes, dtype=float) <= _MOST_PRODUCT:
        index = np.array(list(product(*(range(s) for s in sizes))), dtype=int)
    else:
        rng = np.random.default_rng(seed)
        index = np.column_stack([rng.integers(0, s, _MOST_PRODUCT) for s in sizes])
    return np.concatenate([g[index[:, i]] for i, g in enumerate(grids)], axis=1)


def region_moments(terms: Terms) -> Array:
    """Return the mean of f f' over the whole range, uniform numbers and words: exact.

    A column's mean is 0; numbers have mean square 1/3 and mean fourth power 1/5.
    """
    owner = [i for i, kind in enumerate(terms.kinds) for _ in range(kind.columns)]
    number = [terms.kinds[i].number for i in owner]
    size = terms.size
    out = np.zeros((size, size))
    for row in range(size):
        for column in range(row + 1):
            factors = [
                int(c) - 1
                for c in (
                    terms.first[row], terms.second[row], terms.first[column], terms.second[column],
                )
                if c > 0
            ]  # fmt: skip
            out[row, column] = out[column, row] = _mean_product(factors, number)
    return out


def _mean_product(factors: list[int], number: list[bool]) -> float:
    value = 1.0
    for column in set(factors):
        power = factors.count(column)
        if power % 2:
            # Words: columns of one setting are orthogonal, and only their squares occur here.
            return 0.0
        if number[column]:
            value *= 1.0 / (power + 1.0)
    return value


@lru_cache(maxsize=64)
def continuous_optimum(kinds: tuple[FactorKind, ...], model: str) -> ContinuousOptimum:
    """Return the continuous D and I optimum of a model; see the module docstring.

    Settings without quadratic (two levels, words) are always at their ends. I averages over the
    range of ``region_moments``.
    """
    curved = [kind for kind in kinds if kind.has_quadratic] if model == "quadratic" else []
    k = len(curved)
    # Columns multiplied with each number's column, of mean square 1.
    rest = [kind for kind in kinds if not (model == "quadratic" and kind.has_quadratic)]
    joined = sum(kind.columns for kind in rest if kind.interacts)
    terms = Terms.of(kinds, model)
    moments = region_moments(terms)
    if not k:
        return ContinuousOptimum(0.0, float(np.trace(moments)))
    flat = float(np.trace(moments)) - _trace_of_curved(terms, moments)

    def u_and_v(point: Array) -> tuple[float, float]:
        """u, and v between the least it can be beside u and the most (all at an end or none)."""
        u = float(point[0])
        if k == 1:
            return u, 0.0
        whole = float(np.floor(k * u))
        least = whole * (2.0 * k * u - whole - 1.0) / (k * (k - 1))
        return u, least + float(point[1]) * (u - least)

    def minus_log_det(point: Array) -> float:
        u, v = u_and_v(point)
        sign, log_det = np.linalg.slogdet(_square_block(u, v, k))
        if sign <= 0 or (k > 1 and v <= 0):
            return 1e6
        pairs = comb(k, 2) * np.log(v) if k > 1 else 0.0
        return -float((k + k * joined) * np.log(u) + pairs + log_det)

    def mean_variance(point: Array) -> float:
        u, v = u_and_v(point)
        block = _square_block(u, v, k)
        if np.linalg.slogdet(block)[0] <= 0 or (k > 1 and v <= 0):
            return 1e6
        region = np.full((k + 1, k + 1), 1.0 / 9.0)
        region[0, 0], region[0, 1:], region[1:, 0] = 1.0, 1.0 / 3.0, 1.0 / 3.0
        region[range(1, k + 1), range(1, k + 1)] = 1.0 / 5.0
        lines = (k / 3.0 + k * _joined_mean(rest) / 3.0) / u
        pairs = comb(k, 2) / 9.0 / v if k > 1 else 0.0
        return float(lines + pairs + np.trace(np.linalg.solve(block, region)))

    return ContinuousOptimum(-_least(minus_log_det), _least(mean_variance) + flat)


def ideal_over(x: Array, moments: Array) -> ContinuousOptimum:
    """Return the continuous D and I optimum over the allowed model rows ``x`` (m, p).

    ``moments``: mean of f f' over the allowed range. By multiplicative steps (Silvey, Titterington
    & Torsney 1978, Commun. Statist. A 7:1379; from memory), stopped early. Both criteria are convex
    in the weights, so the largest gap left is added: no plan is overrated. METHODS.md, section 15.
    """
    size = x.shape[1]
    weight = np.full(len(x), 1.0 / len(x))
    for _ in range(_MOST_STEPS):
        variance = prediction_variance(x, x.T @ (weight[:, None] * x))
        gap = float(variance.max()) - size
        if gap < _CLOSE * size:
            break
        weight *= variance / size
    d = float(np.linalg.slogdet(x.T @ (weight[:, None] * x))[1]) + gap
    for _ in range(_MOST_STEPS):
        solved = np.linalg.solve(x.T @ (weight[:, None] * x), x.T)
        gain = np.einsum("pm,pq,qm->m", solved, moments, solved)
        mean = float(weight @ gain)
        gap = float(gain.max()) - mean
        if gap < _CLOSE * mean:
            break
        weight *= np.sqrt(gain)
        weight /= weight.sum()
    return ContinuousOptimum(d, mean - gap)


def _joined_mean(rest: list[FactorKind]) -> float:
    """Return the mean square over the range, summed over columns multiplied with numbers."""
    return float(
        sum((1.0 / 3.0 if kind.number else 1.0) * kind.columns for kind in rest if kind.interacts)
    )


def _trace_of_curved(terms: Terms, moments: Array) -> float:
    """Return the share of the trace in columns of settings with quadratics, and in the mean."""
    touched = [any(terms.kinds[i].has_quadratic for i in key) or not key for key in terms.key]
    return float(np.diag(moments)[touched].sum())


def _square_block(u: float, v: float, k: int) -> Array:
    block = np.full((k + 1, k + 1), v)
    block[0, 0], block[0, 1:], block[1:, 0] = 1.0, u, u
    block[range(1, k + 1), range(1, k + 1)] = u
    return block


def _least(objective: Callable[[Array], float]) -> float:
    """Return the least value over the unit square, from several starts; robust to kinks."""
    found = [
        minimize(
            objective,
            np.array(start),
            method="Nelder-Mead",
            bounds=[(1e-6, 1.0 - 1e-9), (1e-9, 1.0)],
            options={"xatol": 1e-10, "fatol": 1e-12, "maxfev": 4000},
        ).fun
        for start in ((0.6, 0.1), (0.8, 0.5), (0.9, 0.9))
    ]
    return float(min(found))
