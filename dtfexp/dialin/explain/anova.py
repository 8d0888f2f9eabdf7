"""Analysis of variance: every term tested in the stratum where it was varied.

An oven load shares its cure settings, a press round its slow press settings, and a crossing of
both their interaction. Such effects are tested against the variation between loads, rounds or
crossings; all others against that of single presses (Yates 1935; a strip-plot). Grades count as
evenly spaced numbers: this classical table is no part of the model behind the window.

One least-squares fit, weighted by the variance components (statsmodels ``GLS``). These come from
mean squares, the error degrees of freedom from Satterthwaite's rule
(``dtfexp.maths.linear.variance_components``). Balanced data give the textbook table to the last
digit. Choice of quadratics and interactions:
``dtfexp.dialin.explain.term_selection``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode.coding import Coding, excluded_rows
from dtfexp.dialin.explain import effect_terms as make
from dtfexp.dialin.explain.effect_terms import Term
from dtfexp.dialin.explain.term_selection import (
    FEWEST_ERROR_DF,
    HIDDEN,
    ErrorModel,
    SelectedTerms,
    estimable_terms,
    select_terms,
)
from dtfexp.maths.linear.variance_components import (
    PRESS,
    ColumnSpace,
    ResidualSpaces,
    VarianceComponents,
    indicators,
    lenth_margin,
    satterthwaite,
    variance_components,
)

if TYPE_CHECKING:
    from dtfexp.describe.session import Session

Array = NDArray[np.float64]

COLUMNS = ("stratum", "df", "df_error", "F", "p", "variance", "note")
EFFECT_COLUMNS = (
    "term", "stratum", "effect", "se", "df_error", "low", "high", "p", "margin", "note",
)  # fmt: skip
LOAD, ROUND, BOTH = "oven load", "press round", "oven load and press round"
CROSSING = "load × round"
_PLURAL = {
    LOAD: "oven loads", ROUND: "press rounds", BOTH: "oven loads and press rounds",
    CROSSING: "crossings of load and round",
}  # fmt: skip
# Lenth's margin assumes that most effects are small; fewer effects than this are too few.
_FEWEST_FOR_MARGIN = 5
_ORTHOGONAL = 0.02


@dataclass(frozen=True)
class Table:
    """A fitted table: the terms in order, a note for each untestable term, and the fit.

    ``y`` (n,); ``fixed`` (n, any): untested columns; ``joined``: the terms fitted. Once fitted:
    ``design`` (n, p), ``at``: term -> its columns of the design, ``found``: the variance
    components.
    """

    terms: tuple[Term, ...]
    notes: dict[str, str]
    strata_of: dict[str, str]
    y: Array
    fixed: Array
    joined: tuple[Term, ...] = ()
    design: Array = field(default_factory=lambda: np.zeros((0, 0)))
    at: dict[str, NDArray[np.int_]] = field(default_factory=dict)
    found: VarianceComponents | None = None
    fitted: Any = None

    @property
    def variances(self) -> dict[str, float]:
        """The estimable variance components of loads, rounds, crossings and presses."""
        if self.found is None:
            return {}
        return dict(zip(self.found.names, self.found.component.tolist(), strict=True))

    def row_of(self, term: Term) -> dict[str, Any]:
        """Return the columns common to both tables, before the test of a term."""
        return {
            "term": term.name,
            "stratum": self.strata_of[term.name],
            "df_error": 0.0,
            "variance": self.variances.get(self.strata_of[term.name], np.nan),
            "note": self.notes.get(term.name, ""),
        }


def anova(
    session: Session, results: pd.DataFrame, outcome: str, fabric: str | None
) -> pd.DataFrame:
    """See :meth:`dtfexp.dialin.fit.Fit.anova`; ``results`` are checked. METHODS.md, section 15."""
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
    frame = pd.DataFrame(rows, columns=list(COLUMNS), index=index)
    frame.attrs["variances"] = table.variances
    return frame


def effects(
    session: Session, results: pd.DataFrame, outcome: str, fabric: str | None
) -> pd.DataFrame:
    """See :meth:`dtfexp.dialin.fit.Fit.effects`; ``results`` are checked."""
    from scipy.stats import t as t_distribution

    table = _table(session, results, outcome, fabric)
    margins = _margins(table)
    rows, labels = [], []
    for term in table.terms:
        for label, weights in term.contrasts:
            labels.append(label)
            row = dict.fromkeys(EFFECT_COLUMNS, np.nan) | table.row_of(term)
            row["margin"] = margins.get(term.name, np.nan)
            if table.found is not None and term.name in table.at:
                contrast = np.zeros((1, table.design.shape[1]))
                contrast[0, table.at[term.name]] = weights / _column_norms(term)
                tested = table.fitted.t_test(contrast)
                effect, se = float(tested.effect[0]), float(np.ravel(tested.sd)[0])
                df = satterthwaite(contrast, table.design, table.found)
                reach = se * float(t_distribution.ppf(0.95, df))
                p = 2.0 * float(t_distribution.sf(abs(effect) / se, df))
                row |= {"effect": effect, "se": se, "df_error": df, "p": p}
                row |= {"low": effect - reach, "high": effect + reach}
            else:
                row["effect"] = _beside(table, term, weights)
            rows.append(row)
    index = pd.Index(labels, name="effect", dtype="object")
    frame = pd.DataFrame(rows, columns=list(EFFECT_COLUMNS), index=index)
    frame.attrs["variances"] = table.variances
    return frame


def _beside(table: Table, term: Term, weights: Array) -> float:
    """Return the size of an untested effect beside the tested ones; NaN when confounded."""
    others = [t.columns for t in table.joined if t is not term]
    base = ColumnSpace.of(np.hstack([table.fixed, *others]))
    if not term.columns.shape[1] or not base.is_independent(term.columns):
        return float("nan")
    found = np.linalg.lstsq(np.hstack([base.basis, term.columns]), table.y, rcond=None)[0]
    return float(found[base.rank :] @ weights)


def _margins(table: Table) -> dict[str, float]:
    """Return Lenth's margin of each one-column effect whose stratum is orthogonal."""
    out: dict[str, float] = {}
    centred = [t for t in table.terms if t.columns.shape[1] == 1 and np.ptp(t.columns) > 1e-9]
    for stratum in dict.fromkeys(table.strata_of.values()):
        own = [t for t in centred if table.strata_of[t.name] == stratum]
        every = [t for t in table.terms if table.strata_of[t.name] == stratum]
        if len(own) < _FEWEST_FOR_MARGIN or any(t.columns.shape[1] > 1 for t in every):
            continue
        x = np.hstack([t.columns - t.columns.mean() for t in own])
        size = np.linalg.norm(x, axis=0)
        alike = np.abs((x / size).T @ (x / size)) - np.eye(len(own))
        if alike.max() > _ORTHOGONAL:
            continue
        # In units of their standard errors, up to the common noise.
        per_unit = np.array([abs(float(t.contrasts[0][1][0])) for t in own]) / size
        reach = lenth_margin(np.asarray((x / size).T @ table.y))
        if reach > 0.0:
            out |= {t.name: reach * u for t, u in zip(own, per_unit.tolist(), strict=True)}
    return out


