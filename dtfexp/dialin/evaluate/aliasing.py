"""Which effects of a plan can be estimated, and which are aliased."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from dtfexp.dialin.encode.model_columns import FactorColumns
from dtfexp.maths.linear.model_terms import Key, Terms

Array = NDArray[np.float64]

_TINY, _ALIAS_TOLERANCE = 1e-7, 0.1
MAIN, INTERACTION, QUADRATIC, MEAN, OFFSET = "own", "joint", "bend", "mean", "shift"


@dataclass(frozen=True, eq=False)
class Effects:
    """Every main effect, interaction and quadratic of a plan's presses.

    ``spans``: the settings that vary (fabrics and blocks last); ``x`` (n, p): the columns of all
    terms.
    """

    spans: tuple[FactorColumns, ...]
    terms: Terms
    x: Array

    @classmethod
    def of(cls, spans: Sequence[FactorColumns], base: Array, model: str = "quadratic") -> Effects:
        """Return the effects of a model over presses coded as base columns (n, c)."""
        terms = Terms.of([span.kind for span in spans], model)
        return cls(tuple(spans), terms, terms.expand(base))

    def kind(self, key: Key) -> str:
        """Return the kind of a term."""
        if not key:
            return MEAN
        if any(self.spans[i].factor is None for i in key):
            return OFFSET
        if len(key) == 1:
            return MAIN
        return QUADRATIC if key[0] == key[1] else INTERACTION

    def name(self, key: Key) -> str:
        """Return the name of a term in tables."""
        if not key:
            return "mean"
        first = self.spans[key[0]].name
        if len(key) == 1:
            return first
        return f"{first}²" if key[0] == key[1] else f"{first} × {self.spans[key[1]].name}"

    def sentence_name(self, key: Key) -> str:
        """Return the name of a term in a sentence."""
        first = self.spans[key[0]].name if key else ""
        return {
            MEAN: "the level of all grades",
            OFFSET: f"what sets the {first}s apart",
            MAIN: f"what {first} does",
            QUADRATIC: f"whether {first} is best in the middle",
        }.get(self.kind(key)) or f"what {first} and {self.spans[key[-1]].name} do together"

    @cached_property
    def alias_projection(self) -> Array:
        """The projection (p, p) on the null space of the model matrix.

        Row and column of an estimable term are zero; two aliased terms share a non-zero entry.
        """
        if not len(self.x):
            return np.eye(self.terms.size)
        size = np.linalg.norm(self.x, axis=0)
        scaled = self.x / np.where(size > 0, size, 1.0)
        _, s, vt = np.linalg.svd(scaled, full_matrices=True)
        rank = int(np.sum(s > _TINY * max(1.0, s[0]))) if len(s) else 0
        return np.asarray(vt[rank:].T @ vt[rank:])

    def is_estimable(self, key: Key) -> bool:
        """Return whether all columns of a term can be estimated beside all other terms."""
        columns = self.terms.columns[key]
        return bool(np.diag(self.alias_projection)[columns].max() < _TINY)

    def aliased_with(self, key: Key) -> tuple[Key, ...]:
        """Return the terms aliased with a term, the strongest first."""
        columns = self.terms.columns[key]
        tie = {
            other: float(np.abs(self.alias_projection[np.ix_(columns, theirs)]).max())
            for other, theirs in self.terms.columns.items()
            if other != key
        }
        own = float(np.diag(self.alias_projection)[columns].max())
        # Logarithmic times and dial steps cause weak ties, which are not reported.
        found = [other for other, size in tie.items() if size > max(1e-6, _ALIAS_TOLERANCE * own)]
        return tuple(sorted(found, key=lambda other: (-round(tie[other], 6), len(other), other)))


def alias_matrix(x: Array, left_out: Array) -> Array:
    """Return the alias matrix (p, q) of fitted columns (n, p) and columns left out (n, q).

    (X1' X1)^-1 X1' X2; Box & Wilson (1951), J. R. Statist. Soc. B 13:1 (from memory).
    METHODS.md, section 15.
    """
    return np.asarray(np.linalg.lstsq(x, left_out, rcond=None)[0])


def independent_columns(x: Array) -> list[int]:
    """Return the indices of columns not in the span of those before them, in order."""
    kept: list[int] = []
    basis = np.zeros((len(x), 0))
    for column in range(x.shape[1]):
        rest = x[:, column] - basis @ (basis.T @ x[:, column])
        rest = rest - basis @ (basis.T @ rest)
        size = float(np.linalg.norm(rest))
        if size > 1e-6 * max(1.0, float(np.linalg.norm(x[:, column]))):
            kept.append(column)
            basis = np.column_stack([basis, rest / size])
    return kept
