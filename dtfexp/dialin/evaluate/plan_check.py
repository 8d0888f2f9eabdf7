"""The check of a plan before pressing: its figures, and sentences on its limits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.html_text import escape, frame_html
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.encode.model_columns import FactorColumns, offset_columns
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.evaluate import aliasing
from dtfexp.dialin.evaluate.aliasing import Effects
from dtfexp.dialin.evaluate.check_sentences import three_sentences
from dtfexp.dialin.evaluate.plan_facts import PlanFacts
from dtfexp.dialin.evaluate.planning_assumptions import Assumptions
from dtfexp.maths.linear import power
from dtfexp.maths.linear.model_terms import MODELS, Terms

if TYPE_CHECKING:
    from dtfexp.describe.session import Session


@dataclass(frozen=True, eq=False, repr=False)
class PlanCheck(PlanFacts):
    """The power and confounding of a plan, with three plain ``sentences``."""

    @cached_property
    def sentences(self) -> tuple[str, str, str]:
        """The limits of the plan in three sentences without statistical terms."""
        return three_sentences(self)

    def __repr__(self) -> str:
        return "\n".join(self.sentences)

    def _repr_html_(self) -> str:
        listed = "".join(f"<li>{escape(sentence)}</li>" for sentence in self.sentences)
        if len(self.fitted) < 2:
            return f"<ol>{listed}</ol>"
        shown = self.terms[self.terms["fitted"]].drop(columns=["fitted", "kind"])
        shown["estimable"] = shown["estimable"].map({True: "yes", False: "no"})
        table = frame_html(shown, na_rep="–", float_format="{:.2f}".format)
        return f"<ol>{listed}</ol><p>{escape(self.assumed.sentence())}</p>{table}"


def check_runs(
    session: Session,
    runs: pd.DataFrame,
    model: str = "auto",
    earlier: pd.DataFrame | None = None,
    **assumed: Any,
) -> PlanCheck:
    """Return the check of presses; ``runs``: ``Plan.runs``.

    ``earlier``: runs or results of presses made before, counted with these (excluded ones are not).
    ``model``: "linear", "interactions", "quadratic", or "auto". ``assumed``: effect (grades),
    noise, load_luck, round_luck (standard deviations in grades), level, power: see ``Assumptions``.
    Raises ``PlanError`` for an invalid value. METHODS.md, section 15.
    """
    taken = Assumptions.of(session, **assumed)
    if model != "auto" and model not in MODELS:
        raise fields.refusal("model", model, f"'auto', {', '.join(map(repr, MODELS))}", PlanError)
    if earlier is not None:
        runs = pd.concat([_earlier_runs(session, earlier), runs])
    runs = runs.reset_index(drop=True)
    spans = [FactorColumns.of(factor, runs[factor.name]) for factor in session.factors]
    fabrics = [f.name for f in session.fabrics if f.name in set(runs["fabric"])]
    spans.append(offset_columns("fabric", fabrics))
    if "block" in runs:
        runs["block"] = runs["block"].fillna("").astype(str)
        spans.append(offset_columns("block", list(dict.fromkeys(runs["block"]))))
    spans = [span for span in spans if span.varies]
    blank = np.zeros((len(runs), 0))
    base = np.concatenate([blank, *(s.code(runs[s.name].to_numpy()) for s in spans)], axis=1)
    effects = Effects.of(spans, base)
    chosen, fitted = _chosen_model(effects, model)
    x = effects.x[:, list(fitted)]
    lucks = {"oven_load": taken.load_luck, "press_round": taken.round_luck}
    groups = {column: runs[column].to_numpy() for column, luck in lucks.items() if luck > 0}
    v = np.eye(len(runs))
    for column, codes in groups.items():
        v += (lucks[column] / taken.noise) ** 2 * (codes[:, None] == codes[None, :])
    return PlanCheck(
        session,
        runs,
        chosen,
        taken,
        effects,
        fitted,
        power.estimate_covariance(x, v) if fitted else np.zeros((0, 0)),
        tuple(power.degrees_of_freedom(x, list(groups.values()))) if fitted else (),
    )


def _earlier_runs(session: Session, earlier: pd.DataFrame) -> pd.DataFrame:
    with fields.at("earlier", PlanError):
        checked = check_results(session, earlier)
    kept: pd.DataFrame = checked[~excluded_rows(checked)]
    return kept


def _chosen_model(effects: Effects, model: str) -> tuple[str, tuple[int, ...]]:
    """Return the model of the figures and its columns in the full quadratic."""
    if not len(effects.x):
        return ("linear" if model == "auto" else model), ()
    kept: list[int] = []
    name = model
    for name in reversed(MODELS) if model == "auto" else (model,):
        keys = set(Terms.of(effects.terms.kinds, name).key)
        columns = [c for c, key in enumerate(effects.terms.key) if key in keys]
        kept = [columns[k] for k in aliasing.independent_columns(effects.x[:, columns])]
        if len(kept) == len(columns) < len(effects.x):
            break
    return name, tuple(kept)