def _table(session: Session, results: pd.DataFrame, outcome: str, fabric: str | None) -> Table:
    coding = Coding(session)
    keep = ~excluded_rows(results) & results[outcome].notna().to_numpy()
    if fabric is not None:
        keep &= (results["fabric"] == fabric).to_numpy()
    used = results[keep].reset_index(drop=True)
    y = used[outcome].to_numpy(dtype=float)
    mains = make.main_terms(coding, used)
    pooled = fabric is None and used["fabric"].nunique() > 1
    first = [make.fabric_term(used), *mains] if pooled else mains
    fixed = np.hstack([np.ones((len(y), 1)), make.block_columns(used)])
    notes = _confounded(fixed, first)
    free = [term for term in first if term.name not in notes]
    tiers = [list(make.bends(coding, used, free)), make.pairs(free)]
    # Confounded settings are removed jointly, so that no other effect is attributed to them.
    together = [t.columns for t in first if t.name in notes]
    fixed = np.hstack([fixed, *together])
    groups, room = _judged_by(used, np.hstack([fixed, *[t.columns for t in free]]))
    if sum(columns.shape[1] for columns in together):
        offered = [term for tier in tiers for term in tier]
        joined = SelectedTerms([], dict.fromkeys((t.name for t in offered), HIDDEN), room)
    else:
        hidden: dict[str, str] = {}
        offered = []
        for k, tier in enumerate(tiers):
            tiers[k], behind = estimable_terms(ColumnSpace.of(fixed), free, tier)
            named = {t.name: t for t in tier}
            offered += [*tiers[k], *(named[name] for name in behind)]
            hidden |= behind
        joined = select_terms(
            room, tiers, lambda t: _stratum(t, groups), lambda r: _judge(y, r, groups)
        )
        joined = replace(joined, left_out=joined.left_out | hidden)
    terms = (*first, *offered)
    notes |= joined.left_out
    free += joined.terms
    table = Table(terms, notes, {t.name: _stratum(t, groups) for t in terms}, y, fixed, tuple(free))
    if not free:
        return table
    reason = ""
    if not np.ptp(y):
        reason = "all alike: no setting shows an effect"
    elif not joined.spaces.error_df()[PRESS]:
        reason = f"too few presses ({len(y)}) for a test"
    if reason:
        told = notes | {t.name: reason for t in free}
        if not np.ptp(y):
            told |= dict.fromkeys(joined.left_out, reason)
        return replace(table, notes=told)
    return _with_tests(table, free, groups, joined.spaces)


