"""The window of a fabric, from where it lies to its facts and sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.edges import box_edges, no_edges, weakest_outcomes
from dtfexp.dialin.window.evidence import within
from dtfexp.dialin.window.facts import target_facts
from dtfexp.dialin.window.lines import lines_through
from dtfexp.dialin.window.located import located
from dtfexp.dialin.window.proven import proven_core
from dtfexp.dialin.window.reasons import no_window_reason, window_reason
from dtfexp.dialin.window.stand import target_at
from dtfexp.dialin.window.window import Margin, Window
from dtfexp.dialin.window.window_box import MappedBox

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

_CURVE_POINTS = 61


def half_widths(session: Session, fabric: str, wanted: Mapping[str, float]) -> dict[str, float]:
    """Return required half-widths by the session's factor names.

    Raises ``SessionError`` for words, which have no width, and for more than half the fabric's
    range.
    """
    out = {}
    for given, value in wanted.items():
        factor = session.factor(given)
        axis = grids.full_axis(session, factor, fabric) if factor.is_numeric else np.zeros(1)
        most = 0.5 * float(axis[-1] - axis[0])
        number = not isinstance(value, bool) and isinstance(value, (int, float))
        if not number or not 0.0 < value <= most:
            accepted = (
                f"a half-width up to {most:g}" if most else "none: it has no range of numbers"
            )
            raise fields.refusal(f"at_least of {factor.name!r}", value, accepted)
        out[factor.name] = float(value)
    return out


def window_of(
    fit: FittedModel,
    fabric: str,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    at_least: Mapping[str, float] | None = None,
) -> Window:
    """Return the window of one fabric, computed once and kept with the fit.

    ``at_least`` as given to :meth:`dtfexp.dialin.fit.Fit.window`, which raises the same errors.
    """
    wanted = half_widths(fit.session, fabric, at_least or {})
    key = (fabric, pass_rate, confidence, tuple(sorted(wanted.items())))
    if key not in fit._windows:
        fit._windows[key] = find_window(fit, fabric, Demand(pass_rate, confidence), wanted)
    kept: Window = fit._windows[key]
    return kept


def keep_window(fit: FittedModel, window: Window) -> None:
    """Keep a window that another process found on the same fit."""
    key = (window.fabric, window.required, window.required_confidence, ())
    fit._windows.setdefault(key, window)


def find_window(
    fit: FittedModel, fabric: str, demand: Demand, at_least: Mapping[str, float]
) -> Window:
    """See :meth:`dtfexp.dialin.fit.Fit.window`. METHODS.md, equations (24) and (25)."""
    for name, value in (("pass_rate", demand.pass_rate), ("confidence", demand.confidence)):
        if value is not None and not 0.0 < value < 1.0:
            raise ValueError(f"{name} is {value!r}; use a number between 0 and 1, such as 0.90")
    line = fit.session.nothing_left(fabric)
    if line:
        return _nothing_left(fit, fabric, line, demand)
    place = located(fit, fabric, demand, at_least)
    target = target_at(fit, fabric, place, demand)
    none: dict[str, Any] = {f.name: None for f in fit.session.factors}
    found = place.box
    if found is None:
        facts = target_facts(fit, fabric, target, demand)
        weakest = weakest_outcomes(fit, pd.DataFrame([target]), fabric)[0]
        reason = (
            f"Set-points of {fabric} keep the pass rate, but no window is as wide as was asked; "
            "ask for less, or press more near the edges."
            if place.too_narrow
            else no_window_reason(fit.session, facts, demand, weakest)
        )
        return Window(
            found=False,
            low=None,
            high=None,
            margin=none,
            reason=reason,
            edges=no_edges(),
            alone=dict(none),
            **facts,
        )
    low, high = found.ends(fit.session)
    margin = none | _margins(found, target, low, high)
    lines = lines_through(fit, fabric, target, Demand(demand.pass_rate), _CURVE_POINTS)
    edges = box_edges(fit, fabric, target, (low, high), margin, lines, demand.pass_rate)
    core = proven_core(fit, fabric, found, target, demand.pass_rate)
    core_low, core_high = (None, None) if core is None else core.ends(fit.session)
    return Window(
        found=True,
        low=low,
        high=high,
        margin=margin,
        reason=window_reason(fabric, (low, high), demand, core is not None, edges),
        edges=edges,
        core_low=core_low,
        core_high=core_high,
        alone={n: lines[n].told() if n in lines else None for n in margin},
        presses_inside=int(within(fit.session, fit.graded_presses(fabric), low, high).sum()),
        **target_facts(fit, fabric, target, demand),
    )


def target_of(fit: FittedModel, fabric: str, pass_rate: float) -> dict[str, Any]:
    """Return the target of :func:`window_of` without the facts round it; empty: nothing is left."""
    if fit.session.nothing_left(fabric):
        return {}
    demand = Demand(pass_rate)
    return target_at(fit, fabric, located(fit, fabric, demand, {}), demand)


def _margins(
    found: MappedBox, target: Mapping[str, Any], low: Mapping[str, Any], high: Mapping[str, Any]
) -> dict[str, Margin]:
    """Return the distances of the target to both edges, in spreads."""
    out = {}
    for factor in found.mapped.grid.factors:
        here, unit = grids.as_axis(factor, target[factor.name]), grids.width_unit(factor)
        down, up = (grids.as_axis(factor, end[factor.name]) for end in (low, high))
        out[factor.name] = Margin((here - down) / unit, (up - here) / unit)
    return out


def _nothing_left(fit: FittedModel, fabric: str, line: str, demand: Demand) -> Window:
    """Return a window without set-point: the fabric cannot be pressed."""
    none: dict[str, Any] = {f.name: None for f in fit.session.factors}
    return Window(
        found=False,
        fabric=fabric,
        target={},
        low=None,
        high=None,
        pass_rate=float("nan"),
        confidence=float("nan"),
        margin=none,
        reason=f"{line}.",
        required=demand.pass_rate,
        required_confidence=demand.confidence,
        edges=no_edges(),
        presses=fit.presses_used(fabric),
        alone=dict(none),
    )
