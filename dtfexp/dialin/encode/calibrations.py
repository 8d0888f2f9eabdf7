"""Calibration of the machines: the line from set to reached, and its inverse.

Plans, windows and targets are set-points, what a person sets on the display. A reading is what was
reached. The calibration line converts between the two: a press with a reading enters the fit at the
set-point that reaches this reading, and a press without one as set. A machine that is always 10 °
below its display therefore moves nothing in the window, while a press that deviated counts at its
true position.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from dtfexp.describe.fields import without_underscores
from dtfexp.describe.units import convert_difference

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

CONFIDENCE = 0.90
#: Fewest readings to estimate a slope; with fewer the slope is 1.
_ENOUGH_FOR_SLOPE = 3
#: Share of presses with a reading from which readings are a calibration: readings of odd presses
#: alone do not describe the machine.
_MOST, _LEAST_READ = 0.5, 4
#: Slopes outside this range are errors; only the offset is used then.
_SLOPES = (0.5, 2.0)


@dataclass(frozen=True)
class Interval:
    """A value and its 90 % interval; NaN where unknown."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class CalibrationLine:
    """reached = ``intercept`` + ``slope`` * set, by least squares, in the factor's unit.

    ``sets`` and ``reached`` are the readings. ``covariance`` (2, 2) is of intercept and slope,
    ``df`` the degrees of freedom: with 0 no interval is known. With fewer than three readings, or
    all at one set-point, the slope is fixed at 1.
    """

    factor: str
    sets: tuple[float, ...]
    reached: tuple[float, ...]
    intercept: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    df: int

    def mean_reached(self, setting: float) -> Interval:
        """Return the mean reached at a set-point, with its interval."""
        value = self.intercept + self.slope * setting
        half = self._t() * math.sqrt(max(0.0, self._variance(setting)))
        return Interval(value, value - half, value + half)

    def setting_for(self, reached: float) -> Interval:
        """Return the set-point that reaches ``reached`` on average.

        Interval: every set-point whose mean may be ``reached`` (Fieller 1954, J. R. Statist. Soc. B
        16:175; from memory). NaN where the slope is not bounded away from zero.
        """
        value = (reached - self.intercept) / self.slope
        if self.df < 1:
            return Interval(value, math.nan, math.nan)
        t2 = self._t() ** 2
        (vaa, vab), (_, vbb) = self.covariance
        gap = reached - self.intercept
        a = self.slope**2 - t2 * vbb
        b = -self.slope * gap - t2 * vab
        c = gap**2 - t2 * vaa
        inside = b * b - a * c
        if a <= 0 or inside < 0:
            return Interval(value, math.nan, math.nan)
        root = math.sqrt(inside)
        return Interval(value, (-b - root) / a, (-b + root) / a)

    def _variance(self, setting: float) -> float:
        (vaa, vab), (_, vbb) = self.covariance
        return vaa + 2 * setting * vab + setting**2 * vbb

    def _t(self) -> float:
        from scipy.special import stdtrit

        return float(stdtrit(self.df, 0.5 + CONFIDENCE / 2)) if self.df > 0 else math.nan


def fit_calibration_line(
    factor: str, sets: Sequence[float], reached: Sequence[float]
) -> CalibrationLine:
    """Return the line through readings (at least one); both arguments have equal length."""
    from scipy.stats import linregress

    x, y = np.asarray(sets, dtype=float), np.asarray(reached, dtype=float)
    pairs = (tuple(x.tolist()), tuple(y.tolist()))
    if len(x) >= _ENOUGH_FOR_SLOPE and np.ptp(x) > 0:
        found = linregress(x, y)
        if _SLOPES[0] <= found.slope <= _SLOPES[1]:
            variance = float(found.stderr) ** 2
            both = -float(x.mean()) * variance
            covariance = ((float(found.intercept_stderr) ** 2, both), (both, variance))
            ends = float(found.intercept), float(found.slope)
            return CalibrationLine(factor, *pairs, *ends, covariance, len(x) - 2)
    off, df = y - x, len(x) - 1
    variance = float(off.var(ddof=1)) / len(x) if df else 0.0
    covariance = ((variance, 0.0), (0.0, 0.0))
    return CalibrationLine(factor, *pairs, float(off.mean()), 1.0, covariance, df)