def _with_tests(
    table: Table, free: list[Term], groups: dict[str, Array], spaces: ResidualSpaces
) -> Table:
    """Return the table with its fit, and notes on strata with too few loads or rounds."""
    fixed, notes = table.fixed, dict(table.notes)
    out = _without_error(spaces, groups)
    # A grouping without error degrees of freedom has no estimable variance: it is projected out,
    # and terms varied only between its groups cannot be tested.
    fixed = np.hstack([fixed, *[groups[name] for name in out]])
    for term in free:
        others = [t.columns for t in free if t is not term]
        if not ColumnSpace.of(np.hstack([fixed, *others])).is_independent(term.columns):
            notes[term.name] = f"too few {' and '.join(_PLURAL[name] for name in out)} for a test"
    free = [term for term in free if term.name not in notes]
    groups = {name: z for name, z in groups.items() if name not in out}
    design, at, start = ColumnSpace.of(fixed).basis, {}, ColumnSpace.of(fixed).rank
    for term in free:
        at[term.name] = np.arange(start, start + term.columns.shape[1])
        start += term.columns.shape[1]
    # Unit columns: a setting far outside its range must not dominate the others.
    design = np.hstack([design, *[t.columns / _column_norms(t) for t in free]])
    if out:
        spaces = ResidualSpaces.of(design, groups)
    found = variance_components(table.y, spaces, groups)
    if found.mean_square[-1] <= 1e-12 * float(np.var(table.y)):
        notes |= {t.name: "presses agree exactly: no error variance" for t in free}
        return replace(table, notes=notes)
    from statsmodels.regression.linear_model import GLS

    fitted = GLS(table.y, design, sigma=found.variance).fit(cov_type="fixed scale")
    return replace(table, notes=notes, design=design, at=at, found=found, fitted=fitted)


def _column_norms(term: Term) -> Array:
    return np.asarray(np.linalg.norm(term.columns, axis=0))


