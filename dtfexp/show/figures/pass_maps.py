"""The pass rate over two settings, the others fixed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import heat
from dtfexp.describe.errors import SessionError
from dtfexp.dialin.confirm.press_verdicts import verdict_of_presses
from dtfexp.dialin.encode import set_point_lines
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.window.window import Window

WIDTH, HEIGHT = 340, 342
_UNSURE = 0.60
"""Width of the 90 % interval above which the map is dotted as uncertain."""


def pass_map(
    fit: Fit,
    fabric: str,
    x: str,
    y: str,
    at: Mapping[str, Any] | None = None,
    *,
    window: Window | None = None,
    rates: pd.DataFrame | None = None,
    unit: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the expected pass rate over two numeric settings; returns the Axes.

    ``at``: the set-point of the map (default the window's target). ``window``: drawn as a box
    (default ``fit.window(fabric)``). ``rates``: ``fit.pass_rate`` of
    ``set_point_lines.map_settings`` for the same arguments, when known. ``unit``: "°C" or "°F",
    default the session's. Dots mark uncertain parts (90 % interval wider than 60 points). Raises
    ``SessionError`` for an unknown name and for a factor of words.
    """
    session = fit.session
    across, up = session.factor(x), session.factor(y)
    for factor in (across, up):
        if not factor.is_numeric:
            raise SessionError(f"factor {factor.name!r}: a map needs two settings that are numbers")
    if across.name == up.name:
        raise SessionError(f"factor {across.name!r}: a map needs two different settings")
    x, y = across.name, up.name
    reading = NumberFormat.of(session, unit)
    window = fit.window(fabric) if window is None else window
    at = window.target if at is None else at
    settings = set_point_lines.map_settings(session, fabric, x, y, at)
    rates = fit.pass_rate(settings, fabric) if rates is None else rates

    shape = (set_point_lines.MAP_POINTS, set_point_lines.MAP_POINTS)
    xs = _read(reading, across, settings[x].to_numpy(dtype=float)).reshape(shape)
    ys = _read(reading, up, settings[y].to_numpy(dtype=float)).reshape(shape)
    level = rates["pass_rate"].to_numpy(dtype=float).reshape(shape)
    ax = axes_style.axes(ax, WIDTH, HEIGHT, (54, 58, 14, 46))
    ax.contourf(
        xs,
        ys,
        np.clip(level, 0, 1),
        levels=palette.RATE_LEVELS,
        colors=palette.RATE_COLOURS,
        zorder=1,
    )
    if level.min() < window.required < level.max():
        ax.contour(
            xs,
            ys,
            level,
            levels=[window.required],
            colors=[palette.INK],
            linewidths=1.4,
            linestyles="dashed",
            zorder=3,
        )
    width = (rates["high"] - rates["low"]).to_numpy(dtype=float).reshape(shape)[1::2, 1::2]
    unsure = width > _UNSURE
    ax.scatter(xs[1::2, 1::2][unsure], ys[1::2, 1::2][unsure], s=2.5, color=palette.QUIET, zorder=2)
    _limits(ax, fit, fabric, reading, across, up)
    _presses(ax, fit, fabric, reading, x, y, at)
    _box(ax, window, reading, across, up)
    axes_style.target_mark(ax, float(reading.value(across, at[x])), float(reading.value(up, at[y])))
    axes_style.few_ticks(ax.xaxis, ax.yaxis)
    axes_style.labels(ax, reading.title(across), reading.title(up))
    _scale(ax)
    return ax


def _read(reading: NumberFormat, factor: Any, values: Any) -> Any:
    return np.array([float(reading.value(factor, value)) for value in values])


def _limits(ax: Axes, fit: Fit, fabric: str, reading: NumberFormat, across: Any, up: Any) -> None:
    """Draw the fabric's range on both axes, grey beyond its heat limit."""
    for factor, horizontal in ((across, True), (up, False)):
        inside = heat.in_range(factor, fit.session.fabric(fabric))
        low, high = inside[0], inside[-1]
        top = fit.session.highest(factor, fabric)
        edges = [float(reading.value(factor, value)) for value in (low, top, high)]
        if horizontal:
            ax.set_xlim(edges[0], edges[2])
        else:
            ax.set_ylim(edges[0], edges[2])
        if top < high:
            span = ax.axvspan if horizontal else ax.axhspan
            span(edges[1], edges[2], color=palette.BAND, linewidth=0, zorder=2)
            middle, said = (edges[1] + edges[2]) / 2, "above heat limit"
            if horizontal:
                across = ax.get_xaxis_transform()
                axes_style.centred(ax, middle, 0.5, said, rotation=90, transform=across, zorder=4)
            else:
                up = ax.get_yaxis_transform()
                axes_style.centred(ax, 0.5, middle, said, transform=up, zorder=4)


def _presses(
    ax: Axes, fit: Fit, fabric: str, reading: NumberFormat, x: str, y: str, at: Mapping[str, Any]
) -> None:
    session = fit.session
    mine = fit.results[fit.results["fabric"] == fabric]
    if not len(mine):
        return
    across, up = session.factor(x), session.factor(y)
    close = set_point_lines.close_to(session, mine, at, (x, y))
    left, right = ax.get_xlim()
    bottom, top = ax.get_ylim()
    px, py = axes_style.spread_marks(
        _read(reading, across, mine[x]),
        _read(reading, up, mine[y]),
        0.022 * (right - left),
        0.022 * (top - bottom),
    )
    axes_style.marks(ax, px, py, verdict_of_presses(session, mine), close)


def _box(ax: Axes, window: Window, reading: NumberFormat, across: Any, up: Any) -> None:
    """Draw the window with a light casing, visible on every colour."""
    if window.low is None or window.high is None:
        return
    left, right = (
        float(reading.value(across, side[across.name])) for side in (window.low, window.high)
    )
    bottom, top = (float(reading.value(up, side[up.name])) for side in (window.low, window.high))
    for colour, thick in ((palette.PAPER, 4.5), (palette.WINDOW, 2.4)):
        axes_style.rectangle(
            ax,
            left,
            bottom,
            right - left,
            top - bottom,
            fill=False,
            edgecolor=colour,
            linewidth=thick,
            zorder=7,
            clip_on=False,
        )


def _scale(ax: Axes) -> None:
    """Draw the colour scale above the map, the same on every map."""
    strip = ax.inset_axes((0.0, 1.075, 1.0, 0.04))
    steps = len(palette.RATE_COLOURS)
    for i, colour in enumerate(palette.RATE_COLOURS):
        strip.axvspan(i, i + 1, color=colour, linewidth=0)
    strip.set_xlim(0, steps)
    strip.set_ylim(0, 1)
    strip.set_yticks([])
    strip.set_xticks(
        range(steps + 1),
        [f"{100 * level:.0f}" for level in palette.RATE_LEVELS],
        fontsize=axes_style.SMALL,
    )
    strip.xaxis.tick_top()
    strip.tick_params(length=0, pad=1, labelcolor=palette.INK)
    axes_style.note(strip, 0, 2.6, "passing, of 100", transform=strip.transAxes)
    for spine in strip.spines.values():
        spine.set_color(palette.QUIET)
        spine.set_linewidth(0.6)
    strip.set_facecolor("none")
