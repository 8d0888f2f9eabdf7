"""The terms of a linear model over coded settings: main effects, interactions, quadratics.

A number is one column from -1 to +1; L words are L - 1 columns, orthogonal to one another and to
the mean, of mean square 1 over the words (so that two words are -1 and +1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
Key = tuple[int, ...]

MODELS = ("linear", "interactions", "quadratic")


@dataclass(frozen=True)
class FactorKind:
    """The properties of one setting in a model.

    ``columns``: number of coded columns; ``number``: any value from -1 to +1;
    ``has_quadratic``: a number that can be low, middle and high; ``interacts``: it may interact
    with others (a pure offset does not).
    """

    columns: int = 1
    number: bool = True
    has_quadratic: bool = True
    interacts: bool = True


@dataclass(frozen=True, eq=False)
class Terms:
    """The columns of a model matrix as products of two base columns (0 is the mean).

    ``key``: per column, the settings of its term: () the mean, (i,) the main effect of setting i,
    (i, j) the interaction, (i, i) the quadratic.
    """

    kinds: tuple[FactorKind, ...]
    model: str
    key: tuple[Key, ...]
    first: Ints
    second: Ints

    @classmethod
    def of(cls, kinds: Sequence[FactorKind], model: str) -> Terms:
        """Return the terms of ``model`` (of MODELS); ValueError for another word."""
        if model not in MODELS:
            raise ValueError(f"model is {model!r}; use one of {', '.join(map(repr, MODELS))}")
        own: list[list[int]] = []
        at = 1
        for kind in kinds:
            own.append(list(range(at, at + kind.columns)))
            at += kind.columns
        rows: list[tuple[Key, int, int]] = [((), 0, 0)]
        rows += [((i,), column, 0) for i in range(len(kinds)) for column in own[i]]
        if model != "linear":
            joining = [i for i, kind in enumerate(kinds) if kind.interacts]
            rows += [
                ((i, j), a, b) for i, j in combinations(joining, 2) for a in own[i] for b in own[j]
            ]
        if model == "quadratic":
            rows += [((i, i), own[i][0], own[i][0]) for i, k in enumerate(kinds) if k.has_quadratic]
        keys, first, second = zip(*rows, strict=True)
        return cls(tuple(kinds), model, tuple(keys), np.array(first), np.array(second))

    @property
    def size(self) -> int:
        """The number of columns, the mean included."""
        return len(self.key)

    @cached_property
    def columns(self) -> dict[Key, list[int]]:
        """Term -> its columns, in order; the mean first."""
        found: dict[Key, list[int]] = {}
        for column, key in enumerate(self.key):
            found.setdefault(key, []).append(column)
        return found

    def expand(self, base: Array) -> Array:
        """Return model columns (..., size) of coded settings (..., columns of all settings)."""
        with_mean = np.concatenate([np.ones((*base.shape[:-1], 1)), base], axis=-1)
        return np.asarray(with_mean[..., self.first] * with_mean[..., self.second])


def category_columns(levels: int) -> Array:
    """Return Helmert columns of ``levels`` words, (levels, levels - 1)."""
    out = np.zeros((levels, levels - 1))
    for j in range(1, levels):
        out[:j, j - 1] = -1.0
        out[j, j - 1] = float(j)
        out[:, j - 1] *= np.sqrt(levels / (j * (j + 1.0)))
    return out


def covariance(load: Ints, round_: Ints, load_ratio: float, round_ratio: float) -> Array:
    """Return the covariance (n, n) of presses in units of the noise variance.

    ``load``, ``round_`` (n,): codes; the ratios are variances of batch effects over the noise
    variance.
    """
    same_load = (load[:, None] == load[None, :]).astype(float)
    same_round = (round_[:, None] == round_[None, :]).astype(float)
    return np.asarray(np.eye(len(load)) + load_ratio * same_load + round_ratio * same_round)


def inverse(matrix: Array) -> Array:
    """Return the inverse of a (stack of) square matrices."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
