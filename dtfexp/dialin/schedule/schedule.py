"""The steps before each press and their minute, in the words of the run sheet."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from dtfexp.describe.fields import without_underscores
from dtfexp.describe.session import Session
from dtfexp.dialin.schedule.timeline import timeline

_SHORTEST_WAIT = 0.75
"""Shortest wait that is listed, in minutes."""


@dataclass(frozen=True)
class PressSteps:
    """One press: the minute at which the hands turn to it, and the steps before it in order."""

    press: int
    minute: float
    first: tuple[str, ...]


def schedule(session: Session, runs: pd.DataFrame) -> list[PressSteps]:
    """Return the presses of a plan in order; ``runs``: ``Plan.runs``, minutes from ``timeline``.

    The steps: printing and powdering of a load's coupons where it varies, loads to cure with their
    presses, settings of oven and press to change, and waits of about a minute and more.
    """
    steps = timeline(session, runs)
    # Steps that begin in the same minute as a press are listed before it.
    steps = steps.assign(late=steps["what"] == "handle")
    steps = steps.sort_values(["start", "late"], kind="stable")
    members = runs.groupby("oven_load")["press"].apply(list).to_dict()
    out: list[PressSteps] = []
    first: list[str] = []
    for step in steps.to_dict("records"):
        what, at, minutes = step["what"], step["at"], step["end"] - step["start"]
        if what == "warm-up" and at == "oven":
            first.append(f"warm up oven and press, {minutes:.0f} min")
        elif what == "change-over" and at == "oven":
            first.append(f"set the oven for load {step['oven_load']}: {step['detail']}")
        elif what == "change-over":
            first.append(f"set the press: {step['detail']}")
        elif what == "cure":
            presses = ", ".join(map(str, members[step["oven_load"]]))
            settings = step["detail"].rpartition(", ")[0]
            first += _printed(session, runs, int(step["oven_load"]))
            first.append(
                f"cure load {step['oven_load']}"
                + (f" at {settings}" if settings else "")
                + f" (press {presses})"
            )
        elif what == "wait" and step["detail"] in ("press", "oven"):
            if minutes >= _SHORTEST_WAIT:
                first.append(f"wait about {minutes:.0f} min for the {step['detail']}")
        elif what == "handle":
            out.append(PressSteps(int(step["press"]), float(step["start"]), tuple(first)))
            first = []
    return out


def _printed(session: Session, runs: pd.DataFrame, load: int) -> list[str]:
    """Return how a load's coupons are printed and powdered; empty if not varied.

    Coupons treated alike are listed jointly. Printed film is powdered within 2 h: common practice.
    """
    factors = [f for f in session.factors if f.stage == "print"]
    alike: dict[str, list[str]] = {}
    for row in runs[runs["oven_load"] == load].to_dict("records") if factors else []:
        said = ", ".join(f"{without_underscores(f.name)} {f.format(row[f.name])}" for f in factors)
        alike.setdefault(said, []).append(str(row["press"]))
    if not alike:
        return []
    each = "; ".join(f"{said} (press {', '.join(presses)})" for said, presses in alike.items())
    return [f"print and powder load {load}: {each}"]
