"""The terms of the classical table: settings, quadratics ("bends"), interactions, fabrics.

A numeric setting is coded -1 at the low and +1 at the high end of its range, then centred on the
mean of the presses. Words have sum-to-zero coding, so that a main effect is the effect averaged
over everything else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.dialin.encode.coding import Coding

Array = NDArray[np.float64]

#: No setting can have this name: "fabric" is a reserved column.
FABRIC = "fabric"


@dataclass(frozen=True)
class Term:
    """One row of the table.

    ``columns`` (n, q) of the design; ``contrasts``: (label, weights (q,)) of every reported
    effect, in units of the outcome.
    """

    name: str
    columns: Array
    contrasts: tuple[tuple[str, Array], ...]


def main_terms(coding: Coding, used: pd.DataFrame) -> list[Term]:
    """Return one term per setting, in the session's order; without columns if not varied."""
    return [_main_term(coding, factor, used) for factor in coding.session.factors]


def bends(coding: Coding, used: pd.DataFrame, free: list[Term]) -> Iterator[Term]:
    """Yield the quadratic of each ``free`` term with three or more settings."""
    for term in free:
        if term.name == FABRIC:
            continue
        factor = coding.session.factor(term.name)
        if factor.is_numeric and used[factor.name].nunique() > 2:
            square = term.columns**2
            # Middle less the mean of both ends: positive when the best lies between.
            yield Term(
                f"{factor.name}, bend",
                square - square.mean(axis=0),
                ((f"{factor.name}, bend", np.array([-1.0])),),
            )


def pairs(free: list[Term]) -> list[Term]:
    """Return the interactions of the ``free`` terms, each named in alphabetical order."""
    return [
        _interaction_term(*sorted(two, key=lambda t: (t.name.casefold(), t.name)))
        for two in combinations(free, 2)
    ]


def fabric_term(used: pd.DataFrame) -> Term:
    """Return the differences between fabrics at the mean of the settings."""
    return _category_term(FABRIC, used["fabric"].to_numpy(), list(dict.fromkeys(used["fabric"])))


def block_columns(used: pd.DataFrame) -> Array:
    """Return indicator columns of the recorded days, rolls or lots; none without."""
    if "block" not in used:
        return np.zeros((len(used), 0))
    told = used["block"].to_numpy()
    return np.asarray(told[:, None] == np.unique(told)[None, :], dtype=float)


def _main_term(coding: Coding, factor: Factor, used: pd.DataFrame) -> Term:
    values = used[factor.name]
    if not factor.is_numeric:
        present = [word for word in factor.levels if (values == word).any()]
        return _category_term(factor.name, values.to_numpy(), present)
    low, high = (float(c) for c in coding.code(factor, np.array(factor.bounds)))
    z = (coding.code(factor, values.to_numpy()) - low) / (0.5 * (high - low)) - 1.0
    if not len(z) or np.ptp(z) < 1e-9:
        return Term(factor.name, np.zeros((len(used), 0)), ())
    reads = ((f"{factor.name}, low to high", np.array([2.0])),)
    return Term(factor.name, (z - z.mean())[:, None], reads)


def _category_term(name: str, values: NDArray[np.object_], present: list[str]) -> Term:
    count = len(present)
    if count < 2:
        return Term(name, np.zeros((len(values), 0)), ())
    # Sum-to-zero coding: the last word is minus all others.
    against = np.vstack([np.eye(count - 1), -np.ones(count - 1)])
    place = {word: k for k, word in enumerate(present)}
    columns = against[[place[value] for value in values]]
    return Term(name, columns, tuple((f"{name}: {w}", against[k]) for w, k in place.items()))


def _interaction_term(first: Term, second: Term) -> Term:
    columns = np.einsum("na,nb->nab", first.columns, second.columns)
    reads = []
    for (label_a, a), (label_b, b) in product(first.contrasts, second.contrasts):
        # Two numeric settings: half the difference of one effect between the ends of the other.
        scale = 0.5 if len(a) == len(b) == 1 and a[0] == b[0] == 2.0 else 1.0
        reads.append((f"{label_a} × {label_b}", scale * np.multiply.outer(a, b).ravel()))
    return Term(f"{first.name} × {second.name}", columns.reshape(len(columns), -1), tuple(reads))
