"""Confirmation and watch as pictures: how a bench is judged, what fails each day, the alarm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dtfexp.show.style import axes_style, palette

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.dialin.confirm.terms import Terms
    from dtfexp.dialin.monitor.watch import Watch

WIDTH, HEIGHT = 460, 220


def failing_days(watch: Watch, *, ax: Axes | None = None) -> Axes:
    """Draw each day's failing share with its 90 % interval; excluded days are hollow.

    The dashed line is the usual share; days of a standing alarm are shaded. Returns the Axes.
    """
    days = watch.days
    ax = axes_style.axes(ax, WIDTH, HEIGHT, (46, 10, 14, 46))
    x = np.arange(len(days), dtype=float)
    share = 100.0 * days["share"].to_numpy(dtype=float)
    counted = days["counted"].to_numpy(dtype=bool)
    ax.vlines(x, 100 * days["low"], 100 * days["high"], color=palette.FAINT, linewidth=3, zorder=1)
    ax.scatter(x[counted], share[counted], s=20, color=palette.INK, zorder=4)
    hollow: dict[str, Any] = {"facecolor": palette.PAPER, "edgecolor": palette.PENDING}
    ax.scatter(x[~counted], share[~counted], s=20, zorder=4, **hollow)
    ax.axhline(100 * watch.usual, color=palette.QUIET, linewidth=1, linestyle="dashed", zorder=2)
    _shade(ax, watch)
    top = np.nanmax(share) if np.isfinite(share).any() else 10.0
    ax.set_ylim(-1.0, max(10.0, 1.25 * float(top)))
    _days_axis(ax, watch)
    axes_style.labels(ax, "", "failing, of 100")
    return ax


def alarm_sum(watch: Watch, *, ax: Axes | None = None) -> Axes:
    """Draw the sum day by day with its limit (dashed); a cross marks the day of an alarm."""
    days = watch.days
    ax = axes_style.axes(ax, WIDTH, HEIGHT, (46, 10, 14, 46))
    x = np.arange(len(days), dtype=float)
    score = days["score"].to_numpy(dtype=float)
    known = np.isfinite(score)
    ax.plot(x[known], score[known], color=palette.INK, linewidth=2.0, zorder=3)
    ax.axhline(watch.limit, color=palette.FAIL, linewidth=1.2, linestyle="dashed", zorder=2)
    look: dict[str, Any] = {"va": "bottom", "color": palette.FAIL}
    across = ax.get_yaxis_transform()
    axes_style.note(ax, 0.01, watch.limit, " alarm from here", transform=across, **look)
    _shade(ax, watch)
    raised = days["alarm"].to_numpy(dtype=bool)
    cross: dict[str, Any] = {"marker": "X", "color": palette.FAIL, "edgecolor": palette.PAPER}
    ax.scatter(x[raised], score[raised], s=60, zorder=6, **cross)
    top = float(np.nanmax(score)) if known.any() else 0.0
    ax.set_ylim(0.0, 1.25 * max(float(watch.limit), top))
    _days_axis(ax, watch)
    axes_style.labels(ax, "", "more failing than usual, summed")
    return ax


def _shade(ax: Axes, watch: Watch) -> None:
    names = watch.days["day"].tolist()
    for alarm in watch.alarms:
        first = names.index(alarm.since)
        last = names.index(alarm.until) if alarm.until else len(names) - 1
        ax.axvspan(first - 0.5, last + 0.5, color=palette.BAND, linewidth=0, zorder=0)


def _days_axis(ax: Axes, watch: Watch) -> None:
    names = watch.days["day"].tolist()
    ax.set_xlim(-0.8, max(len(names), 1) - 0.2)
    every = max(1, -(-len(names) // 5))
    ax.set_xticks(range(0, len(names), every), names[::every])


def operating_curve(terms: Terms, *, ax: Axes | None = None) -> Axes:
    """Draw the chance of confirmation against the true pass rate; returns the Axes.

    The shaded side is benches below the required rate, where the curve stays under one minus the
    confidence. A sequential plan is labelled with its average number of presses.
    """
    curve = terms.curve()
    ax = axes_style.axes(ax, 360, 236, (46, 10, 14, 46))
    axes_style.percent_axis(ax)
    x = 100.0 * curve["pass_rate"].to_numpy(dtype=float)
    ax.axvspan(float(x[0]), 100.0 * terms.pass_rate, color=palette.BAND, linewidth=0, zorder=0)
    ax.plot(x, curve["confirmed"], color=palette.INK, linewidth=2.2, zorder=4)
    risk = 1.0 - terms.confidence
    ax.axhline(risk, color=palette.QUIET, linewidth=1, linestyle="dashed", zorder=1)
    ax.set_xlim(float(x[0]), 100.0)
    axes_style.few_ticks(ax.xaxis)
    axes_style.note(ax, 0.03, 0.94, "below the\nrequired rate", transform=ax.transAxes, va="top")
    if terms.sequential:
        good = int(np.argmin(np.abs(x - 100.0 * (1.0 - 0.25 * (1.0 - terms.pass_rate)))))
        made = f"presses made on\naverage: {curve['presses'].iloc[good]:.0f}"
        said = f"{made}\nat {x[good]:.3g} of 100"
        axes_style.note(ax, 0.03, 0.70, said, transform=ax.transAxes, va="top")
    axes_style.labels(ax, "true pass rate, of 100", "chance to be confirmed, of 100")
    return ax
