"""What a machine reaches at a set-point: the line through its readings, and its hottest spot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: A slope (degrees reached per degree on the dial) outside this range is a reading error.
SLOPES = (0.5, 2.0)
_SAME = 1e-9


@dataclass(frozen=True)
class Reach:
    """The calibration line of a machine: reached = ``intercept`` + ``slope`` * set.

    The hottest spot lies ``above`` the line. All three are in the unit of the setting. A machine
    that reads cooler than its dial is not trusted to be cool, because an infrared gun on bare metal
    reads far too cold (ASTM E1933; from memory): the reached value is never taken below the
    set-point.
    """

    intercept: float
    slope: float
    above: float

    def hottest(self, setting: float) -> float:
        """Return the hottest temperature reached at a set-point."""
        return max(setting, self.intercept + self.slope * setting + self.above)

    def highest_set(self, limit: float) -> float:
        """Return the highest set-point at which nothing above ``limit`` is reached."""
        return min(limit, (limit - self.above - self.intercept) / self.slope)


def calibration_line(readings: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return intercept and slope of reached on set by least squares, from pairs (set, reached).

    Without readings the dial is taken as true. Readings at one set-point only give their mean
    offset and slope 1.
    """
    if not readings:
        return 0.0, 1.0
    mean_set = sum(s for s, _ in readings) / len(readings)
    mean_reached = sum(r for _, r in readings) / len(readings)
    squares = sum((s - mean_set) ** 2 for s, _ in readings)
    slope = 1.0
    if squares > _SAME:
        slope = sum((s - mean_set) * (r - mean_reached) for s, r in readings) / squares
    return mean_reached - slope * mean_set, slope


def machine_reach(
    readings: Sequence[tuple[float, float]], spots: Sequence[float], spread: float
) -> Reach:
    """Return what a machine reaches at a set-point, from its readings, spots and spread.

    ``spots`` (distances from the set-point, in degrees of the dial) give the hottest spot above the
    line; each degree of the dial makes ``slope`` degrees on the platen. Without spots ``spread`` is
    used.
    """
    intercept, slope = calibration_line(readings)
    above = max(spots) if spots else spread
    return Reach(intercept, slope, max(1.0, slope) * above if above > 0 else above)