def _judged_by(used: pd.DataFrame, design: Array) -> tuple[dict[str, Array], ResidualSpaces]:
    """Return the groupings shared by two or more presses, and their residual spaces.

    Crossings count where loads and rounds leave error degrees of freedom for them and for the
    presses within them; elsewhere their variance is taken as that of presses.
    """
    groups = _groupings(used)
    room = ResidualSpaces.of(design, groups)
    left = room.error_df()
    if CROSSING in groups and (not left[CROSSING] or left[PRESS] < FEWEST_ERROR_DF):
        del groups[CROSSING]
        room = ResidualSpaces.of(design, groups)
    return groups, room


def _without_error(spaces: ResidualSpaces, groups: dict[str, Array]) -> list[str]:
    """Return groupings without error degrees of freedom, also after removing the others found."""
    out: list[str] = []
    while True:
        left = spaces.error_df()
        none = [name for name in spaces.with_one if not left[name]]
        if not none:
            return out
        out += none
        taken_out = [spaces.design.basis, *[groups[name] for name in none]]
        spaces = ResidualSpaces.of(
            np.hstack(taken_out), {name: z for name, z in groups.items() if name not in out}
        )


def _groupings(used: pd.DataFrame) -> dict[str, Array]:
    out = {}
    load, round_ = (used[c].to_numpy(dtype=int) for c in ("oven_load", "press_round"))
    for name, codes in ((LOAD, load), (ROUND, round_)):
        if 1 < len(np.unique(codes)) < len(codes):
            out[name] = indicators(codes)
    if len(out) < 2:
        return out
    if np.array_equal(out[LOAD] @ out[LOAD].T, out[ROUND] @ out[ROUND].T):
        return {BOTH: out[LOAD]}
    _, cell = np.unique(np.column_stack([load, round_]), axis=0, return_inverse=True)
    crossing = indicators(np.ravel(cell))
    if crossing.shape[1] < len(used) and not any(
        z.shape[1] == crossing.shape[1] for z in out.values()
    ):
        out[CROSSING] = crossing
    return out


def _judge(y: Array, spaces: ResidualSpaces, groups: dict[str, Array]) -> ErrorModel | None:
    """Return the error model for terms still to join, as used by ``_with_tests``."""
    if not spaces.error_df()[PRESS]:
        return None
    if out := _without_error(spaces, groups):
        taken_out = [groups[name] for name in out]
        groups = {name: z for name, z in groups.items() if name not in out}
        spaces = ResidualSpaces.of(np.hstack([spaces.design.basis, *taken_out]), groups)
    found = variance_components(y, spaces, groups)
    if found.mean_square[-1] <= 1e-12 * float(np.var(y)):
        return None
    return ErrorModel(y, spaces.design, found)


def _stratum(term: Term, groups: dict[str, Array]) -> str:
    """Return where a term was varied: between loads, between rounds, or from press to press."""
    if term.columns.shape[1]:
        for name, z in groups.items():
            means = (z.T @ term.columns) / z.sum(axis=0)[:, None]
            if np.allclose(z @ means, term.columns, rtol=0.0, atol=1e-9):
                return name
    return PRESS


def _confounded(fixed: Array, first: list[Term]) -> dict[str, str]:
    """Return a note for each setting that was not varied or is confounded with another."""
    notes = {t.name: "not varied" for t in first if not t.columns.shape[1]}
    varied = [t for t in first if t.columns.shape[1]]
    for term in varied:
        others = [t for t in varied if t is not term]
        if ColumnSpace.of(np.hstack([fixed, *[t.columns for t in others]])).is_independent(
            term.columns
        ):
            continue
        alone = ColumnSpace.of(fixed)
        twins = [
            t.name for t in others if not alone.extended(t.columns).is_independent(term.columns)
        ]
        with_what = " and ".join(sorted(twins)) or "the other settings"
        notes[term.name] = f"varied only together with {with_what}: cannot be separated"
    return notes
