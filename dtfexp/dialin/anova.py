"""The classical table of effects: every term tested in the stratum where it was varied.

Cure settings are shared by an oven load, hard-to-change press settings by a press round: their
effects are judged by how much loads, or rounds, differ; the rest by how much single presses differ
(Yates 1935; a strip-plot).  Grades enter as the numbers on the scale, evenly spaced, so this table
is the familiar look at the data and not the model behind the window.

Method: one least-squares fit weighted by the variances of loads, rounds and presses (statsmodels
``GLS``), the variances from mean squares and the error degrees of freedom by Satterthwaite's rule
(``dtfexp.maths.strata``).  In balanced data this is the textbook table, digit for digit.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin import effect_terms as make
from dtfexp.dialin.coding import Coding, excluded_rows
from dtfexp.dialin.effect_terms import Term
from dtfexp.maths.strata import PRESS, Room, Span, Strata, indicators, satterthwaite, strata

if TYPE_CHECKING:
    from dtfexp.describe.session import Session

Array = NDArray[np.float64]

COLUMNS = ("stratum", "df", "df_error", "F", "p", "note")
EFFECT_COLUMNS = ("term", "stratum", "effect", "se", "df_error", "low", "high", "p", "note")
LOAD, ROUND, BOTH = "oven load", "press round", "oven load and press round"
_PLURAL = {LOAD: "oven loads", ROUND: "press rounds", BOTH: "oven loads and press rounds"}
# A bend or a pair joins the table only while this many degrees of freedom are left to judge by.
_FEWEST_ERROR_DF = 4


@dataclass(frozen=True)
class Table:
    """A fitted table: the terms in order, a note for each that cannot be tested, and the fit."""

    terms: tuple[Term, ...]
    notes: dict[str, str]
    strata_of: dict[str, str]
    design: Array
    at: dict[str, NDArray[np.int_]]
    found: Strata | None
    fitted: Any

    def row_of(self, term: Term) -> dict[str, Any]:
        """What both tables say of a term before it is tested."""
        return {
            "term": term.name,
            "stratum": self.strata_of[term.name],
            "df_error": 0.0,
            "note": self.notes.get(term.name, ""),
        }


def anova(
    session: Session, results: pd.DataFrame, outcome: str, fabric: str | None
) -> pd.DataFrame:
    """See :meth:`dtfexp.dialin.fit.Fit.anova`; ``results`` have been checked."""
    from scipy.stats import f as f_distribution

    table = _table(session, results, outcome, fabric)
    rows = []
    for term in table.terms:
        row = table.row_of(term) | {"df": term.columns.shape[1], "F": np.nan, "p": np.nan}
        if table.found is not None and term.name in table.at:
            contrasts = np.eye(table.design.shape[1])[table.at[term.name]]
            chi_square = table.fitted.wald_test(contrasts, use_f=False, scalar=True).statistic
            row["df_error"] = satterthwaite(contrasts, table.design, table.found)
            row["F"] = float(chi_square) / row["df"]
            row["p"] = float(f_distribution.sf(row["F"], row["df"], row["df_error"]))
        rows.append(row)
    index = pd.Index([term.name for term in table.terms], name="term", dtype="object")
    return pd.DataFrame(rows, columns=list(COLUMNS), index=index)


def effects(
    session: Session, results: pd.DataFrame, outcome: str, fabric: str | None
) -> pd.DataFrame:
    """See :meth:`dtfexp.dialin.fit.Fit.effects`; ``results`` have been checked."""
    from scipy.stats import t as t_distribution

    table = _table(session, results, outcome, fabric)
    rows, labels = [], []
    for term in table.terms:
        for label, weights in term.reads:
            labels.append(label)
            row = dict.fromkeys(EFFECT_COLUMNS, np.nan) | table.row_of(term)
            if table.found is not None and term.name in table.at:
                contrast = np.zeros((1, table.design.shape[1]))
                contrast[0, table.at[term.name]] = weights / _sizes(term)
                tested = table.fitted.t_test(contrast)
                effect, se = float(tested.effect[0]), float(np.ravel(tested.sd)[0])
                df = satterthwaite(contrast, table.design, table.found)
                reach = se * float(t_distribution.ppf(0.95, df))
                p = 2.0 * float(t_distribution.sf(abs(effect) / se, df))
                row |= {"effect": effect, "se": se, "df_error": df, "p": p}
                row |= {"low": effect - reach, "high": effect + reach}
            rows.append(row)
    index = pd.Index(labels, name="effect", dtype="object")
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS), index=index)


def _table(session: Session, results: pd.DataFrame, outcome: str, fabric: str | None) -> Table:
    coding = Coding(session)
    keep = ~excluded_rows(results) & results[outcome].notna().to_numpy()
    if fabric is not None:
        keep &= (results["fabric"] == fabric).to_numpy()
    used = results[keep].reset_index(drop=True)
    y = used[outcome].to_numpy(dtype=float)
    groups = _groupings(used)
    mains = make.main_terms(coding, used)
    pooled = fabric is None and used["fabric"].nunique() > 1
    first = [make.fabric_term(used), *mains] if pooled else mains
    fixed = np.hstack([np.ones((len(y), 1)), make.block_columns(used)])
    notes = _not_told_apart(fixed, first)
    free = [term for term in first if term.name not in notes]
    # Settings that move together are taken out together: no other effect is laid at their door.
    together = [t.columns for t in first if t.name in notes]
    fixed = np.hstack([fixed, *together])
    room = Room.of(np.hstack([fixed, *[t.columns for t in free]]), groups)
    if not sum(columns.shape[1] for columns in together):
        room, more = _joining(room, make.more_terms(coding, used, free))
        free += more
    terms = (*first, *[term for term in free if term not in first])
    table = Table(terms, notes, {t.name: _stratum(t, groups) for t in terms}, fixed, {}, None, None)
    if not free:
        return table
    reason = ""
    if not np.ptp(y):
        reason = "all alike: no setting shows an effect"
    elif not room.error_df()[PRESS]:
        reason = f"too few presses ({len(y)}) to judge by"
    if reason:
        return replace(table, notes=notes | {t.name: reason for t in free})
    return _tested(table, y, free, groups, room)


def _tested(
    table: Table, y: Array, free: list[Term], groups: dict[str, Array], room: Room
) -> Table:
    """The table with its fit, and notes for what loads or rounds are too few to judge."""
    fixed, notes = table.design, dict(table.notes)
    left = room.error_df()
    out = [name for name in groups if left[name] == 0]
    # A grouping without error of its own says nothing of its luck: it is taken out of the data,
    # and what was varied only between its groups cannot be tested.
    fixed = np.hstack([fixed, *[groups[name] for name in out]])
    for term in free:
        others = [t.columns for t in free if t is not term]
        if not Span.of(np.hstack([fixed, *others])).adds(term.columns):
            notes[term.name] = f"too few {' and '.join(_PLURAL[name] for name in out)} to judge by"
    free = [term for term in free if term.name not in notes]
    groups = {name: z for name, z in groups.items() if name not in out}
    design, at, start = Span.of(fixed).basis, {}, Span.of(fixed).rank
    for term in free:
        at[term.name] = np.arange(start, start + term.columns.shape[1])
        start += term.columns.shape[1]
    # Unit columns: a setting far outside its range must not swamp the others.
    design = np.hstack([design, *[t.columns / _sizes(t) for t in free]])
    if out:
        room = Room.of(design, groups)
    found = strata(y, room, groups)
    if found.mean_square[-1] <= 1e-12 * float(np.var(y)):
        notes |= {t.name: "presses agree to the last digit: no luck to judge by" for t in free}
        return replace(table, notes=notes)
    from statsmodels.regression.linear_model import GLS

    fitted = GLS(y, design, sigma=found.variance).fit(cov_type="fixed scale")
    return replace(table, notes=notes, design=design, at=at, found=found, fitted=fitted)


def _sizes(term: Term) -> Array:
    return np.asarray(np.linalg.norm(term.columns, axis=0))


def _groupings(used: pd.DataFrame) -> dict[str, Array]:
    """Loads and rounds that were shared by two presses or more."""
    out = {}
    for name, column in ((LOAD, "oven_load"), (ROUND, "press_round")):
        codes = used[column].to_numpy(dtype=int)
        if 1 < len(np.unique(codes)) < len(codes):
            out[name] = indicators(codes)
    if len(out) == 2 and _one_and_the_same(out[LOAD], out[ROUND]):
        return {BOTH: out[LOAD]}
    return out


def _one_and_the_same(a: Array, b: Array) -> bool:
    return bool(np.array_equal(a @ a.T, b @ b.T))


def _stratum(term: Term, groups: dict[str, Array]) -> str:
    """Where a term was varied: between loads, between rounds, or from press to press."""
    if term.columns.shape[1]:
        for name, z in groups.items():
            means = (z.T @ term.columns) / z.sum(axis=0)[:, None]
            if np.allclose(z @ means, term.columns, rtol=0.0, atol=1e-9):
                return name
    return PRESS


def _not_told_apart(fixed: Array, first: list[Term]) -> dict[str, str]:
    """A note for each setting that was not varied or moved together with another."""
    notes = {t.name: "not varied" for t in first if not t.columns.shape[1]}
    varied = [t for t in first if t.columns.shape[1]]
    for term in varied:
        others = [t for t in varied if t is not term]
        if Span.of(np.hstack([fixed, *[t.columns for t in others]])).adds(term.columns):
            continue
        alone = Span.of(fixed)
        twins = [t.name for t in others if not alone.grown(t.columns).adds(term.columns)]
        with_what = " and ".join(twins) or "the other settings"
        notes[term.name] = f"moved together with {with_what}: cannot be told apart"
    return notes


def _joining(room: Room, candidates: Iterable[Term]) -> tuple[Room, list[Term]]:
    """The bends and pairs that leave enough to judge every effect by, first come first served."""
    joined = []
    for term in candidates:
        if not room.design.adds(term.columns):
            continue
        wider = room.grown(term.columns)
        before, after = room.error_df(), wider.error_df()
        if all(after[k] >= _FEWEST_ERROR_DF or after[k] == before[k] for k in after):
            room = wider
            joined.append(term)
    return room, joined
