"""One sentence on a window, or on why there is none, made from its facts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from dtfexp.describe.fields import without_underscores
from dtfexp.describe.session import Session
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.edges import NOT_KNOWN
from dtfexp.dialin.window.window import out_of_reach


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
    session: Session, facts: Mapping[str, Any], demand: Demand, weakest: str
) -> str:
    """Return one sentence on why there is no window and what to press next.

    ``facts`` of the best set-point known (:func:`dtfexp.dialin.window.facts.target_facts`);
    ``weakest``: the outcome least likely to pass there.
    """
    asked = f"at least {100 * demand.pass_rate:.4g} of 100 good"
    if demand.confidence is not None:
        asked += f" with {100 * demand.confidence:.4g} % confidence"
    best = ", ".join(
        f"{without_underscores(f.name)} {f.format(facts['target'][f.name])}"
        for f in session.factors
    )
    fabric, presses, expected = facts["fabric"], facts["presses"], facts["pass_rate"]
    if presses == 0:
        return (
            f"No graded press of {fabric} yet, so nothing is proven; press a first look around "
            f"{best}."
        )
    weakest = without_underscores(weakest)
    graded = f"{presses} graded press{'es' if presses > 1 else ''}"
    if demand.is_met(expected, facts["confidence"]):
        return (
            f"Only {graded} of {fabric}: too few to promise {asked}; press on: the next presses "
            "are chosen to tell."
        )
    # Rounded down: a rate or probability below the required one must not read as reached.
    of_100 = int(100 * expected)
    if out_of_reach(expected, facts["confidence"], demand.pass_rate):
        return (
            f"No set-point in this range keeps {asked}: even the best known ({best}) passes only "
            f"about {of_100} of 100, held back by {weakest}; look at powder, film and "
            "machines, or widen the ranges, before pressing more."
        )
    reaches = (
        f"is expected to pass {of_100} of 100"
        if demand.confidence is None
        else f"reaches it with {int(100 * facts['confidence'])} % probability"
    )
    return (
        f"No set-point is known yet to keep {asked}: the best known ({best}) {reaches} after "
        f"{graded}, {weakest} being the weakest outcome; press on: the next presses are chosen to "
        "find one."
    )
