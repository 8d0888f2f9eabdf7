"""Which bends and pairs join the classical table beside the settings.

The order in which settings are described decides nothing.  Bends, then pairs, of a stratum join all
together where enough is left to judge by.  Where they are too many, only those join that stand out
(forward selection; each step counts how many were looked at), and the rest are named as left out:
filling the table by size would make chance look like effects.
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

# Bends and pairs join only while this many degrees of freedom are left to judge by.
FEWEST_ERROR_DF = 4
_LEVEL = 0.05
TOO_FEW = "left out: too few presses to judge it as well"
NOT_OUT = "left out: too few presses to judge all of them, and it does not stand out"
HIDDEN = "left out: settings that moved together hide it"
_SAME = " = "


@dataclass(frozen=True)
class SelectedTerms:
    """What joins (in the order offered), what does not with the reason why, and what is left."""

    terms: list[Term]
    left_out: dict[str, str]
    spaces: ResidualSpaces


@dataclass(frozen=True)
class ErrorModel:
    """What effects are judged by: the data y (n,), the design, and the variances beside it."""

    y: Array
    design: ColumnSpace
    found: VarianceComponents


def estimable_terms(
    fixed: ColumnSpace, mains: Sequence[Term], offered: Sequence[Term]
) -> tuple[list[Term], dict[str, str]]:
    """The terms that lie beyond ``fixed`` and the settings, those that are one and the same under
    one name; and a note for each that a setting hides."""
    base = fixed.extended(np.hstack([np.zeros((len(fixed.basis), 0)), *[t.columns for t in mains]]))
    notes: dict[str, str] = {}
    classes: list[list[Term]] = []
    for term in offered:
        if not base.is_independent(term.columns):
            twins = [
                t.name for t in mains if not fixed.extended(t.columns).is_independent(term.columns)
            ]
            with_what = " and ".join(sorted(twins)) or "the settings"
            notes[term.name] = f"moved together with {with_what}: cannot be told apart"
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
    """Terms of ``tiers`` (bends, pairs; each beyond ``room``) that join.

    stratum: where a term is judged.  judge: what there is to judge by in a room, None for nothing.
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
        # The smallest of so many chances (Sidak 1967, J. Am. Statist. Assoc. 62:626).
        if 1.0 - (1.0 - least) ** len(able) > _LEVEL:
            break
        # Equals join together or not at all: no name goes before another.
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
    """The room with all of the terms, None where one adds nothing or too little is left."""
    wider = spaces
    for term in terms:
        if not wider.design.is_independent(term.columns):
            return None
        wider = wider.extended(term.columns)
    before, after = spaces.error_df(), wider.error_df()
    enough = all(after[k] >= FEWEST_ERROR_DF or after[k] == before[k] for k in after)
    return wider if enough else None


def _entry_p_value(term: Term, stratum: str, judged: ErrorModel) -> float:
    """Chance that nothing but luck makes the term so large: F to enter, generalised least squares
    with the variances found without it."""
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
