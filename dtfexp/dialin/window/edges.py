"""What stops a window at each edge, in the words of the trade, and what to press to push it."""

from __future__ import annotations

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
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.pass_probability import outcome_pass_rates

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

COLUMNS = ("factor", "side", "value", "margin", "stopped_by", "looks", "certainty", "advice")
HEAT_LIMIT, FABRIC_RANGE = "heat limit", "range of the fabric"
PLAN_RANGE = "range of the plan"
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
    """The failure side a shop would name beyond one edge of a factor; a fast conveyor is too
    little of the cure."""
    more = (side == "high") == (direction(factor) > 0)
    return LOOKS[factor.stage, "high" if more else "low"]


def box_edges(
    fit: FittedModel,
    fabric: str,
    target: dict[str, Any],
    low: dict[str, Any] | None,
    high: dict[str, Any] | None,
    margin: dict[str, Any],
    pass_rate: float,
) -> pd.DataFrame:
    """One row per edge of the box; no rows without a box.  ``certainty`` is the posterior
    probability that just beyond the edge the true pass rate falls short."""
    if low is None or high is None:
        return pd.DataFrame(columns=list(COLUMNS))
    rows: list[dict[str, Any]] = []
    beyond: list[dict[str, Any]] = []
    for factor in grids.ranged_factors(fit.session):
        for side, edge in (("low", low[factor.name]), ("high", high[factor.name])):
            row, outside = _edge(fit, fabric, factor, side, edge, margin[factor.name])
            rows.append(row)
            beyond.append(target | {factor.name: outside})
    frame = pd.DataFrame(beyond)
    short = 1.0 - fit.pass_posterior(frame, fabric).chance_at_least(pass_rate)
    weakest = _weakest_outcome(fit, frame, fabric)
    for row, chance, outcome in zip(rows, short, weakest, strict=True):
        if row["stopped_by"] is None:
            row["stopped_by"] = outcome
            row["certainty"] = float(chance)
            row["advice"] = _advice(row, float(chance))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _edge(
    fit: FittedModel, fabric: str, factor: Factor, side: str, edge: Any, margin: Any
) -> tuple[dict[str, Any], Any]:
    axis = grids.full_axis(fit.session, factor, fabric)
    here = grids.as_axis(factor, edge)
    at_end = here <= axis[0] if side == "low" else here >= axis[-1]
    # Just beyond means a spread away, or the next step where the step is larger.
    reach = max(grids.width_unit(factor), factor.grid_step)
    outside = np.clip(here - reach if side == "low" else here + reach, axis[0], axis[-1])
    row: dict[str, Any] = {
        "factor": factor.name,
        "side": side,
        "value": edge,
        "margin": float(getattr(margin, side)) if margin is not None else np.nan,
        "stopped_by": None,
        "looks": failure_side_name(factor, side),
        "certainty": 1.0,
        "advice": "",
    }
    if at_end:
        row["stopped_by"], row["advice"] = _end(fit.session, fabric, factor, side, axis)
    return row, grids.as_setting(factor, grids.nearest(axis, float(outside)))


def _end(
    session: Session, fabric: str, factor: Factor, side: str, axis: NDArray[np.float64]
) -> tuple[str, str]:
    """What ends the settings of a fabric on one side, and what to do about it."""
    inside = heat.in_range(factor, session.fabric(fabric))
    if side == "high" and axis[-1] < grids.as_axis(factor, inside[-1]):
        return HEAT_LIMIT, session.limit_note(fabric)
    end = inside[0] if side == "low" else inside[-1]
    own = factor.settings()[0] if side == "low" else factor.settings()[-1]
    if end != own:
        return FABRIC_RANGE, f"{fabric} is kept from going further: this is its own range."
    name = without_underscores(factor.name)
    return PLAN_RANGE, f"The plan ends here; widen the range of {name} to learn what lies beyond."


def _advice(row: dict[str, Any], chance: float) -> str:
    side = "below" if row["side"] == "low" else "above"
    if chance >= 0.8:
        outcome = without_underscores(row["stopped_by"])
        return f"Likely too few pass {side} this: prints look {row['looks']} ({outcome})."
    return (
        f"Not yet known {side} this; a test press there with the other settings at target would "
        "tell whether the window is wider."
    )


def _weakest_outcome(fit: FittedModel, frame: pd.DataFrame, fabric: str) -> list[str]:
    """The outcome with the lowest chance to pass at each setting."""
    index = np.full(len(frame), fit.coding.fabric_index(fabric))
    latent = predict(fit.posterior, fit.coding.points(frame, index))
    names = [o.name for o in fit.coding.outcomes]
    chance = outcome_pass_rates(fit.posterior, latent)
    return [names[int(k)] for k in np.argmin(chance, axis=1)]


def settings_text(fit: FittedModel, settings: dict[str, Any]) -> str:
    """Settings as a person reads them: "cure temperature 125 °C, peel warm"."""
    return ", ".join(
        f"{without_underscores(f.name)} {f.format(settings[f.name])}" for f in fit.session.factors
    )


def window_reason(
    fit: FittedModel,
    fabric: str,
    low: dict[str, Any],
    high: dict[str, Any],
    pass_rate: float,
    confidence: float,
    edges: pd.DataFrame,
) -> str:
    """One sentence on a window that stands."""
    unknown = edges[(edges["certainty"] < 0.8) & edges["advice"].str.startswith("Not yet")]
    tail = ""
    if len(unknown):
        first = unknown.iloc[0]
        name = without_underscores(first["factor"])
        tail = f"; it may reach further on the {first['side']} side of {name}"
    narrow = all(low[k] == high[k] for k in low)
    where = "this one set-point" if narrow else "every set-point in the window"
    return (
        f"For {fabric}, {where} keeps at least {100 * pass_rate:.0f} of 100 presses good, each "
        f"with {100 * confidence:.0f} % confidence{tail}."
    )


def no_window_reason(
    fit: FittedModel,
    fabric: str,
    target: dict[str, Any],
    chance: float,
    expected: float,
    pass_rate: float,
    confidence: float,
) -> str:
    """One sentence on why there is no window and what to press next."""
    asked = f"at least {100 * pass_rate:.0f} of 100 good with {100 * confidence:.0f} % confidence"
    best = settings_text(fit, target)
    presses = fit.presses_used(fabric)
    if presses == 0:
        return (
            f"No graded press of {fabric} yet, so nothing is proven; press a first look around "
            f"{best}."
        )
    weakest = without_underscores(_weakest_outcome(fit, pd.DataFrame([target]), fabric)[0])
    if chance >= confidence:
        return (
            f"Only {presses} graded press{'es' if presses > 1 else ''} of {fabric}: too few to "
            f"promise {asked}; press around {best} next."
        )
    if chance < 0.1 and expected < pass_rate - 0.1:
        return (
            f"No set-point in this range keeps {asked}: even the best known ({best}) passes only "
            f"about {100 * expected:.0f} of 100, held back by {weakest}; look at powder, film and "
            "machines, or widen the ranges, before pressing more."
        )
    return (
        f"Not proven yet that any set-point keeps {asked}: the best known ({best}) reaches it with "
        # Rounded down: a probability short of the one asked for never reads as reached.
        f"{int(100 * chance)} % probability after {presses} graded "
        f"press{'es' if presses > 1 else ''}, {weakest} being the "
        "weakest outcome; press there and around it next."
    )
