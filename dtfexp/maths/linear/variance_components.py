"""Variance components of oven loads, press rounds and presses, and their degrees of freedom.

Loads and rounds cross, crossings hold presses: a strip-plot with four strata. The components come
from the reductions in sum of squares and their expected values (Henderson 1953, Biometrics 9:226,
method 3); in balanced data they are those of the classical table and of REML. Degrees of freedom of
a contrast: Satterthwaite 1946, Biometrics Bull. 2:110, in the matrix form of Giesbrecht & Burns
1985, Biometrics 41:477; of several contrasts: Fai & Cornelius 1996, J. Statist. Comput. Simul.
54:363.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr
from scipy.special import ndtri, stdtrit

Array = NDArray[np.float64]
Ints = NDArray[np.int_]
_TINY = 1e-8

PRESS = "press"


@dataclass(frozen=True)
class ColumnSpace:
    """A column space, as an orthonormal basis (n, rank)."""

    basis: Array

    @classmethod
    def of(cls, columns: Array) -> ColumnSpace:
        """Return the span of ``columns`` (n, any)."""
        return cls(np.zeros((len(columns), 0))).extended(columns)

    @property
    def rank(self) -> int:
        """The dimension of the space."""
        return int(self.basis.shape[1])

    def complement(self, columns: Array) -> Array:
        """Return an orthonormal basis of ``columns`` projected off this space, (n, extra)."""
        size = np.linalg.norm(columns, axis=0)
        kept = columns[:, size > _TINY] / size[size > _TINY]
        for _ in range(2):  # twice is enough (Parlett 1980, The Symmetric Eigenvalue Problem, 6.9)
            kept = kept - self.basis @ (self.basis.T @ kept)
        if not kept.size:
            return np.zeros((len(columns), 0))
        q, r, _ = qr(kept, mode="economic", pivoting=True)
        return np.asarray(q[:, np.abs(np.diag(r)) > 1e-7])

    def extended(self, columns: Array) -> ColumnSpace:
        """Return the space with ``columns`` added."""
        return ColumnSpace(np.hstack([self.basis, self.complement(columns)]))

    def is_independent(self, columns: Array) -> bool:
        """Return whether ``columns`` are independent of this space and of one another."""
        return bool(self.complement(columns).shape[1] == columns.shape[1])


def indicators(codes: Ints) -> Array:
    """Return one 0/1 column for each group, (n, groups)."""
    return np.asarray(codes[:, None] == np.unique(codes)[None, :], dtype=float)


@dataclass(frozen=True)
class VarianceComponents:
    """Mean squares and variance components of each grouping.

    ``names``: the groupings with error degrees of freedom, then "press"; ``mean_square``, ``df``
    (k,); ``component`` (k,): variance of each, at least zero; ``component_covariance`` (k, k): of
    the components' estimates; ``patterns`` (k, n, n): covariance pattern of each component (the
    last is the identity).
    """

    names: tuple[str, ...]
    mean_square: Array
    df: Array
    component: Array
    component_covariance: Array
    patterns: Array

    @cached_property
    def variance(self) -> Array:
        """The covariance (n, n) of the observations."""
        return np.asarray(np.tensordot(self.component, self.patterns, axes=1))

    @cached_property
    def precision(self) -> Array:
        """The inverse (n, n) of the covariance."""
        return np.asarray(np.linalg.inv(self.variance), dtype=float)


@dataclass(frozen=True)
class ResidualSpaces:
    """The residual spaces for tests, as terms join a design.

    For each grouping: ``rivals``, the groupings beside which it is tested (not those that divide
    its own groups further, ``divided``); ``with_one``: the design and the grouping;
    ``without_one``: the design and its rivals; ``beside``: these with the grouping itself.
    ``with_all``: the design and every grouping.
    """

    n: int
    design: ColumnSpace
    rivals: dict[str, tuple[str, ...]]
    divided: dict[str, tuple[str, ...]]
    with_one: dict[str, ColumnSpace]
    without_one: dict[str, ColumnSpace]
    beside: dict[str, ColumnSpace]
    with_all: ColumnSpace

    @classmethod
    def of(cls, design: Array, groups: Mapping[str, Array]) -> ResidualSpaces:
        """Return the spaces of design (n, p) and groups: name -> indicator columns (n, groups)."""
        first = ColumnSpace.of(design)
        divided = {
            name: tuple(other for other, a in groups.items() if other != name and _divides(z, a))
            for name, z in groups.items()
        }
        rivals = {
            name: tuple(o for o in groups if o != name and name not in divided[o])
            for name in groups
        }
        others = {name: _with_groupings(first, groups, rivals[name]) for name in groups}
        return cls(
            len(design),
            first,
            rivals,
            divided,
            {name: first.extended(z) for name, z in groups.items()},
            others,
            {name: others[name].extended(z) for name, z in groups.items()},
            _with_groupings(first, groups, groups),
        )

    def extended(self, columns: Array) -> ResidualSpaces:
        """Return the spaces with a term's columns added to the design."""

        def each(spans: dict[str, ColumnSpace]) -> dict[str, ColumnSpace]:
            return {name: span.extended(columns) for name, span in spans.items()}

        return replace(
            self,
            design=self.design.extended(columns),
            with_one=each(self.with_one),
            without_one=each(self.without_one),
            beside=each(self.beside),
            with_all=self.with_all.extended(columns),
        )

    def error_df(self) -> dict[str, int]:
        """Return the error degrees of freedom of every grouping and of "press".

        A grouping is tested beside its rivals; one that the design confounds with a rival is tested
        alone, if that rival can be tested beside it. Groupings that the design cannot separate have
        none.
        """
        beside = {
            name: self.beside[name].rank - self.without_one[name].rank for name in self.with_one
        }
        out = dict(beside)
        for name, df in beside.items():
            equals = [r for r in self.rivals[name] if r not in self.divided[name]]
            if not df and any(beside[rival] for rival in equals):
                out[name] = self.with_one[name].rank - self.design.rank
        return out | {PRESS: self.n - self.with_all.rank}


