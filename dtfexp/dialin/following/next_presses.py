"""The next test presses of a session, and why these."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.fields import and_list
from dtfexp.describe.session import Session
from dtfexp.dialin.design.first_look import first_look
from dtfexp.dialin.design.first_look import reason as first_look_reason
from dtfexp.dialin.design.plan import Plan, pressable, whole_presses, whole_seed
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.encode.results import next_numbers
from dtfexp.dialin.fit import Fit, fit
from dtfexp.dialin.following.batch import PASS_RATE, ChosenBatch, choose_batch
from dtfexp.dialin.following.need import shares_in_words
from dtfexp.dialin.following.press_reasons import press_reasons
from dtfexp.dialin.schedule.layout import lay_out


@dataclass(frozen=True, repr=False)
class NextPlan(Plan):
    """Next presses; ``fit`` is what they were chosen from."""

    fit: Fit = field(compare=False, kw_only=True)


def next_presses(
    session: Session,
    results: pd.DataFrame,
    presses: int,
    *,
    fabrics: Iterable[str | Fabric] | None = None,
    seed: int = 0,
) -> NextPlan:
    """Return at most ``presses`` informative test presses, numbered on from ``results``.

    Grades still pending are allowed for: a press on its way is not planned twice.  Returns a plan
    of no rows, with its ``reason``, when another batch would hardly change the windows.  The same
    arguments give the same plan.  Raises ``PlanError`` or ``ResultsError`` in one line.
    """
    count = whole_presses(presses)
    seed = whole_seed(seed)
    names, left_out = pressable(session, fabrics)
    fitted = fit(session, results)
    first = next_numbers(fitted.results)
    rng = np.random.default_rng(seed)
    chosen = None
    if excluded_rows(fitted.results).all():
        wanted = first_look(session, names, count)
        reason = f"Nothing is recorded yet. {first_look_reason(session)}"
    else:
        chosen = choose_batch(fitted, names, count, seed)
        if chosen is None:
            enough = (
                f"Another batch would hardly change the windows of {', '.join(names)}: "
                f"{len(fitted.results)} presses say enough; confirm the target instead.{left_out}"
            )
            return NextPlan(session, empty_runs(session), "next", seed, enough, fit=fitted)
        wanted = chosen.presses
        reason = batch_reason(fitted, chosen)
    runs = lay_out(session, wanted, rng, *first)
    why = () if chosen is None else press_reasons(fitted, chosen.likely, runs, chosen.targets)
    return NextPlan(session, runs, "next", seed, f"{reason}{left_out}", why=why, fit=fitted)


def empty_runs(session: Session) -> pd.DataFrame:
    """Return the runs of a plan without any."""
    whole = {c: pd.Series(dtype=int) for c in ("press", "oven_load", "press_round")}
    columns = {"press": whole["press"], "fabric": pd.Series(dtype=object)}
    columns |= {"oven_load": whole["oven_load"], "press_round": whole["press_round"]}
    for factor in session.factors:
        columns[factor.name] = pd.Series(dtype=float if factor.is_numeric else object)
    return pd.DataFrame(columns)


def batch_reason(fitted: Fit, chosen: ChosenBatch) -> str:
    """Why these presses, and why so many of each fabric."""
    names = list(chosen.shares)
    if not any(fitted.presses_used(name) for name in names):
        return "No grade is in yet: these presses add to the first look."
    several = len(names) > 1
    reason = (
        f"Chosen to show where the window{'s' * several} of {and_list(names)} "
        f"end{'s' * (not several)}, with few changes of temperature."
    )
    if several:
        reason += f" {shares_in_words(chosen.shares, chosen.likely, PASS_RATE)}"
    return reason
