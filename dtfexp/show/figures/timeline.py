"""The timeline of a plan as bars: oven, press and hands, minute by minute."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dtfexp.show.style import axes_style, palette

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from dtfexp.dialin.design.plan import Plan

WIDTH, HEIGHT = 720, 190
_LANES = {"hands": 0.0, "press": 1.0, "oven": 2.0}
_WORKING = {"hands": palette.HANDS, "press": palette.PRESS, "oven": palette.OVEN}
_SETTING = ("warm-up", "change-over")
_TALL = 0.62


def timeline_chart(plan: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw a plan's timeline, one lane each for hands, press and oven; returns the Axes.

    Solid bars are work, hatched bars heating or cooling, hollow bars waiting. The numbers are those
    of the presses and oven loads; blocks (days) follow one another.
    """
    steps = plan.timeline()
    ax = axes_style.axes(ax, WIDTH, HEIGHT, (46, 22, 10, 44))
    ax.spines["left"].set_visible(False)
    end = float(steps["end"].max()) if len(steps) else 1.0
    ax.set_xlim(0, end)
    ax.set_ylim(2.55, -0.55)
    ax.set_yticks(list(_LANES.values()), list(_LANES))
    ax.tick_params(axis="y", length=0)
    axes_style.few_ticks(ax.xaxis, most=12)
    axes_style.labels(
        ax, "minutes from switching on  (hatched: heating or cooling, hollow: waiting)", ""
    )
    for lane, y in _LANES.items():
        mine = steps[steps["at"] == lane]
        _bars(ax, mine[~mine["what"].isin([*_SETTING, "wait"])], y, facecolor=_WORKING[lane],
              edgecolor=_WORKING[lane], linewidth=0.6)  # fmt: skip
        _bars(ax, mine[mine["what"].isin(_SETTING)], y, facecolor=palette.PAPER, linewidth=0.8,
              edgecolor=_WORKING[lane], hatch="////")  # fmt: skip
        _bars(ax, mine[mine["what"] == "wait"], y, facecolor="none", linewidth=0.8,
              edgecolor=palette.LIMIT)  # fmt: skip
    _numbers(ax, steps[steps["what"] == "press"], "press", _LANES["press"], end)
    _numbers(ax, steps[steps["what"] == "cure"], "oven_load", _LANES["oven"], end)
    _days(ax, plan, steps)
    return ax


def timeline_text(plan: Plan) -> str:
    """Return the chart as text, the alternative to the picture."""
    steps = plan.timeline()
    end = float(steps["end"].max()) if len(steps) else 0.0
    changes = steps[steps["what"] == "change-over"]["at"].value_counts()
    return (
        f"{len(plan.runs)} presses in {end:.0f} minutes; the oven changes temperature "
        f"{int(changes.get('oven', 0))} times, the press {int(changes.get('press', 0))} times."
    )


def _bars(ax: Axes, steps: pd.DataFrame, y: float, **look: Any) -> None:
    spans = list(zip(steps["start"], steps["end"] - steps["start"], strict=True))
    ax.broken_barh(spans, (y - _TALL / 2, _TALL), **look)


def _numbers(ax: Axes, steps: pd.DataFrame, column: str, y: float, end: float) -> None:
    """Draw numbers under the bars, omitting those that would overlap."""
    last = -end
    for row in steps.sort_values("start").to_dict("records"):
        middle = (row["start"] + row["end"]) / 2
        if middle - last < 0.017 * end:
            continue
        axes_style.centred(ax, middle, y + 0.46, str(row[column]), fontsize=axes_style.SMALL - 2)
        last = middle


def _days(ax: Axes, plan: Plan, steps: pd.DataFrame) -> None:
    """Draw the names of the blocks above their warm-ups."""
    if "block" not in plan.runs:
        return
    starts = steps[(steps["what"] == "warm-up") & (steps["at"] == "oven")]["start"]
    for start, label in zip(starts, dict.fromkeys(plan.runs["block"]), strict=False):
        ax.axvline(start, color=palette.QUIET, linewidth=0.8)
        axes_style.note(ax, start, -0.62, f" {label}", ha="left", va="bottom")
