"""The power of a plan: smallest detectable effects, prediction error, confounding."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.dialin.design.plan_comparison import PlanComparison
    from dtfexp.dialin.evaluate.plan_check import PlanCheck

WIDTH, ROW, NAMES = 470, 23, 215
_TIED = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 1.0)
_MOST_ROWS, _LONGEST = 24, 38
_STRATA = {"oven load": palette.OVEN, "press round": palette.PRESS, "press": palette.HANDS}
_HATCH = {"oven load": "", "press round": "....", "press": "////"}


def detectable_effect_bars(check: PlanCheck, *, ax: Axes | None = None) -> Axes:
    """Draw the smallest detectable effect of every term in the model; returns the Axes.

    Short bars are good. The line is the effect worth detecting; the filling shows the unit in which
    the setting is changed: oven load, press round, or single press. Main effects come first; at
    most 24 effects are drawn.
    """
    rows = _rows(check)
    ax = axes_style.axes(ax, WIDTH, 66 + ROW * max(len(rows), 1), (NAMES, 22, 16, 44))
    most = 3.0 * check.assumed.effect
    ax.set_xlim(0, most)
    ax.set_ylim(max(len(rows), 1) - 0.5, -0.5)
    ax.set_yticks(range(len(rows)), [_name(row) for row in rows], parse_math=False)
    ax.tick_params(axis="y", length=0)
    axes_style.labels(ax, "smallest detectable effect, in grades", "")
    drawn = set()
    for y, row in enumerate(rows):
        smallest, stratum = float(row["smallest"]), str(row["stratum"])
        if row["fitted"]:
            ax.barh(
                y, min(smallest, most), height=0.62, facecolor=_STRATA[stratum], linewidth=0.6,
                edgecolor=palette.INK, hatch=_HATCH[stratum],
                label=None if stratum in drawn else f"set for each {stratum}",
            )  # fmt: skip
            drawn.add(stratum)
        beyond = smallest > most
        axes_style.note(
            ax,
            most * (0.985 if beyond else smallest / most + 0.015),
            y,
            _size_text(row),
            ha="right" if beyond else "left",
            va="center",
            bbox={"facecolor": palette.PAPER, "edgecolor": "none", "pad": 1.0},
            zorder=6,
        )
    ax.axvline(check.assumed.effect, color=palette.INK, linewidth=1.2, linestyle="dashed", zorder=4)
    if drawn:
        ax.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, frameon=False, borderpad=0.1,
            fontsize=axes_style.SMALL - 1, labelcolor=palette.INK, handlelength=1.2,
            columnspacing=1.0,
        )  # fmt: skip
    elif not rows:
        axes_style.empty(ax, "no effect can be estimated")
    return ax


def prediction_sd_curve(check: PlanCheck, *, ax: Axes | None = None) -> Axes:
    """Draw the prediction error over the tested range, best places first; returns the Axes."""
    ax = axes_style.axes(ax, 330, 220, (52, 12, 14, 46))
    axes_style.labels(ax, "share of the tested range, %", "prediction error ±, in grades")
    table = check.variance
    ax.set_xlim(0, 100)
    if not len(table):
        ax.set_yticks([])
        axes_style.empty(ax, "no effect can be estimated")
        return ax
    sd = table["sd"].to_numpy(dtype=float)
    ax.plot(100 * table["share_of_range"], sd, color=palette.WINDOW, linewidth=2.2)
    ax.set_ylim(0, max(1.05 * float(sd[-1]), check.assumed.noise))
    ax.axhline(check.assumed.noise, color=palette.QUIET, linewidth=1, linestyle="dashed")
    axes_style.note(
        ax, 99, check.assumed.noise, "one press alone", ha="right", va="bottom", color=palette.QUIET
    )
    return ax


def correlation_map(check: PlanCheck, *, ax: Axes | None = None) -> Axes:
    """Draw the correlation between effects (absolute value); returns the Axes.

    Dark off the diagonal: the two effects can hardly be separated in these presses.
    """
    from matplotlib.colors import BoundaryNorm, ListedColormap

    table = check.correlation
    count = max(len(table), 1)
    side = 16 * count
    ax = axes_style.axes(ax, NAMES + side + 12, NAMES + side + 12, (NAMES, 12, 12, NAMES))
    ax.set_xlim(0, count)
    ax.set_ylim(count, 0)
    if not len(table):
        ax.set_xticks([])
        ax.set_yticks([])
        axes_style.empty(ax, "no effect can be estimated")
        return ax
    colours = ListedColormap(palette.RATE_COLOURS)
    ax.pcolormesh(
        np.arange(count + 1), np.arange(count + 1), np.abs(table.to_numpy(dtype=float)),
        cmap=colours, norm=BoundaryNorm(_TIED, colours.N), edgecolors=palette.PAPER, linewidth=0.6,
    )  # fmt: skip
    names = [label(str(name)) for name in table.columns]
    ax.set_xticks(np.arange(count) + 0.5, names, rotation=90, parse_math=False)
    ax.set_yticks(np.arange(count) + 0.5, names, parse_math=False)
    ax.tick_params(length=0)
    return ax


def plans_chart(comparison: PlanComparison, *, ax: Axes | None = None) -> Axes:
    """Draw plans by their hours and by the effect they may miss; returns the Axes.

    Left is cheap, low is sensitive. The effect is that of the least detectable setting; plans that
    could miss an effect of any size are at the top.
    """
    table = comparison.table
    ax = axes_style.axes(ax, 470, 300, (56, 16, 16, 46))
    axes_style.labels(ax, "hours of a person", "effect that may be missed, in grades")
    size = table["own_smallest"].to_numpy(dtype=float)
    known = size[np.isfinite(size)]
    top = min(1.15 * float(known.max()), 6.0) if len(known) else 1.0
    hours = table["hours"].to_numpy(dtype=float)
    y = np.minimum(np.where(np.isfinite(size), size, top), top)
    ax.set_xlim(0, max(1.9 * float(hours.max()), 1.0))
    ax.set_ylim(0, 1.12 * top)
    ax.axhline(
        next(iter(comparison.checks.values())).assumed.effect,
        color=palette.INK, linewidth=1.2, linestyle="dashed",
    )  # fmt: skip
    sure = np.isfinite(size) & (size <= top)
    for here, marker in ((sure, "o"), (~sure, "^")):
        ax.scatter(
            hours[here], y[here], marker=marker, s=46, zorder=5, facecolor=palette.WINDOW,
            edgecolor=palette.PAPER,
        )  # fmt: skip
    lines = np.full(len(table), -np.inf)
    for place in np.argsort(y, kind="stable"):
        # Keep each name one line above those already written.
        lines[place] = max(float(y[place]), float(lines.max()) + 0.065 * top)
        ax.annotate(
            str(table["plan"].iloc[place]), (hours[place], y[place]), xytext=(
                hours[place] + 0.04 * ax.get_xlim()[1], lines[place]
            ), va="center", fontsize=axes_style.SMALL, color=palette.INK, parse_math=False,
            arrowprops={"arrowstyle": "-", "color": palette.FAINT, "shrinkA": 0, "shrinkB": 3},
        )  # fmt: skip
    return ax


def figure_text(check: PlanCheck) -> str:
    """Return the bars as text, the alternative to the picture."""
    sizes = [f"{_name(row)} {_size_text(row)}" for row in _rows(check)]
    return f"Smallest detectable effect, in grades: {'; '.join(sizes) or 'none'}."


def _rows(check: PlanCheck) -> list[dict[str, Any]]:
    """Return the effects of settings in the model, then main effects no model can estimate."""
    table = check.terms
    order = {"own": 0, "bend": 1, "joint": 2}
    rows = [
        row | {"smallest": row["smallest"] if row["fitted"] else np.inf}
        for row in table.to_dict("records")
        if row["kind"] in order and (row["fitted"] or row["kind"] == "own")
    ]
    return sorted(rows, key=lambda row: order[row["kind"]])[:_MOST_ROWS]


def _name(row: dict[str, Any]) -> str:
    name = label(str(row["term"]))
    name = f"{name[:-1]}, middle" if row["kind"] == "bend" else name.replace(" × ", " with ")
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _size_text(row: dict[str, Any]) -> str:
    if not row["fitted"]:
        return "hidden behind another"
    return f"{row['smallest']:.1f}" if np.isfinite(row["smallest"]) else "not separable from luck"