def _divides(finer: Array, coarser: Array) -> bool:
    """Return whether every group of ``finer`` lies in one of the fewer groups of ``coarser``."""
    met = (finer.T @ coarser) > 0
    return finer.shape[1] > coarser.shape[1] and bool((met.sum(axis=1) == 1).all())


def _with_groupings(
    base: ColumnSpace, groups: Mapping[str, Array], names: Iterable[str]
) -> ColumnSpace:
    for name in names:
        base = base.extended(groups[name])
    return base


def variance_components(
    y: Array, spaces: ResidualSpaces, groups: Mapping[str, Array]
) -> VarianceComponents:
    """Return variance components of the groupings and of single presses.

    ``y`` (n,); ``spaces``: of design and groupings; ``groups``: name -> indicator
    columns, each with error degrees of freedom (:meth:`ResidualSpaces.error_df`). Needs at least
    one degree of freedom between presses. METHODS.md, section 15.
    """
    n = len(y)
    names = (*groups, PRESS)
    df = np.array(list(spaces.error_df().values()), dtype=float)
    square, expected = np.zeros(len(names)), np.zeros((len(names), len(names)))
    for i, (name, columns) in enumerate(groups.items()):
        extra = spaces.without_one[name].complement(columns)
        if not extra.shape[1]:
            extra = spaces.design.complement(columns)
        square[i] = np.sum((extra.T @ y) ** 2) / df[i]
        # E[MS] = sum over components of variance * tr(Z' P Z) / df, P the projection on ``extra``.
        expected[i] = [np.sum((extra.T @ z) ** 2) / df[i] for z in groups.values()] + [1.0]
    rest = y - spaces.with_all.basis @ (spaces.with_all.basis.T @ y)
    square[-1] = rest @ rest / df[-1]
    expected[-1, -1] = 1.0
    inverse = np.linalg.inv(expected)
    spread = inverse @ np.diag(2.0 * square**2 / df) @ inverse.T
    luck = np.array([z @ z.T for z in groups.values()] + [np.eye(n)])
    component = np.maximum(inverse @ square, 0.0)
    return VarianceComponents(names, square, df, component, spread, luck)


def satterthwaite(contrasts: Array, design: Array, found: VarianceComponents) -> float:
    """Return error degrees of freedom for ``contrasts`` (q, p) of the design's coefficients.

    Those of the classical table in balanced data. METHODS.md, equation (38).
    """
    solved = found.precision
    covariance = np.linalg.inv(design.T @ solved @ design)
    of_test = contrasts @ covariance @ contrasts.T
    value, vector = np.linalg.eigh(of_test)
    # Independent contrasts, each with its own degrees of freedom.
    apart = vector.T @ contrasts @ covariance @ design.T @ solved
    # Bounded by the smallest and the sum of the mean squares' degrees of freedom.
    least, most = float(found.df.min()), float(found.df.sum())
    freedom = []
    for variance, row in zip(value, apart, strict=True):
        slope = np.einsum("a,kab,b->k", row, found.patterns, row)
        doubt = float(slope @ found.component_covariance @ slope)
        freedom.append(min(max(2.0 * variance**2 / doubt, least), most) if doubt > 0 else most)
    if len(freedom) == 1 or min(freedom) <= 2.0 or np.ptp(freedom) < _TINY:
        return float(min(freedom))
    total = sum(nu / (nu - 2.0) for nu in freedom)
    return float(2.0 * total / (total - len(freedom)))


def pseudo_error(effects: Array) -> float:
    """Lenth's pseudo standard error of effects (m,) that are known equally well.

    Most of many effects are small, so the small ones say how much chance alone makes of an effect
    (Lenth 1989, Technometrics 31:469).
    """
    size = np.abs(effects)
    first = 1.5 * float(np.median(size))
    return 1.5 * float(np.median(size[size < 2.5 * first])) if first > 0 else 0.0


def lenth_margin(effects: Array) -> float:
    """Lenth's margin of error at 95 %: an effect beyond it stands out from the ``effects`` (m,).

    METHODS.md, section 15.
    """
    return float(stdtrit(len(effects) / 3.0, 0.975)) * pseudo_error(effects)


def half_normal(count: int) -> Array:
    """Where so many effects of no size would lie, smallest first, in their own sd, (count,).

    Half-normal quantiles: Daniel 1959, Technometrics 1:311.
    """
    return np.asarray(ndtri(0.5 + 0.5 * (np.arange(1, count + 1) - 0.5) / count))
