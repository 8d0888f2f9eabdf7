"""Figures of rows with intervals (setting shares, batch effects, grades), and of all effects."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from dtfexp.maths.linear.variance_components import half_normal
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

WIDTH, ROW = 380, 26
MOST_ROWS = 24
"""Most rows of the figure of batch effects; the largest are shown."""


class _Row(NamedTuple):
    """A row's label, its dot, the ends of its bar, and whether it stands out."""

    name: str
    dot: float
    low: float
    high: float
    odd: bool = False


def sobol_bars(shares: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw ``Fit.shares``, the share of each setting in passing or failing; returns the Axes.

    Dots are the expected total shares (interactions included), bars their 90 % bounds, in per cent.
    """
    told = 100 * shares[["in_all", "in_all_low", "in_all_high"]]
    rows = [
        _Row(label(str(name)), row.iloc[0], row.iloc[1], row.iloc[2])
        for name, row in told.iterrows()
    ]
    ax = _interval_figure(rows, "share of what decides pass or fail (%)", ax)
    ax.set_xlim(-2, 102)
    return ax


def batch_effect_bars(luck: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw ``Fit.batch_effects``, at most ``MOST_ROWS`` rows, in grades with 90 % bounds.

    Right of the line came out better than the settings explain. Rows whose bounds exclude 0 have
    the colour of failing and a square. Returns the Axes.
    """
    shown = largest_effects(luck)
    rows = [
        _Row(
            f"{row['kind']} {row['number']}", row["effect"], row["low"], row["high"],
            bool(row["stands_out"]),
        )
        for row in shown.to_dict("records")
    ]  # fmt: skip
    ax = _interval_figure(rows, "luck (grades; above 0 is better)", ax)
    ax.axvline(0, color=palette.LIMIT, linewidth=1, zorder=0)
    return ax


def grades_chart(checked: pd.DataFrame, outcome: str, *, ax: Axes | None = None) -> Axes:
    """Draw ``Fit.check_grades`` of one outcome: observed counts against their 95 % intervals.

    The dot is the observed count, the bar its predicted interval; a count outside has the colour of
    failing and a square. Returns the Axes.
    """
    mine = checked[checked["outcome"] == outcome]
    rows = [
        _Row(
            f"{label(outcome)} {row['grade']}", row["observed"], row["low"], row["high"],
            not row["as_predicted"],
        )
        for row in mine.to_dict("records")
    ]  # fmt: skip
    return _interval_figure(rows, "grades (dot: observed; bar: predicted)", ax)


def largest_effects(luck: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``Fit.batch_effects`` that are shown, in their own order."""
    if len(luck) <= MOST_ROWS:
        return luck
    first = luck["effect"].abs().sort_values(ascending=False, kind="stable").index[:MOST_ROWS]
    return luck.loc[luck.index.isin(first)]


def _interval_figure(rows: Sequence[_Row], given: str, ax: Axes | None) -> Axes:
    ax = axes_style.axes(ax, WIDTH, ROW * len(rows) + 56, (130, 8, 14, 44))
    for y, row in enumerate(rows):
        colour = palette.FAIL if row.odd else palette.WINDOW
        ax.plot([row.low, row.high], [y, y], color=palette.LIMIT, linewidth=5, alpha=0.55, zorder=1)
        ax.plot(
            [row.dot], [y], linestyle="none", marker="s" if row.odd else "o", markersize=7,
            markerfacecolor=colour, markeredgecolor=palette.PAPER, zorder=2,
        )  # fmt: skip
    names = [row.name if len(row.name) <= 20 else f"{row.name[:19]}…" for row in rows]
    ax.set_yticks(range(len(rows)), names, parse_math=False)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    axes_style.few_ticks(ax.xaxis)
    axes_style.labels(ax, given, "")
    return ax


def half_normal_plot(effects: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw the sizes of effects against half-normal quantiles; returns the Axes.

    ``effects``: ``Fit.effects``; the stratum with the most effects that have a margin is drawn,
    each in units of Lenth's margin. Effects of chance alone lie on a line through the corner; those
    above the dashed line at 1 stand out and are named.
    """
    ax = axes_style.axes(ax, 380, 290, (52, 12, 14, 46))
    known = effects[effects["margin"].notna() & effects["effect"].notna()]
    axes_style.labels(ax, "size expected by chance", "size, in margins of error")
    if known.empty:
        axes_style.empty(ax, "needs a two-level plan with five effects")
        return ax
    own = known[known["stratum"] == known["stratum"].mode().iloc[0]]
    size = (own["effect"].abs() / own["margin"]).to_numpy(dtype=float)
    order = np.argsort(size, kind="stable")
    x = half_normal(len(size))
    ax.axhline(1.0, color=palette.LIMIT, linewidth=1.0, linestyle="dashed", zorder=1)
    ax.scatter(x, size[order], s=30, color=palette.WINDOW, edgecolor=palette.PAPER, zorder=3)
    ax.set_xlim(0, 1.12 * float(x[-1]))
    ax.set_ylim(0, 1.15 * max(float(size.max()), 1.0))
    for place, row in zip(x, order, strict=True):
        if size[row] > 1.0:
            ax.annotate(
                label(str(own["term"].iloc[row])), (place, size[row]), xytext=(-6, 0), ha="right",
                textcoords="offset points", va="center", fontsize=axes_style.SMALL,
                color=palette.INK,
                parse_math=False,
            )  # fmt: skip
    return ax
