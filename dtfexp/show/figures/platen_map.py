"""Readings of machines: a nine-point map, seen from the operator's place; set against reached."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dtfexp.describe.units import convert, convert_difference
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat, label, rounded_text, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.book.bench.machine_readings import PlatenMap
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.encode.calibrations import CalibrationLine

WIDTH, HEIGHT = 340, 300
_FLAT = 2.0
"""Smallest range of the colour scale, in °C between coldest and hottest."""
_SIDES = ("left", "centre", "right")
_ROWS = ("back", "middle", "front")


def platen_map(found: PlatenMap, *, unit: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw the mean of every spot, pale for cold to dark for hot; returns the Axes.

    ``unit``: "°C" or "°F", default the map's own. The coldest and hottest spots are named; the
    title gives the set-point and the mean offset.
    """
    unit = found.unit if unit is None else unit
    spots = np.array(found.passes).mean(axis=0)
    degrees = np.array([float(convert(float(t), found.unit, unit)) for t in spots]).reshape(3, 3)
    flat = float(convert_difference(_FLAT, "°C", unit))
    low = float(degrees.mean()) - max(flat, float(np.ptp(degrees))) / 2
    low = min(low, float(degrees.min()))
    width = max(flat, float(degrees.max()) - low)

    ax = axes_style.axes(ax, WIDTH, HEIGHT, (62, 48, 10, 30))
    ax.set_facecolor("none")
    cold, hot = int(degrees.argmin()), int(degrees.argmax())
    for place, value in enumerate(degrees.ravel().tolist()):
        row, column = divmod(place, 3)
        step = min(int((value - low) / width * len(palette.HEAT)), len(palette.HEAT) - 1)
        fill: dict[str, Any] = {
            "facecolor": palette.HEAT[step],
            "edgecolor": palette.PAPER,
            "linewidth": 2,
        }
        axes_style.rectangle(ax, column - 0.5, row - 0.5, 1, 1, **fill)
        colour = palette.INK if step < 3 else palette.PAPER
        axes_style.centred(ax, column, row, rounded_text(value, 1), color=colour, fontsize=14)
        word = "coldest" if place == cold else "hottest" if place == hot else ""
        if word and cold != hot:
            axes_style.centred(ax, column, row + 0.3, word, color=colour)
    ax.set_xlim(-0.5, 2.5)
    ax.set_ylim(2.5, -0.5)
    ax.set_xticks(range(3), _SIDES)
    ax.set_yticks(range(3), _ROWS)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.tick_params(
        colors=palette.QUIET, labelcolor=palette.INK, labelsize=axes_style.TEXT, length=0
    )
    look: dict[str, Any] = {"fontsize": axes_style.TEXT, "color": palette.INK, "parse_math": False}
    ax.set_title(_title(found, unit), loc="left", **look)
    return ax


def map_sentence(found: PlatenMap, unit: str) -> str:
    """Return the map as one sentence, the alternative to the picture."""
    said = found.summary
    mean, coldest, hottest, set_point = (
        with_unit(rounded_text(float(convert(value, found.unit, unit)), 1), unit)
        for value in (said.mean, said.coldest, said.hottest, found.set_point)
    )
    spread, swing = _width(found, said.spread, unit), ""
    if said.repeatability == said.repeatability:
        swing = f"; from pass to pass ±{_width(found, said.repeatability, unit)}"
    return (
        f"{label(found.factor)} set to {set_point}: on average {mean}; coldest {coldest} "
        f"({said.coldest_spot}), hottest {hottest} ({said.hottest_spot}); spread ±{spread}{swing}."
    )


def _title(found: PlatenMap, unit: str) -> str:
    said = found.summary
    set_point = with_unit(rounded_text(float(convert(found.set_point, found.unit, unit)), 1), unit)
    gap, spread = (_width(found, degrees, unit) for degrees in (abs(said.offset), said.spread))
    side = "above" if said.offset > 0 else "below"
    return f"{label(found.factor)} set to {set_point}\nmean {gap} {side} it, spread ±{spread}"


def _width(found: PlatenMap, degrees: float, unit: str) -> str:
    """Return a difference of temperatures of the map as text in ``unit``."""
    return with_unit(rounded_text(float(convert_difference(degrees, found.unit, unit)), 1), unit)


def calibration_line(
    line: CalibrationLine, factor: Factor, *, unit: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw a line from set to reached with its 90 % band; returns the Axes.

    ``unit``: "°C" or "°F", default the factor's own. Dots are readings (the mean of a pass of
    nine); the thin line marks a true display. The band is left out when no interval is known.
    """
    reading = NumberFormat(unit) if unit and factor.is_temperature else NumberFormat(factor.unit)
    shown_in = reading.unit(factor)

    def read(values: object) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        array = np.asarray(values, dtype=float)
        return array if shown_in == factor.unit else convert(array, factor.unit, shown_in)

    ax = axes_style.axes(ax, 340, 290, (60, 10, 14, 46))
    low, high = factor.bounds
    x = np.linspace(min(low, *line.sets), max(high, *line.sets), 41)
    found = [line.mean_reached(float(setting)) for setting in x]
    ax.plot(read(x), read(x), color=palette.LIMIT, linewidth=1.0, linestyle="dashed", zorder=1)
    if line.df > 0:
        lower, upper = read([one.low for one in found]), read([one.high for one in found])
        ax.fill_between(read(x), lower, upper, color=palette.BAND, linewidth=0, zorder=0)
    ax.plot(read(x), read([one.value for one in found]), color=palette.INK, linewidth=1.8, zorder=2)
    dots: dict[str, Any] = {
        "s": 26,
        "color": palette.WINDOW,
        "edgecolor": palette.PAPER,
        "zorder": 3,
    }
    ax.scatter(read(line.sets), read(line.reached), **dots)
    axes_style.few_ticks(ax.xaxis, ax.yaxis)
    axes_style.labels(ax, f"{label(factor.name)} set ({shown_in})", f"reached ({shown_in})")
    return ax
