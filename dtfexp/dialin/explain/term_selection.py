"""Choice of quadratics and interactions for the classical table.

The order of the settings has no effect. Quadratics, then interactions, of a stratum are included
all at once where enough error degrees of freedom remain. Otherwise only those that stand out are
included, by forward selection with a correction for the number examined, and the rest are listed as
left out: filling the table by size would make chance look like effects.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dtfexp.dialin.explain.effect_terms import Term
from dtfexp.maths.linear.variance_components import (
    PRESS,
    ColumnSpace,
    ResidualSpaces,
    VarianceComponents,
)

Array = NDArray[np.float64]

# Least error degrees of freedom that must remain after including quadratics and interactions.
FEWEST_ERROR_DF = 4
_LEVEL = 0.05
TOO_FEW = "left out: too few presses to test it as well"
NOT_OUT = "left out: too few presses to test all, and it does not stand out"
HIDDEN = "left out: hidden by settings varied together"
_SAME = " = "


@dataclass(frozen=True)
class SelectedTerms:
    """Included terms (in the order offered), reasons for the others, and the residual spaces."""

    terms: list[Term]
    left_out: dict[str, str]
    spaces: ResidualSpaces


@dataclass(frozen=True)
class ErrorModel:
    """The error model of a test: data y (n,), design, and variance components."""

    y: Array
    design: ColumnSpace
    found: VarianceComponents


def estimable_terms(
    fixed: ColumnSpace, mains: Sequence[Term], offered: Sequence[Term]
) -> tuple[list[Term], dict[str, str]]:
    """Return the terms outside the span of ``fixed`` and the settings, and notes on the others.

    Terms with identical columns are merged under one name.
    """
    base = fixed.extended(np.hstack([np.zeros((len(fixed.basis), 0)), *[t.columns for t in mains]]))
    notes: dict[str, str] = {}
    classes: list[list[Term]] = []
    for term in offered:
        if not base.is_independent(term.columns):
            twins = [
                t.name for t in mains if not fixed.extended(t.columns).is_independent(term.columns)
            ]
            with_what = " and ".join(sorted(twins)) or "the settings"
            notes[term.name] = f"varied only together with {with_what}: cannot be separated"
            continue
        for known in classes:
            same = known[0].columns.shape[1] == term.columns.shape[1]
            if same and not base.extended(known[0].columns).complement(term.columns).size:
                known.append(term)
                break
        else:
            classes.append([term])
    return [_merged(some) for some in classes], notes


def _merged(some: list[Term]) -> Term:
    if len(some) == 1:
        return some[0]
    some = sorted(some, key=lambda t: (t.name.casefold(), t.name))
    first, others = some[0], _SAME.join(t.name for t in some[1:])
    reads = tuple((f"{label}{_SAME}{others}", weights) for label, weights in first.contrasts)
    return Term(_SAME.join(t.name for t in some), first.columns, reads)


def select_terms(
    spaces: ResidualSpaces,
    tiers: Sequence[Sequence[Term]],
    stratum: Callable[[Term], str],
    judge: Callable[[ResidualSpaces], ErrorModel | None],
) -> SelectedTerms:
    """Return the terms of ``tiers`` (quadratics, interactions; each outside ``spaces``) to include.

    ``stratum``: where a term is tested. ``judge``: the error model for a residual space, or None.
    METHODS.md, section 15.
    """
    terms: list[Term] = []
    waiting: list[Term] = []
    for name in dict.fromkeys([*spaces.with_one, PRESS]):
        for tier in tiers:
            own = [term for term in tier if stratum(term) == name]
            wider = _extended_spaces(spaces, own)
            if wider is None:
                waiting += own
            else:
                spaces, terms = wider, terms + own
    notes = dict.fromkeys((term.name for term in waiting), TOO_FEW)
    while waiting:
        judged = judge(spaces)
        able = [term for term in waiting if _extended_spaces(spaces, [term]) is not None]
        for term in waiting:
            notes[term.name] = NOT_OUT if term in able and judged is not None else TOO_FEW
        if judged is None or not able:
            break
        chance = np.array([_entry_p_value(term, stratum(term), judged) for term in able])
        least = float(chance.min())
        # p of the smallest of several p values (Sidak 1967, J. Am. Statist. Assoc. 62:626).
        if 1.0 - (1.0 - least) ** len(able) > _LEVEL:
            break
        # Ties are included together or not at all, independent of their names.
        best = [t for t, p in zip(able, chance, strict=True) if p <= least * (1.0 + 1e-6)]
        wider = _extended_spaces(spaces, best)
        if wider is None:
            break
        spaces, terms = wider, terms + best
        waiting = [term for term in waiting if term not in best]
        for term in best:
            del notes[term.name]
    order = [term for tier in tiers for term in tier]
    return SelectedTerms([t for t in order if t in terms], notes, spaces)


def _extended_spaces(spaces: ResidualSpaces, terms: Sequence[Term]) -> ResidualSpaces | None:
    """Return the spaces with all of the terms; None if one adds nothing or too little is left."""
    wider = spaces
    for term in terms:
        if not wider.design.is_independent(term.columns):
            return None
        wider = wider.extended(term.columns)
    before, after = spaces.error_df(), wider.error_df()
    enough = all(after[k] >= FEWEST_ERROR_DF or after[k] == before[k] for k in after)
    return wider if enough else None


def _entry_p_value(term: Term, stratum: str, judged: ErrorModel) -> float:
    """Return the p value of F to enter for a term.

    Generalised least squares with the variance components estimated without the term.
    """
    from scipy.stats import f as f_distribution

    if stratum not in judged.found.names:
        return 1.0
    root = np.linalg.cholesky(judged.found.precision).T
    extra = ColumnSpace.of(root @ judged.design.basis).complement(root @ term.columns)
    df, error = extra.shape[1], float(judged.found.df[judged.found.names.index(stratum)])
    if not df or error <= df:
        return 1.0
    share = float(np.sum((extra.T @ (root @ judged.y)) ** 2))
    left = max(error - share, 1e-9 * error)
    return float(f_distribution.sf((share / df) / (left / (error - df)), df, error - df))
