"""One sentence on a window, or on why there is none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.fields import without_underscores
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.edges import NOT_KNOWN, weakest_outcomes
from dtfexp.dialin.window.window import out_of_reach

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel


def settings_text(fit: FittedModel, settings: Mapping[str, Any]) -> str:
    """Return settings as text: "cure temperature 125 °C, peel warm"."""
    return ", ".join(
        f"{without_underscores(f.name)} {f.format(settings[f.name])}" for f in fit.session.factors
    )


def window_reason(
    fabric: str,
    ends: tuple[Mapping[str, Any], Mapping[str, Any]],
    demand: Demand,
    proven: bool,
    edges: pd.DataFrame,
) -> str:
    """Return one sentence on a window."""
    unknown = edges[edges["stopped_by"] == NOT_KNOWN]
    tail = ""
    if len(unknown):
        first = unknown.iloc[0]
        name = without_underscores(first["factor"])
        tail = f"; it may reach further on the {first['side']} side of {name}"
    where = "at this one set-point" if ends[0] == ends[1] else "anywhere in the window"
    asked = f"at least {100 * demand.pass_rate:.4g} of 100 new presses"
    if demand.confidence is not None:
        sure = f"{100 * demand.confidence:.4g} %"
        return f"For {fabric}, {where} {asked} pass, with {sure} confidence each{tail}."
    state = "" if proven else "; no part of it is proven yet"
    return f"For {fabric}, {where} {asked} are expected to pass{state}{tail}."


def no_window_reason(
    fit: FittedModel, fabric: str, target: Mapping[str, Any], demand: Demand, expected: float
) -> str:
    """Return one sentence on why there is no window and what to press next."""
    asked = f"at least {100 * demand.pass_rate:.4g} of 100 good"
    if demand.confidence is not None:
        asked += f" with {100 * demand.confidence:.4g} % confidence"
    best = settings_text(fit, target)
    presses = fit.presses_used(fabric)
    if presses == 0:
        return (
            f"No graded press of {fabric} yet, so nothing is proven; press a first look around "
            f"{best}."
        )
    frame = pd.DataFrame([dict(target)])
    weakest = without_underscores(weakest_outcomes(fit, frame, fabric)[0])
    graded = f"{presses} graded press{'es' if presses > 1 else ''}"
    passing = fit.pass_posterior(frame, fabric)
    if demand.excess(passing)[0] >= 0.0:
        return (
            f"Only {graded} of {fabric}: too few to promise {asked}; press on: the next presses "
            "are chosen to tell."
        )
    # Rounded down: a rate or probability below the required one must not read as reached.
    of_100 = int(100 * expected)
    if out_of_reach(expected, passing.chance_at_least(demand.pass_rate)[0], demand.pass_rate):
        return (
            f"No set-point in this range keeps {asked}: even the best known ({best}) passes only "
            f"about {of_100} of 100, held back by {weakest}; look at powder, film and "
            "machines, or widen the ranges, before pressing more."
        )
    chance = int(100 * passing.chance_at_least(demand.pass_rate)[0])
    reaches = (
        f"is expected to pass {of_100} of 100"
        if demand.confidence is None
        else f"reaches it with {chance} % probability"
    )
    return (
        f"Not known yet that any set-point keeps {asked}: the best known ({best}) {reaches} after "
        f"{graded}, {weakest} being the weakest outcome; press on: the next presses are chosen to "
        "find one."
    )
