"""The low-order part of the field: constant, slopes, quadratics and products of two settings.

Under the general prior it is part of the kernel (:mod:`dtfexp.maths.field.field`); with experience
its mean and covariance are learnt, and only what is rougher stays in the kernel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.points import Points, kept_between

Array = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True)
class TrendTerms:
    """The monomials of the settings ``columns``: 1, x_k, x_k^2, x_j x_k (j < k), in this order."""

    columns: tuple[int, ...]

    @property
    def count(self) -> int:
        d = len(self.columns)
        return 1 + 2 * d + d * (d - 1) // 2

    @cached_property
    def pairs(self) -> tuple[Ints, Ints]:
        """Return the places in ``columns`` of both members of every pair."""
        first, second = np.triu_indices(len(self.columns), 1)
        return first, second

    def product(self, one: Array, other: Array) -> Array:
        """Return the coefficients (count,) of a product of two linear forms (d,)."""
        out = np.zeros(self.count)
        d, (i, j) = len(self.columns), self.pairs
        out[1 + d : 1 + 2 * d] = one * other
        out[1 + 2 * d :] = one[i] * other[j] + one[j] * other[i]
        return out

    def at(self, points: Points) -> Array:
        """Return the monomials (n, count) averaged over the nodes."""
        nodes = points.nodes[:, list(self.columns), :]
        middle, square = nodes @ points.weights, (nodes**2) @ points.weights
        i, j = self.pairs
        return np.hstack([np.ones((points.n, 1)), middle, square, middle[:, i] * middle[:, j]])

    def steps(self, middle: Array, sd: Array, column: int) -> Array:
        """Return half the change (n, count) from one sd (n,) below ``middle`` (n, d) to above."""
        out = np.zeros((len(middle), self.count))
        if column not in self.columns:
            return out
        k, d, (i, j) = self.columns.index(column), len(self.columns), self.pairs
        at = middle[:, list(self.columns)]
        out[:, 1 + k] = sd
        out[:, 1 + d + k] = 2.0 * at[:, k] * sd
        for place in np.flatnonzero((i == k) | (j == k)):
            out[:, 1 + 2 * d + place] = sd * at[:, j[place] if i[place] == k else i[place]]
        return out

    def rescaled(self, scale: Array, offset: Array) -> Array:
        """Return M (count, count) with monomials(scale x + offset) = M monomials(x).

        ``scale``, ``offset`` (d,). Coefficients transform by M' . METHODS.md, section 16.
        """
        d, out = len(self.columns), np.zeros((self.count, self.count))
        out[0, 0] = 1.0
        for k in range(d):
            out[1 + k, [0, 1 + k]] = offset[k], scale[k]
            out[1 + d + k, [0, 1 + k, 1 + d + k]] = (
                offset[k] ** 2,
                2.0 * scale[k] * offset[k],
                scale[k] ** 2,
            )
        for place, (i, j) in enumerate(zip(*self.pairs, strict=True)):
            row = out[1 + 2 * d + place]
            row[0], row[1 + i], row[1 + j] = (
                offset[i] * offset[j],
                scale[i] * offset[j],
                offset[i] * scale[j],
            )
            row[1 + 2 * d + place] = scale[i] * scale[j]
        return out


@dataclass(frozen=True, eq=False)
class LearntTrend:
    """A learnt low-order part.

    ``mean`` (F, O, p) for each fabric and outcome; ``root`` (p, p): covariance root @ root.T of one
    outcome's coefficients; ``pools`` (p,): correlation of two fabrics in each column of the root.
    METHODS.md, section 16.
    """

    terms: TrendTerms
    mean: Array
    root: Array
    pools: Array

    def mean_at(self, points: Points) -> Array:
        """Return the prior mean (n, O); what is of no fabric has the mean of all."""
        whole = np.concatenate([self.mean, self.mean.mean(axis=0, keepdims=True)])
        return np.asarray(np.einsum("np,nop->no", self.terms.at(points), whole[points.fabric]))

    def covariance(self, a: Points, b: Points, kept: tuple[float, ...]) -> Array:
        """Return the covariance (n_a, n_b) of one outcome; ``kept`` of it after each change."""
        return self._between(self.terms.at(a) @ self.root, a, b, kept)

    def variance(self, a: Points) -> Array:
        """Return the variance (n_a,) of one outcome."""
        return np.asarray(np.sum((self.terms.at(a) @ self.root) ** 2, axis=1))

    def steps(
        self, a: Points, all_sd: Array, b: Points, kept: tuple[float, ...], weights: Array
    ) -> Array:
        """Return half the change (n_a, d, O) of the posterior mean from one sd below to above.

        As in :func:`dtfexp.maths.field.field.spread_effects`.
        """
        whole = np.concatenate([self.mean, self.mean.mean(axis=0, keepdims=True)])[a.fabric]
        out = np.zeros((a.n, all_sd.shape[1], weights.shape[1]))
        for k in self.terms.columns:
            if np.any(all_sd[:, k] > 1e-12):
                change = self.terms.steps(a.mean, all_sd[:, k], k)
                out[:, k, :] = np.einsum("np,nop->no", change, whole)
                out[:, k, :] += self._between(change @ self.root, a, b, kept) @ weights
        return out

    def _between(self, white: Array, a: Points, b: Points, kept: tuple[float, ...]) -> Array:
        other = self.terms.at(b) @ self.root
        out = white @ other.T
        same = a.fabric[:, None] == b.fabric[None, :]
        if not same.all():
            out = np.where(same, out, (white * self.pools) @ other.T)
        return np.asarray(out * kept_between(a.before_change, b.before_change, kept))
