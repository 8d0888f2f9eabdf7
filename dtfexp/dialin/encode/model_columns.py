"""Settings as columns of a linear model: numbers from -1 to +1, words as contrasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import is_logarithmic
from dtfexp.maths.linear.model_terms import FactorKind, category_columns

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
_TINY = 1e-6


@dataclass(frozen=True)
class FactorColumns:
    """One setting over the values of a plan.

    ``factor``: the setting, None for fabrics and blocks; ``values``: the different ones, ascending,
    or the words in their order. Times that span a factor of two act by their logarithm, as in the
    fit; three or more ordered words count as a line of numbers.
    """

    name: str
    values: tuple[Any, ...]
    factor: Factor | None = None

    @classmethod
    def of(cls, factor: Factor, values: Iterable[Any]) -> FactorColumns:
        """Return the columns of a factor over the given values."""
        distinct = set(values)
        ordered = (
            sorted(distinct) if factor.is_numeric else [w for w in factor.levels if w in distinct]
        )
        return cls(factor.name, tuple(ordered), factor)

    @property
    def varies(self) -> bool:
        """True with two or more values."""
        return len(self.values) > 1

    @property
    def is_ordinal(self) -> bool:
        """True for numbers and ordered words, which lie along a line."""
        return self.factor is not None and (self.factor.is_numeric or self.factor.ordered)

    @property
    def kind(self) -> FactorKind:
        """The setting's properties as a model factor."""
        if self.is_ordinal:
            numeric = self.factor is not None and self.factor.is_numeric
            return FactorKind(
                number=numeric or len(self.values) > 2, has_quadratic=len(self.values) > 2
            )
        return FactorKind(
            columns=len(self.values) - 1,
            number=False,
            has_quadratic=False,
            interacts=self.factor is not None,
        )

    def code(self, values: Sequence[Any] | NDArray[Any]) -> Array:
        """Return base columns (n, kind.columns); numbers outside the values exceed -1 and +1."""
        if not self.is_ordinal:
            place = {word: k for k, word in enumerate(self.values)}
            return category_columns(len(self.values))[[place[v] for v in values]]
        line = self._line(values)
        low, high = self._line([self.values[0], self.values[-1]])
        return np.asarray((2.0 * (line - low) / (high - low) - 1.0)[:, None])

    def values_at(self, base: Array) -> list[Any]:
        """Return the settings of base columns (n, kind.columns), the inverse of ``code``."""
        if not self.kind.number:
            apart = np.sum((base[:, None, :] - self.code(self.values)[None, :, :]) ** 2, axis=2)
            return [self.values[k] for k in np.argmin(apart, axis=1)]
        low, high = self._line([self.values[0], self.values[-1]])
        line = low + 0.5 * (base[:, 0] + 1.0) * (high - low)
        if self.factor is not None and not self.factor.is_numeric:
            return [self.factor.levels[k] for k in np.rint(line).astype(int)]
        logarithmic = self.factor is not None and is_logarithmic(self.factor)
        return [float(v) for v in (np.exp(line) if logarithmic else line)]

    def category_columns(self) -> Array | None:
        """None for a number, else the columns of each value."""
        return None if self.kind.number else self.code(self.values)

    def _line(self, values: Sequence[Any] | NDArray[Any]) -> Array:
        if self.factor is not None and not self.factor.is_numeric:
            return np.array([float(self.factor.levels.index(v)) for v in values])
        line = np.asarray(values, dtype=float)
        if self.factor is not None and is_logarithmic(self.factor):
            return np.asarray(np.log(line))
        return line


def offset_columns(name: str, labels: Sequence[str]) -> FactorColumns:
    """Return fabrics or blocks as columns: each shifts the grade by its own amount only."""
    return FactorColumns(name, tuple(labels))


def may_be_set(
    session: Session, spans: Sequence[FactorColumns], runs: pd.DataFrame, base: Array
) -> Mask:
    """Return which rows of base columns (n, columns of all spans) may be pressed, (n,).

    Allowed for the fabric and outside everything forbidden; settings without columns, and the
    fabric, vary as in ``runs``.
    """
    names = ["fabric", *(factor.name for factor in session.factors)]
    at = {name: [runs[name].iloc[0]] * len(base) for name in names}
    column = 0
    for span in spans:
        width = span.kind.columns
        at[span.name] = span.values_at(base[:, column : column + width])
        column += width
    settings = pd.DataFrame(at)
    allowed = np.asarray(session.permits(settings), dtype=bool)
    for fabric, rows in settings.groupby("fabric").indices.items():
        for factor in session.factors:
            values = settings[factor.name].to_numpy()[rows]
            choice = session.allowed(factor, str(fabric))
            if not choice:
                allowed[rows] = False
            elif factor.is_numeric:
                low, high = float(choice[0]) - _TINY, float(choice[-1]) + _TINY
                allowed[rows] &= (values >= low) & (values <= high)
            else:
                allowed[rows] &= np.isin(values, choice)
    return allowed
