"""The pass rate along each setting alone, and where it falls below the requirement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import Demand

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One numeric setting over its allowed range, the others fixed.

    ``places``: ascending, the set-point's own among them; ``excess``: over the requirement, at each
    (see :class:`Demand`); ``low``, ``high``: the part around the set-point where it is at least 0,
    interpolated; ``falls_low``, ``falls_high``: it ends because the excess falls, not the range.
    """

    factor: Factor
    places: Array
    excess: Array
    low: float
    high: float
    falls_low: bool
    falls_high: bool

    def at(self, place: float) -> float:
        """Return the excess at a place, interpolated."""
        return float(np.interp(place, self.places, self.excess))

    def told(self) -> tuple[float, float]:
        """Return ``low`` and ``high`` in tenths of a step of the dial, rounded inwards."""
        return inwards(self.factor, self.low, self.high)

    def middle(self) -> float:
        """Return the centre of mass of the excess where it meets the requirement.

        At an end of the range where the excess has not fallen, it is extended by one spread, so
        that the end itself may be the middle of a narrow part. METHODS.md, equation (26).
        """
        unit = grids.width_unit(self.factor)
        inside = self.places[(self.places > self.low) & (self.places < self.high)]
        x = np.array([self.low, *inside, self.high])
        y = np.maximum(np.interp(x, self.places, self.excess), 0.0)
        if not self.falls_low:
            x, y = np.append(x[0] - unit, x), np.append(y[0], y)
        if not self.falls_high:
            x, y = np.append(x, x[-1] + unit), np.append(y, y[-1])
        mass = np.trapezoid(y, x)
        # Piecewise linear, so each piece's first moment is exact.
        a, b, ya, yb = x[:-1], x[1:], y[:-1], y[1:]
        moment = float(((b - a) * (ya * (2 * a + b) + yb * (a + 2 * b)) / 6.0).sum())
        return moment / float(mass) if mass > 0.0 else 0.5 * (self.low + self.high)


def inwards(factor: Factor, low: float, high: float) -> tuple[float, float]:
    """Return two ends in tenths of a step of the dial, rounded inwards."""
    tenth, first = factor.grid_step / 10.0, factor.bounds[0]
    down = first + np.ceil((low - first) / tenth - 1e-6) * tenth
    up = first + np.floor((high - first) / tenth + 1e-6) * tenth
    return round(float(down), 9), round(float(up), 9)


def lines_through(
    fit: FittedModel, fabric: str, at: Mapping[str, Any], demand: Demand, points: int
) -> dict[str, Line]:
    """Return the line of every numeric setting, each at about ``points`` places."""
    places, frames = {}, []
    order = [f.name for f in fit.session.factors]
    for factor in fit.session.factors:
        if not factor.is_numeric:
            continue
        axis = grids.full_axis(fit.session, factor, fabric)
        here = float(at[factor.name])
        x = np.unique([*np.linspace(axis[0], axis[-1], points if len(axis) > 1 else 1), here])
        places[factor.name] = x
        frames.append(pd.DataFrame([dict(at)] * len(x)).assign(**{factor.name: x})[order])
    if not frames:
        return {}
    excess = demand.excess_at(fit, pd.concat(frames, ignore_index=True), fabric)
    cuts = np.cumsum([len(x) for x in places.values()])[:-1]
    return {
        name: line_of(fit.session.factor(name), x, part, float(at[name]))
        for (name, x), part in zip(places.items(), np.split(excess, cuts), strict=True)
    }


def line_of(factor: Factor, places: Array, excess: Array, here: float) -> Line:
    """Return the line of one setting from its excess at ascending places."""
    if not np.isclose(places, here).any():
        k = int(np.searchsorted(places, here))
        excess = np.insert(excess, k, np.interp(here, places, excess))
        places = np.insert(places, k, here)
    k = int(np.argmin(np.abs(places - here)))
    low, falls_low = _crossing(places[k::-1], excess[k::-1])
    high, falls_high = _crossing(places[k:], excess[k:])
    return Line(factor, places, excess, low, high, falls_low, falls_high)


def _crossing(places: Array, excess: Array) -> tuple[float, bool]:
    """Return where the excess first falls below 0 from the first place on, and whether it does.

    The last place if nowhere.
    """
    below = np.flatnonzero(excess < 0.0)
    if not len(below):
        return float(places[-1]), False
    k = int(below[0])
    if k == 0:
        return float(places[0]), True
    share = excess[k - 1] / (excess[k - 1] - excess[k])
    return float(places[k - 1] + share * (places[k] - places[k - 1])), True
