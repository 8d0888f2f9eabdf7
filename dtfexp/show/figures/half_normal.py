"""The half-normal figure of all effects."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dtfexp.maths.linear.variance_components import half_normal
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


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
