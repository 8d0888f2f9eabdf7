"""The pass rate along one setting, the others fixed, and at every press of a fabric."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import heat
from dtfexp.dialin.confirm.press_verdicts import FAILED, PASSED, verdict_of_presses
from dtfexp.dialin.encode import set_point_lines
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.window.window import Window

WIDTH, HEIGHT = 340, 236


def curve(
    fit: Fit,
    fabric: str,
    factor: str,
    at: Mapping[str, Any] | None = None,
    *,
    window: Window | None = None,
    rates: pd.DataFrame | None = None,
    unit: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the expected pass rate along one setting with its 90 % interval; returns the Axes.

    ``at``: the set-point of the curve (default the window's target). ``window``: its span is shaded
    (default ``fit.window(fabric)``). ``rates``: ``fit.pass_rate`` of
    ``set_point_lines.curve_settings`` for the same arguments, when known. Marks at the top and
    bottom are presses that passed and failed, large where their other settings were near. Raises
    ``SessionError`` for an unknown name.
    """
    session = fit.session
    moving = session.factor(factor)
    reading = NumberFormat.of(session, unit)
    window = fit.window(fabric) if window is None else window
    at = window.target if at is None else at
    settings = set_point_lines.curve_settings(session, fabric, moving.name, at)
    rates = fit.pass_rate(settings, fabric) if rates is None else rates
    ax = axes_style.axes(ax, WIDTH, HEIGHT, (46, 10, 14, 46))
    axes_style.percent_axis(ax)
    ax.axhline(window.required, color=palette.QUIET, linewidth=1, linestyle="dashed", zorder=1)
    mine = fit.results[fit.results["fabric"] == fabric]
    close = set_point_lines.close_to(session, mine, at, (moving.name,))
    if moving.is_numeric:
        inside = heat.in_range(moving, session.fabric(fabric))
        _numbers(ax, moving, reading, window, at, inside, settings, rates)
        places = np.array([float(reading.value(moving, v)) for v in mine[moving.name]])
        reach = 0.012 * (ax.get_xlim()[1] - ax.get_xlim()[0])
    else:
        _words(ax, moving, window, at, list(settings[moving.name]), rates)
        places = np.array([float(moving.levels.index(v)) for v in mine[moving.name]])
        reach = 0.05
    _presses(ax, places, verdict_of_presses(session, mine), close, reach)
    axes_style.labels(ax, reading.title(moving), "passing, of 100")
    return ax


def _numbers(
    ax: Axes,
    factor: Factor,
    reading: NumberFormat,
    window: Window,
    at: Mapping[str, Any],
    inside: tuple[float, ...],
    settings: pd.DataFrame,
    rates: pd.DataFrame,
) -> None:
    x = np.array([float(reading.value(factor, value)) for value in settings[factor.name]])
    ends = [float(reading.value(factor, inside[k])) for k in (0, -1)]
    if window.low is not None and window.high is not None:
        low, high = (
            float(reading.value(factor, side[factor.name])) for side in (window.low, window.high)
        )
        ax.axvspan(low, high, color=palette.WINDOW_FILL, linewidth=0, zorder=0)
    if alone := window.alone.get(factor.name):
        # As in the bars: the curve crosses the required rate where the whisker ends.
        ax.plot(
            [float(reading.value(factor, end)) for end in alone], [window.required] * 2,
            color=palette.WINDOW, linewidth=2, marker="|", markersize=9, zorder=3,
        )  # fmt: skip
    if x[-1] < ends[1]:
        ax.axvspan(x[-1], ends[1], color=palette.BAND, linewidth=0, zorder=0)
        axes_style.centred(ax, (x[-1] + ends[1]) / 2, 0.5, "above heat limit", rotation=90)
    ax.fill_between(x, rates["low"], rates["high"], color=palette.FAINT, alpha=0.75, linewidth=0)
    ax.plot(x, rates["pass_rate"], color=palette.INK, linewidth=2.2, zorder=4)
    ax.set_xlim(ends[0], ends[1])
    axes_style.few_ticks(ax.xaxis)
    here = float(reading.value(factor, at[factor.name]))
    height = float(np.interp(here, x, rates["pass_rate"].to_numpy(dtype=float)))
    axes_style.target_mark(ax, here, height, 9)


def _words(
    ax: Axes,
    factor: Factor,
    window: Window,
    at: Mapping[str, Any],
    words: list[str],
    rates: pd.DataFrame,
) -> None:
    x = np.array([factor.levels.index(word) for word in words])
    if window.low is not None and window.high is not None:
        low, high = (factor.levels.index(s[factor.name]) for s in (window.low, window.high))
        ax.axvspan(low - 0.4, high + 0.4, color=palette.WINDOW_FILL, linewidth=0, zorder=0)
    middle = rates["pass_rate"].to_numpy(dtype=float)
    ax.vlines(x, rates["low"], rates["high"], color=palette.QUIET, linewidth=3, zorder=3)
    ax.plot(x, middle, marker="o", markersize=8, color=palette.INK, linestyle="none", zorder=4)
    ax.set_xlim(-0.6, len(factor.levels) - 0.4)
    room = max(4, int(WIDTH / 7.5 / len(factor.levels)))
    names = [w if len(w) <= room else w[: room - 1] + "…" for w in factor.levels]
    ax.set_xticks(np.arange(len(names)), names, parse_math=False)
    here = factor.levels.index(at[factor.name])
    axes_style.target_mark(ax, here, float(np.interp(here, x, middle)), 9)


def _presses(ax: Axes, x: np.ndarray[Any, Any], words: list[str], close: Any, reach: float) -> None:
    """Draw passed presses along the top, failed along the bottom, side by side on one spot."""
    if not len(x):
        return
    height = np.array([{PASSED: 1.0, FAILED: 0.0}.get(word, np.nan) for word in words])
    shown = ~np.isnan(height)
    seen: dict[tuple[float, float], int] = {}
    x = x.astype(float).copy()
    for i in np.flatnonzero(shown):
        spot = (float(x[i]), float(height[i]))
        place = seen.get(spot, 0)
        seen[spot] = place + 1
        x[i] += reach * ((place + 1) // 2) * (1 if place % 2 else -1)
    rim = np.where(height > 0.5, 1.035, -0.035)
    axes_style.marks(
        ax, x[shown], rim[shown], [w for w, s in zip(words, shown, strict=True) if s], close[shown]
    )
