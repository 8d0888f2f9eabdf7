"""The pass rate along one setting or over two, as a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import qmc

from dtfexp.describe import fields
from dtfexp.describe.errors import SessionError
from dtfexp.describe.fields import quoted
from dtfexp.dialin.encode import set_point_lines
from dtfexp.dialin.model.posterior_surfaces import pass_rate_surfaces, settings_at_unit_points
from dtfexp.dialin.window.find_window import window_of

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.model.fitted import FittedModel

AVERAGE = "average"
_POINTS_OF_AVERAGE, _PLACES = 21, 64


def curve(
    fit: FittedModel,
    setting: str,
    fabric: str | Fabric,
    other: str | None = None,
    *,
    at: Mapping[str, Any] | str | None = None,
) -> pd.DataFrame:
    """Return the pass rate along one setting, or over two.

    Columns: the setting(s), ``pass_rate``, ``low``, ``high`` (90 % posterior bounds). ``at``:
    values of the other settings, setting -> value (default: the window's target, also for those
    left out); ``"average"``, for one setting, averages evenly over the ranges of the others:
    the main effect. Raises ``SessionError`` for an unknown name or value.
    """
    session = fit.session
    fabric = session.fabric(fabric).name
    moving = session.factor(setting).name
    if isinstance(at, str):
        if at != AVERAGE or other is not None:
            raise fields.refusal(
                "at",
                at,
                "a set-point (setting -> value), or for one setting "
                f"{AVERAGE!r} to average over the ranges of all others",
            )
        return _main_effect(fit, moving, fabric)
    line = session.nothing_left(fabric)
    if line:
        raise SessionError(line)
    target = window_of(fit, fabric).target
    place = target | _checked_set_point(fit, at or {})
    if other is None:
        settings = set_point_lines.curve_settings(session, fabric, moving, place)
        shown_columns = [moving]
    else:
        second = session.factor(other).name
        if second == moving:
            raise SessionError(f"setting and other are both {moving!r}; name two settings")
        settings = set_point_lines.map_settings(session, fabric, moving, second, place)
        shown_columns = [moving, second]
    return pd.concat([settings[shown_columns], fit.pass_rate(settings, fabric)], axis=1)


def _main_effect(fit: FittedModel, moving: str, fabric: str) -> pd.DataFrame:
    """Return the main effect: each value of the setting, averaged over the other ranges."""
    session = fit.session
    values = set_point_lines.axis_values(
        session, session.factor(moving), fabric, _POINTS_OF_AVERAGE
    )
    points = qmc.Sobol(len(session.factors), scramble=True, seed=1).random(_PLACES)
    others = settings_at_unit_points(fit, fabric, points)
    settings = pd.concat([others.assign(**{moving: value}) for value in values], ignore_index=True)
    settings[moving] = settings[moving].astype(others[moving].dtype)
    rates = pass_rate_surfaces(fit, settings, fabric).reshape(-1, len(values), _PLACES).mean(axis=2)
    return pd.DataFrame(
        {
            moving: values,
            "pass_rate": rates.mean(axis=0),
            "low": np.minimum(np.quantile(rates, 0.05, axis=0), rates.mean(axis=0)),
            "high": np.maximum(np.quantile(rates, 0.95, axis=0), rates.mean(axis=0)),
        }
    )


def _checked_set_point(fit: FittedModel, at: Mapping[str, Any]) -> dict[str, Any]:
    """Return the given part of a set-point in the session's spelling."""
    out: dict[str, Any] = {}
    for name, value in at.items():
        factor = fit.session.factor(name)
        if factor.is_numeric:
            try:
                number = float(value)
            except (TypeError, ValueError):
                number = np.nan
            if not np.isfinite(number):
                raise SessionError(f"at, {factor.name!r}: got {quoted(value)}; use a number")
            out[factor.name] = number
        else:
            out[factor.name] = factor.snap(value)
    return out
