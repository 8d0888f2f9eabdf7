"""The limit of a window at each edge, in the words of the trade, and how to extend it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe import heat
from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import without_underscores
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import direction
from dtfexp.dialin.window.lines import Line
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.pass_probability import outcome_pass_rates

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

COLUMNS = (
    "factor", "side", "value", "margin", "alone", "stopped_by", "looks", "certainty", "advice",
)  # fmt: skip
HEAT_LIMIT, FABRIC_RANGE = "heat limit", "range of the fabric"
PLAN_RANGE = "range of the plan"
OTHER_SETTINGS = "other settings"
NOT_KNOWN = "not known"
#: Probability of falling short beyond an edge from which the edge counts as known.
KNOWN = 0.8
LOOKS = {
    ("print", "low"): "too little ink or powder",
    ("print", "high"): "too much ink or powder",
    ("cure", "low"): "under-cured",
    ("cure", "high"): "over-cured",
    ("press", "low"): "under-pressed",
    ("press", "high"): "over-pressed",
    ("peel", "low"): "peeled too early",
    ("peel", "high"): "peeled too late",
}


def failure_side_name(factor: Factor, side: str) -> str:
    """Return the failure side beyond one edge of a factor, in the shop's words.

    A fast conveyor is too little cure.
    """
    more = (side == "high") == (direction(factor) > 0)
    return LOOKS[factor.stage, "high" if more else "low"]


def no_edges() -> pd.DataFrame:
    """Return the empty table of edges."""
    return pd.DataFrame(columns=list(COLUMNS))


def box_edges(
    fit: FittedModel,
    fabric: str,
    target: Mapping[str, Any],
    ends: tuple[Mapping[str, Any], Mapping[str, Any]],
    margin: Mapping[str, Any],
    lines: Mapping[str, Line],
    pass_rate: float,
) -> pd.DataFrame:
    """Return one row per edge of the box.

    ``value``: the edge; ``alone``: how far that setting may go by itself, the others at the target
    (missing for words).  ``stopped_by`` names an outcome only where the presses show it: beyond
    ``alone`` the true pass rate falls short with a posterior probability (``certainty``) of at
    least :data:`KNOWN`; else the end of the range or the limit, :data:`OTHER_SETTINGS` where the
    setting by itself may go to the end of what was tried, or :data:`NOT_KNOWN`.
    METHODS.md, section 8.
    """
    rows: list[dict[str, Any]] = []
    beyond: list[dict[str, Any]] = []
    for factor in grids.ranged_factors(fit.session):
        for side, end in zip(("low", "high"), ends, strict=True):
            line = lines.get(factor.name)
            row, outside = _edge(fit, fabric, factor, side, end[factor.name], line)
            row["margin"] = float(getattr(margin[factor.name], side))
            rows.append(row)
            beyond.append(dict(target) | {factor.name: outside})
    if not rows:
        return no_edges()
    frame = pd.DataFrame(beyond)[[f.name for f in fit.session.factors]]
    short = 1.0 - fit.pass_posterior(frame, fabric).chance_at_least(pass_rate)
    weakest = weakest_outcomes(fit, frame, fabric)
    for row, chance, outcome in zip(rows, short, weakest, strict=True):
        if row["stopped_by"] is None:
            row["certainty"] = float(chance)
            row["stopped_by"] = outcome if chance >= KNOWN else NOT_KNOWN
        elif row["stopped_by"] == OTHER_SETTINGS:
            row["certainty"] = float(chance)
        row["advice"] = row["advice"] or _advice(row)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _edge(
    fit: FittedModel, fabric: str, factor: Factor, side: str, edge: Any, line: Line | None
) -> tuple[dict[str, Any], Any]:
    """Return an edge's row, and the setting just beyond where the pass rate falls short.

    The limiting cause is None where something falls short. Just beyond: one spread, or the next
    step where that is larger.
    """
    axis = grids.full_axis(fit.session, factor, fabric)
    here = grids.as_axis(factor, edge)
    last = axis[0] if side == "low" else axis[-1]
    reach = max(grids.width_unit(factor), factor.grid_step) * (-1 if side == "low" else 1)
    alone, falls = here, True
    if line is not None:
        alone = line.told()[0 if side == "low" else 1]
        falls = line.falls_low if side == "low" else line.falls_high
    outside = float(np.clip(alone + reach, axis[0], axis[-1]))
    row: dict[str, Any] = {
        "factor": factor.name,
        "side": side,
        "value": edge,
        "alone": alone if line is not None else np.nan,
        "stopped_by": None,
        "looks": failure_side_name(factor, side),
        "certainty": 1.0,
        "advice": "",
    }
    if abs(here - last) < 1e-9:
        row["stopped_by"], row["advice"] = _end(fit.session, fabric, factor, side, axis)
    elif not falls:
        row["stopped_by"] = OTHER_SETTINGS
    return row, grids.as_setting(factor, outside)


def _end(
    session: Session, fabric: str, factor: Factor, side: str, axis: NDArray[np.float64]
) -> tuple[str, str]:
    """Return the limit of a fabric's settings on one side, and what to do about it."""
    inside = heat.in_range(factor, session.fabric(fabric))
    if side == "high" and axis[-1] < grids.as_axis(factor, inside[-1]):
        return HEAT_LIMIT, session.limit_note(fabric)
    end = inside[0] if side == "low" else inside[-1]
    own = factor.settings()[0] if side == "low" else factor.settings()[-1]
    if end != own:
        return FABRIC_RANGE, f"{fabric} is kept from going further: this is its own range."
    name = without_underscores(factor.name)
    return PLAN_RANGE, f"The plan ends here; widen the range of {name} to learn what lies beyond."


def _advice(row: dict[str, Any]) -> str:
    side = "below" if row["side"] == "low" else "above"
    if row["stopped_by"] == OTHER_SETTINGS:
        return (
            "By itself this setting may go to the end of its range; the window ends here for the "
            "settings that are off together."
        )
    if row["stopped_by"] == NOT_KNOWN:
        return (
            f"Not yet known {side} this; a test press there with the other settings at target "
            "shows whether the window is wider."
        )
    outcome = without_underscores(row["stopped_by"])
    return f"Likely too few pass {side} this: prints look {row['looks']} ({outcome})."


def weakest_outcomes(fit: FittedModel, frame: pd.DataFrame, fabric: str) -> list[str]:
    """Return the outcome with the lowest pass probability at each setting."""
    index = np.full(len(frame), fit.coding.fabric_index(fabric))
    latent = predict(fit.posterior, fit.coding.points(frame, index))
    names = [o.name for o in fit.coding.outcomes]
    chance = outcome_pass_rates(fit.posterior, latent)
    return [names[int(k)] for k in np.argmin(chance, axis=1)]
