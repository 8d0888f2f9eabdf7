"""Plans compared by cost and power."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe.errors import PlanError
from dtfexp.describe.html_text import escape, frame_html
from dtfexp.dialin.design.plan import Plan
from dtfexp.dialin.evaluate.plan_check import PlanCheck

COLUMNS = (
    "plan", "design", "presses", "oven_loads", "press_rounds", "hours", "spare", "own_power",
    "own_smallest", "pairs_estimable", "bends_estimable", "prediction_sd", "D", "I",
)  # fmt: skip


@dataclass(frozen=True, eq=False, repr=False)
class PlanComparison:
    """Plans compared in one table.

    ``checks``: name -> its check. ``table``, one row per plan: ``presses``, ``oven_loads``,
    ``press_rounds``; ``hours`` of a person, grading included; ``spare`` presses beyond the terms of
    the model; ``own_power``, the power for an effect of the stated size of the least detectable
    setting; ``own_smallest``, the smallest detectable effect of that setting (grades);
    ``pairs_estimable`` and ``bends_estimable``, share of interactions and of quadratics that can be
    estimated; ``prediction_sd``, the sd (grades) not exceeded in half the range; ``D`` and ``I``
    efficiencies. Missing where a plan cannot give the value. With rehearsals also ``window``, the
    share of rehearsed sessions that ended in one.
    """

    checks: dict[str, PlanCheck]
    table: pd.DataFrame

    def __repr__(self) -> str:
        return self.table.to_string(index=False, na_rep="-", float_format="{:.2f}".format)

    def _repr_html_(self) -> str:
        shown = frame_html(self.table, na_rep="–", float_format="{:.2f}".format)
        note = next(iter(self.checks.values())).assumed.sentence()
        return f"{shown}<p>{escape(note)}</p>"


def compare_plans(
    plans: Mapping[str, Plan] | Iterable[Plan],
    *,
    model: str = "auto",
    windows: Mapping[str, float] | None = None,
    **assumed: Any,
) -> PlanComparison:
    """Compare plans, given by name or as a list, named by design and presses.

    ``model`` and ``assumed`` as for ``Plan.check``; a fixed model compares all plans on the same
    terms. ``windows``: name -> share of rehearsed sessions of that plan that ended in a window,
    where known. Raises ``PlanError`` without plans, or for anything that is not a plan.
    """
    named = _named(plans)
    checks = {name: made.check(model, **assumed) for name, made in named.items()}
    rows = [_row(name, named[name], check) for name, check in checks.items()]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    if windows is not None:
        for name in windows:
            if name not in named:
                raise PlanError(f"windows names {name!r}; the plans are {', '.join(named)}")
        table["window"] = [windows.get(name, np.nan) for name in named]
    return PlanComparison(checks, table)


def _named(plans: Mapping[str, Plan] | Iterable[Plan]) -> dict[str, Plan]:
    if isinstance(plans, Plan):
        plans = [plans]
    if isinstance(plans, Mapping):
        named = {str(name): made for name, made in plans.items()}
    else:
        named = {}
        for made in plans:
            name = f"{made.design}, {len(made)} presses" if isinstance(made, Plan) else "?"
            number = 1 + sum(known == name or known.startswith(f"{name} (") for known in named)
            named[name if number == 1 else f"{name} ({number})"] = made
    for name, made in named.items():
        if not isinstance(made, Plan):
            raise PlanError(f"plans, {name}: got {type(made).__name__}; give plans made by plan()")
    if not named:
        raise PlanError("plans is empty; give at least one plan")
    return named


def _row(name: str, made: Plan, check: PlanCheck) -> dict[str, Any]:
    terms = check.terms
    own = terms[(terms["kind"] == "own") & terms["fitted"]]
    # A setting that the plan never changes has power zero.
    whole = len(own) == len(made.session.factors)
    half = check.variance.loc[np.isclose(check.variance["share_of_range"], 0.5), "sd"]
    return {
        "plan": name,
        "design": made.design,
        "presses": len(made),
        "oven_loads": int(made.runs["oven_load"].nunique()),
        "press_rounds": int(made.runs["press_round"].nunique()),
        "hours": made.cost().hours,
        "spare": check.residual_df,
        "own_power": float(own["power"].min()) if whole else 0.0,
        "own_smallest": float(own["smallest"].max()) if whole else np.inf,
        "pairs_estimable": _share_estimable(check, "joint"),
        "bends_estimable": _share_estimable(check, "bend"),
        "prediction_sd": float(half.iloc[0]) if len(half) else np.nan,
        "D": check.efficiency.get("D", np.nan),
        "I": check.efficiency.get("I", np.nan),
    }


def _share_estimable(check: PlanCheck, kind: str) -> float:
    """Return the estimable share of all effects of the session's settings, varied or not."""
    factors = check.session.factors
    if kind == "joint":
        possible = len(factors) * (len(factors) - 1) // 2
    else:
        possible = sum((f.is_numeric or f.ordered) and len(f.settings()) > 2 for f in factors)
    count = check.terms[(check.terms["kind"] == kind)]["estimable"].sum() if len(check.terms) else 0
    return float(count) / possible if possible else np.nan
