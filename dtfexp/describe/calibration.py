"""What a machine reaches at a set-point: the line through its readings, and the hottest spot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: A degree on the dial that makes less or more than this is a slip of the readings.
SLOPES = (0.5, 2.0)
_SAME = 1e-9


@dataclass(frozen=True)
class Reach:
    """reached = ``intercept`` + ``slope`` * set on average, and ``above`` that at the hottest.

    All in the unit of the setting. A machine that reads cooler than its dial is not trusted to be
    cool: an infrared gun on bare metal reads far too cold (ASTM E1933; from memory), so that
    nothing is met below its own set-point.
    """

    intercept: float
    slope: float
    above: float

    def hottest(self, setting: float) -> float:
        """The hottest that may be met at a set-point."""
        return max(setting, self.intercept + self.slope * setting + self.above)

    def highest_set(self, limit: float) -> float:
        """The highest set-point at which nothing above ``limit`` is met."""
        return min(limit, (limit - self.above - self.intercept) / self.slope)


def calibration_line(readings: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Intercept and slope of reached on set by least squares, from pairs (set, reached).

    No reading: the dial is taken as true. One set-point only: its mean offset, slope 1.
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
    """What is met at a set-point, from what is known of the machine.

    Spots (their distances from the set-point) say how far above the line the hottest lies; without
    them ``spread`` does. Spots are told in degrees of the dial, each of which makes ``slope``
    degrees on the platen.
    """
    intercept, slope = calibration_line(readings)
    above = max(spots) if spots else spread
    return Reach(intercept, slope, max(1.0, slope) * above if above > 0 else above)
