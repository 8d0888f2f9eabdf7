"""The pass rate along each setting alone, and where it falls to what is asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.pass_map import Demand

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One setting (a number) through all that the fabric may be set to, the others held.

    places: ascending, the set-point's own among them; excess: over what is asked, at each (see
    :class:`Demand`); low, high: the part round the set-point on which it is not below 0, read
    between the places; falls_low, falls_high: it ends because the excess falls, not the range.
    """

    factor: Factor
    places: Array
    excess: Array
    low: float
    high: float
    falls_low: bool
    falls_high: bool

    def at(self, place: float) -> float:
        """The excess at a place, read between the places."""
        return float(np.interp(place, self.places, self.excess))

    def told(self) -> tuple[float, float]:
        """``low`` and ``high`` in tenths of a step of the dial, rounded inwards."""
        return inwards(self.factor, self.low, self.high)

    def middle(self) -> float:
        """The centre of mass of the excess on the part that keeps what is asked.

        Where the range ends and the excess has not fallen, it is taken to hold one spread farther,
        so that the end itself may be the middle of a narrow part.
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
    """Two ends in tenths of a step of the dial, rounded inwards."""
    tenth, first = factor.grid_step / 10.0, factor.bounds[0]
    down = first + np.ceil((low - first) / tenth - 1e-6) * tenth
    up = first + np.floor((high - first) / tenth + 1e-6) * tenth
    return round(float(down), 9), round(float(up), 9)


def lines_through(
    fit: FittedModel, fabric: str, at: Mapping[str, Any], demand: Demand, points: int
) -> dict[str, Line]:
    """The line of every setting that is a number, each through about ``points`` places."""
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
    """Where the excess first falls below 0 from the first place on; the last place if nowhere."""
    below = np.flatnonzero(excess < 0.0)
    if not len(below):
        return float(places[-1]), False
    k = int(below[0])
    if k == 0:
        return float(places[0]), True
    share = excess[k - 1] / (excess[k - 1] - excess[k])
    return float(places[k - 1] + share * (places[k] - places[k - 1])), True
