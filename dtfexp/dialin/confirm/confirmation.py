"""Confirmation: fresh presses that prove a window before it is used for sale, and the verdict.

The presses go to the target and to the corners of the window with the lowest expected pass rate, in
new oven loads and press rounds and on several days, because the pass rate includes those: coupons
pressed in one load would only test that load.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import count_phrase
from dtfexp.describe.session import Session
from dtfexp.dialin.confirm.terms import Terms
from dtfexp.dialin.design.plan import Plan, whole_seed
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.results import next_numbers
from dtfexp.dialin.schedule.layout import lay_out

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel
    from dtfexp.dialin.window.window import Window

#: Further columns of a confirming press: the spot ("target", "corner 1", …), the number of the
#: plan's first press, and the day of pressing counted from 1.
SPOT, PLAN_NUMBER, DAY = "confirms", "confirm_plan", "confirm_day"
MOST_CORNERS = 4
_MOST_LISTED = 4096


@dataclass(frozen=True, repr=False)
class ConfirmationPlan(Plan):
    """A plan of confirming presses; ``terms`` give what it must show, for ``fabric``."""

    terms: Terms = field(default_factory=Terms)
    fabric: str = ""


def confirmation_plan(
    fit: FittedModel,
    window: Window,
    *,
    pass_rate: float | None = None,
    confidence: float | None = None,
    failures: int = 0,
    sequential: bool = False,
    days: int = 3,
    reach: float = 0.5,
    per_load: int = 2,
    seed: int = 0,
) -> ConfirmationPlan:
    """Return fresh presses that test a window's pass rate, numbered on from ``fit.results``.

    ``pass_rate``, ``confidence``: what to show (default: those of the window; 0.90 where it was
    asked for no confidence). ``failures`` allowed, or ``sequential``: see :class:`Terms`. Half of
    the presses go to the target, half to the corners with the lowest expected pass rate, ``reach``
    of the way from the target to the window's edges (0: all to the target). ``days``: number of
    days; every day has its own loads and rounds. ``per_load``: most coupons in a load and in a
    round, so that one lucky batch cannot decide.

    ``runs`` has the columns of any plan, then ``confirms``, ``confirm_plan`` and ``confirm_day``
    (and ``block`` when the results have blocks). Raises ``PlanError`` in one line.
    """
    terms = Terms(
        window.required if pass_rate is None else pass_rate,
        (window.required_confidence or Terms.confidence) if confidence is None else confidence,
        failures,
        sequential,
    )
    days = fields.whole_number(days, "confirmation_plan", "days", 1, 60, PlanError)
    per_load = fields.whole_number(per_load, "confirmation_plan", "per_load", 1, 1000, PlanError)
    if not isinstance(reach, (int, float)) or not 0.0 <= reach <= 1.0:
        raise fields.refusal("reach", reach, "a share from 0 to 1, such as 0.5", PlanError)
    rng = np.random.default_rng(whole_seed(seed))
    no = fit.session.refusal(window.target, window.fabric) if window.target else window.reason
    if no:
        raise PlanError(f"confirmation_plan: {no}")
    spots = [("target", dict(window.target))]
    spots += [(f"corner {k}", s) for k, s in enumerate(corners(fit, window, float(reach)), start=1)]
    runs = _runs_by_day(
        fit, window.fabric, _spot_sequence(spots, terms.presses), days, per_load, rng
    )
    reason = f"{terms.sentence()} On {count_phrase(days, 'day')}, in new loads and rounds."
    return ConfirmationPlan(
        fit.session, runs, "confirmation", seed, reason, _notes(fit, window, spots), terms,
        window.fabric,
    )  # fmt: skip


def corners(fit: FittedModel, window: Window, reach: float) -> list[dict[str, Any]]:
    """Return up to four spots between target and corners, lowest expected pass rate first.

    After the first spot come those that add most sides (low or high of a setting) not yet pressed.
    Empty without a window or without an allowance in it.
    """
    if window.low is None or window.high is None or reach == 0.0:
        return []
    session, sides = fit.session, {}
    for factor in session.factors:
        values = [
            _setting_towards(session, factor, window, edge[factor.name], reach)
            for edge in (window.low, window.high)
        ]
        sides[factor.name] = list(dict.fromkeys(values))
    combined = list(product(*sides.values()))[:_MOST_LISTED]
    spots = pd.DataFrame([dict(zip(sides, c, strict=True)) for c in combined])
    elsewhere = (spots != pd.Series(window.target)[spots.columns]).any(axis=1)
    spots = spots[elsewhere.to_numpy() & session.permits(spots, window.fabric)]
    if spots.empty:
        return []
    rates = fit.pass_posterior(spots, window.fabric).expected()
    ranked = spots.iloc[np.argsort(rates, kind="stable")].to_dict("records")
    chosen, seen = [ranked[0]], set(ranked[0].items())
    while len(chosen) < min(MOST_CORNERS, len(ranked)):
        fresh = [len(set(spot.items()) - seen) for spot in ranked]
        if not max(fresh):
            break
        best = ranked[int(np.argmax(fresh))]
        chosen.append(best)
        seen |= set(best.items())
    return [{str(k): v for k, v in spot.items()} for spot in chosen]


def _setting_towards(
    session: Session, factor: Factor, window: Window, edge: Any, reach: float
) -> Any:
    """Return the setting ``reach`` of the way from the target to an edge, on a step inside it."""
    target = window.target[factor.name]
    if not factor.is_numeric and not factor.ordered:
        return target
    here, there = grids.as_axis(factor, target), grids.as_axis(factor, edge)
    axis = grids.full_axis(session, factor, window.fabric)
    low, high = sorted((here, there))
    axis = axis[(axis >= low - 1e-9) & (axis <= high + 1e-9)]
    wanted = here + reach * (there - here)
    return grids.as_setting(factor, grids.nearest(axis, wanted))


def _spot_sequence(
    spots: list[tuple[str, dict[str, Any]]], count: int
) -> list[tuple[str, dict[str, Any]]]:
    """Return ``count`` presses that alternate between target and corners."""
    target, others = spots[0], spots[1:]
    if not others:
        return [target] * count
    return [target if k % 2 == 0 else others[(k // 2) % len(others)] for k in range(count)]


def _runs_by_day(
    fit: FittedModel,
    fabric: str,
    wanted: list[tuple[str, dict[str, Any]]],
    days: int,
    per_load: int,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the runs day by day, each with its own loads and rounds of at most ``per_load``."""
    small = fit.session.altered(
        coupons_per_load=min(per_load, fit.session.coupons_per_load),
        presses_per_round=min(per_load, fit.session.presses_per_round),
    )
    names = [f.name for f in fit.session.factors]
    numbers = next_numbers(fit.results)
    first, parts = numbers[0], []
    # Target and corners alternate, so every day has both.
    share = np.array_split(np.arange(len(wanted)), min(days, len(wanted)))
    for day, rows in enumerate(share, start=1):
        part = [wanted[int(k)] for k in rows]
        frame = pd.DataFrame([settings for _, settings in part])[names]
        frame.insert(0, "fabric", fabric)
        runs = lay_out(small, frame, rng, *numbers)
        runs[SPOT] = _spot_of(runs[names], part)
        runs[PLAN_NUMBER], runs[DAY] = first, day
        if "block" in fit.results and (fit.results["block"] != "").any():
            runs["block"] = f"confirmation from press {first}, day {day}"
        parts.append(runs)
        numbers = next_numbers(runs)
    return pd.concat(parts, ignore_index=True)


def _spot_of(settings: pd.DataFrame, part: list[tuple[str, dict[str, Any]]]) -> list[str]:
    """Return the name of each row's spot, found by its settings."""
    named = {tuple(spot[c] for c in settings.columns): name for name, spot in part}
    return [named[row] for row in settings.itertuples(index=False, name=None)]


def _notes(
    fit: FittedModel, window: Window, spots: list[tuple[str, dict[str, Any]]]
) -> tuple[str, ...]:
    lines = [
        f"{name.capitalize()}: "
        + ", ".join(f"{f.name} {f.format(at[f.name])}" for f in fit.session.factors)
        for name, at in spots
    ]
    if not window.found:
        lines.append(
            f"No window of {window.fabric} is proven yet: this confirms the one set-point only."
        )
    lines.append(
        "Turn the dials away and back between rounds: the confirmation tests new loads, rounds "
        "and days."
    )
    return tuple(lines)