@dataclass(frozen=True)
class Calibrations:
    """The calibration lines and spreads measured on a bench; empty without measurements.

    ``spreads`` are half-widths around a set-point, ``spots`` the deviations of a map's spots from
    their mean, both as reached, in the factor's unit. ``hotter``: how much hotter than all that
    says a press was read since; the heat gate counts with it.
    """

    lines: Mapping[str, CalibrationLine] = field(default_factory=dict)
    spreads: Mapping[str, float] = field(default_factory=dict)
    spots: Mapping[str, Sequence[float]] = field(default_factory=dict)
    hotter: Mapping[str, float] = field(default_factory=dict)

    def session(self, session: Session) -> Session:
        """Return the session with its machines as measured; spreads are converted to set-points.

        A fabric left without settings stays in (``Session.nothing_left``).
        """
        factors = tuple(self._measured(factor) for factor in session.factors)
        return session if factors == session.factors else session.altered(factors=factors)

    def results(self, results: pd.DataFrame) -> pd.DataFrame:
        """Return the results with every reading replaced by the set-point that reaches it."""
        out = results.copy()
        for name, found in self.lines.items():
            column = f"{name}_actual"
            if column in out:
                readings = out[column].astype(float)
                out[column] = (readings - found.intercept) / found.slope
        return out

    def hotter_lines(self, session: Session, unit: str | None = None) -> list[str]:
        """Return a sentence for each machine in ``hotter``; ``unit``, else that of the setting."""
        lines = []
        for name, more in self.hotter.items():
            own = session.factor(name).unit
            degrees = math.ceil(convert_difference(more, own, unit or own) - 1e-6)
            lines.append(
                f"{without_underscores(name).capitalize()} was read {degrees} {unit or own} hotter "
                "at a press than allowed for. Heat limits count with that until the machine is "
                "measured again."
            )
        return lines

    def mean_reached(self, factor: Factor, setting: float) -> Interval | None:
        """Return what is reached at a set-point; None when never measured."""
        found = self.lines.get(factor.name)
        return None if found is None else found.mean_reached(setting)

    def setting_for(self, factor: Factor, reached: float) -> Interval:
        """Return what to set to reach ``reached``; unchanged when never measured.

        ``value`` is on the factor's step and inside its range.
        """
        found = self.lines.get(factor.name)
        if found is None:
            return Interval(float(factor.snap(reached)), math.nan, math.nan)
        wanted = found.setting_for(reached)
        return replace(wanted, value=float(factor.snap(wanted.value)))

    def _measured(self, factor: Factor) -> Factor:
        found = self.lines.get(factor.name)
        if found is not None:
            # Two points determine the line.
            ends = tuple((end, found.mean_reached(end).value) for end in factor.bounds)
            factor = replace(factor, readings=ends)
        if factor.name in self.spreads:
            factor = self._with_spread(factor)
        if factor.name in self.hotter:
            line, more = factor.reach, self.hotter[factor.name]
            ends = tuple((at, line.intercept + line.slope * at + more) for at in factor.bounds)
            factor = replace(factor, readings=ends)
        return factor

    def _with_spread(self, factor: Factor) -> Factor:
        low, high = factor.bounds
        slope = self.lines[factor.name].slope if factor.name in self.lines else 1.0
        spread = self.spreads[factor.name] / slope
        spots = tuple(float(spot) / slope for spot in self.spots.get(factor.name, ()))
        if max(spread, *map(abs, spots), 0.0) > high - low:
            # The map cannot be of this factor's range; keep only that the spread is very wide.
            return replace(factor, spread=min(spread, high - low), spots=())
        return replace(factor, spread=spread, spots=spots)


def press_readings(session: Session, results: pd.DataFrame) -> dict[str, list[Any]]:
    """Return pairs (set, reached) for every factor that most presses have a reading of."""
    found: dict[str, list[Any]] = {}
    for factor in session.factors:
        column = f"{factor.name}_actual"
        if not factor.is_numeric or column not in results:
            continue
        read = results[column].notna()
        if read.sum() >= max(_LEAST_READ, _MOST * len(results)):
            pairs = results.loc[read, [factor.name, column]].astype(float)
            found[factor.name] = list(pairs.itertuples(index=False, name=None))
    return found
