"""The operating characteristic of a confirmation: chance to confirm by true pass rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dtfexp.show.style import axes_style, palette

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.dialin.confirm.terms import Terms

WIDTH, HEIGHT = 360, 236


def operating_curve(terms: Terms, *, ax: Axes | None = None) -> Axes:
    """Draw the chance of confirmation against the true pass rate; returns the Axes.

    The shaded side is benches below the required rate, where the curve stays under one minus the
    confidence. A sequential plan is labelled with its average number of presses.
    """
    curve = terms.curve()
    ax = axes_style.axes(ax, WIDTH, HEIGHT, (46, 10, 14, 46))
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
        axes_style.note(
            ax,
            0.03,
            0.70,
            f"presses made on\naverage: {curve['presses'].iloc[good]:.0f}\nat {x[good]:.3g} of 100",
            transform=ax.transAxes,
            va="top",
        )
    axes_style.labels(ax, "true pass rate, of 100", "chance to be confirmed, of 100")
    return ax
