"""Every press of a fabric in the order made, with its expected pass rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dtfexp.dialin.confirm.press_verdicts import verdict_of_presses
from dtfexp.show.style import axes_style, palette

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.dialin.fit import Fit

WIDTH, HEIGHT = 380, 230


def presses_chart(
    fit: Fit, fabric: str, *, rates: pd.DataFrame | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the expected pass rate of each press, marked by its verdict.

    ``rates``: ``fit.pass_rate`` at the settings of the fabric's presses, in the order of
    ``fit.results``, when known. Returns the Axes.
    """
    session = fit.session
    mine = fit.results[fit.results["fabric"] == fabric]
    if rates is None:
        rates = fit.pass_rate(mine[[factor.name for factor in session.factors]], fabric)
    ax = axes_style.axes(ax, max(WIDTH, 50 + 9 * len(mine)), HEIGHT, (46, 10, 14, 46))
    axes_style.percent_axis(ax)
    axes_style.labels(ax, "press, in the order made", "passing, of 100: expected")
    x = np.arange(len(mine), dtype=float)
    if not len(mine):
        ax.set_xticks([])
        axes_style.empty(ax, "no presses yet")
        return ax
    ax.vlines(x, rates["low"], rates["high"], color=palette.FAINT, linewidth=3.5, zorder=1)
    axes_style.marks(
        ax,
        x,
        rates["pass_rate"].to_numpy(dtype=float),
        verdict_of_presses(session, mine),
        np.ones(len(mine), dtype=bool),
    )
    ax.set_xlim(-0.8, len(mine) - 0.2)
    every = max(1, -(-len(mine) // 10))
    presses = mine["press"].tolist()
    ax.set_xticks(x[::every], [str(press) for press in presses[::every]])
    return ax
