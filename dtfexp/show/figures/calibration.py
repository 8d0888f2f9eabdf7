"""What a machine reaches against its setting: readings, fitted line, confidence band."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe.units import convert
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat, label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.encode.calibrations import CalibrationLine

WIDTH, HEIGHT = 340, 290


def calibration_line(
    line: CalibrationLine, factor: Factor, *, unit: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw a line from set to reached with its 90 % band; returns the Axes.

    ``unit``: "°C" or "°F", default the factor's own. Dots are readings (the mean of a pass of
    nine); the thin line marks a true display. The band is left out when no interval is known.
    """
    reading = NumberFormat(unit) if unit and factor.is_temperature else NumberFormat(factor.unit)
    told = reading.unit(factor)

    def read(values: object) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        array = np.asarray(values, dtype=float)
        return array if told == factor.unit else convert(array, factor.unit, told)

    ax = axes_style.axes(ax, WIDTH, HEIGHT, (60, 10, 14, 46))
    low, high = factor.bounds
    x = np.linspace(min(low, *line.sets), max(high, *line.sets), 41)
    found = [line.mean_reached(float(setting)) for setting in x]
    ax.plot(read(x), read(x), color=palette.LIMIT, linewidth=1.0, linestyle="dashed", zorder=1)
    if line.df > 0:
        lower, upper = read([one.low for one in found]), read([one.high for one in found])
        ax.fill_between(read(x), lower, upper, color=palette.BAND, linewidth=0, zorder=0)
    ax.plot(read(x), read([one.value for one in found]), color=palette.INK, linewidth=1.8, zorder=2)
    ax.scatter(
        read(line.sets),
        read(line.reached),
        s=26,
        color=palette.WINDOW,
        edgecolor=palette.PAPER,
        zorder=3,
    )
    axes_style.few_ticks(ax.xaxis, ax.yaxis)
    axes_style.labels(ax, f"{label(factor.name)} set ({told})", f"reached ({told})")
    return ax
