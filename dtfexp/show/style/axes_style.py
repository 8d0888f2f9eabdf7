"""The plain look of all figures, independent of a notebook's style."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.dialin.confirm.press_verdicts import EXCLUDED, FAILED, PASSED, PLANNED, WAITING
from dtfexp.show.style import palette
from dtfexp.show.style.svg import figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

SMALL, TEXT = 9.5, 11.0
"""Font sizes in points of a figure 330 to 380 pixels wide, legible on a telephone."""

_MARKS: dict[str, dict[str, Any]] = {
    PASSED: {"marker": "o", "s": 34, "facecolor": palette.PASS, "edgecolor": palette.PAPER},
    FAILED: {"marker": "X", "s": 44, "facecolor": palette.FAIL, "edgecolor": palette.PAPER},
    WAITING: {"marker": "^", "s": 34, "facecolor": palette.PAPER, "edgecolor": palette.PENDING},
    PLANNED: {"marker": "s", "s": 22, "facecolor": palette.PAPER, "edgecolor": palette.PENDING},
    EXCLUDED: {"marker": "s", "s": 22, "facecolor": palette.QUIET, "edgecolor": palette.PAPER},
}


def axes(
    ax: Axes | None, width: float, height: float, box: tuple[float, float, float, float]
) -> Axes:
    """Return the given Axes, else new ones on their own figure.

    ``width``, ``height``: CSS pixels; ``box``: left, top, right and bottom margins of the drawing,
    in pixels.
    """
    if ax is None:
        left, top, right, bottom = box
        inner = (width - left - right, height - top - bottom)
        ax = figure(width, height).add_axes(
            (left / width, bottom / height, inner[0] / width, inner[1] / height)
        )
    ax.set_facecolor("none")
    ax.grid(False)
    for name, spine in ax.spines.items():
        spine.set_visible(name in ("left", "bottom"))
        spine.set_color(palette.QUIET)
        spine.set_linewidth(0.8)
    ax.tick_params(
        colors=palette.QUIET, labelcolor=palette.INK, labelsize=SMALL, length=3, width=0.8
    )
    return ax


def note(ax: Axes, x: float, y: float, text: str, **look: Any) -> None:
    """Write small text in a drawing; a dollar sign in a name is no formula."""
    ax.text(x, y, text, **{"fontsize": SMALL, "color": palette.INK, "parse_math": False, **look})


def centred(ax: Axes, x: float, y: float, text: str, **look: Any) -> None:
    """Write small text centred on a place."""
    note(ax, x, y, text, ha="center", va="center", **look)


def empty(ax: Axes, why: str) -> None:
    """Write in the middle why nothing is drawn."""
    centred(ax, 0.5, 0.5, why, transform=ax.transAxes, color=palette.QUIET, fontsize=TEXT)


def rectangle(ax: Axes, x: float, y: float, width: float, height: float, **look: Any) -> None:
    """Draw a rectangle with its lower left corner at x, y."""
    from matplotlib.patches import Rectangle

    ax.add_patch(Rectangle((x, y), width, height, **look))


def labels(ax: Axes, x: str, y: str) -> None:
    """Set axis labels in the shared size; a dollar sign in a name is no formula."""
    ax.set_xlabel(x, fontsize=TEXT, color=palette.INK, parse_math=False)
    ax.set_ylabel(y, fontsize=TEXT, color=palette.INK, parse_math=False)


def few_ticks(*axes: Axis, most: int = 6) -> None:
    """Set at most ``most`` round numbers on an axis."""
    from matplotlib.ticker import MaxNLocator

    for axis in axes:
        axis.set_major_locator(MaxNLocator(nbins=most, steps=[1, 2, 5, 10]))


def percent_axis(ax: Axes) -> None:
    """Set the y axis of a pass rate, always 0 to 100 %."""
    ax.set_ylim(-0.06, 1.06)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "25", "50", "75", "100"])


def marks(
    ax: Axes, x: NDArray[Any], y: NDArray[Any], words: Sequence[str], close: NDArray[np.bool_]
) -> None:
    """Draw presses by their verdict; those far from what is drawn are small and pale."""
    for word, look in _MARKS.items():
        of_kind = np.array([w == word for w in words], dtype=bool)
        for is_close in (False, True):
            here = of_kind & (close == is_close)
            if not here.any():
                continue
            shown = look if is_close else {**look, "s": look["s"] * 0.4, "alpha": 0.6}
            rim = 1.0 if is_close or look["facecolor"] == palette.PAPER else 0.0
            ax.scatter(x[here], y[here], linewidth=rim, zorder=5 + is_close, **shown)


def spread_marks(
    x: NDArray[np.float64], y: NDArray[np.float64], dx: float, dy: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return positions of presses on one spot, spread round it (by dx, dy) to be counted.

    The first stays where it is; later ones go round it in rings of six.
    """
    seen: dict[tuple[float, float], int] = {}
    x, y = x.astype(float).copy(), y.astype(float).copy()
    for i, spot in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        place = seen.get(spot, 0)
        seen[spot] = place + 1
        if place:
            ring, step = divmod(place - 1, 6)
            turn = np.pi * (step / 3 + ring / 6)
            x[i] += dx * (ring + 1) * np.cos(turn)
            y[i] += dy * (ring + 1) * np.sin(turn)
    return x, y


def target_mark(ax: Axes, x: float, y: float, size: float = 11) -> None:
    """Draw the target as a diamond, the same in every figure."""
    ax.plot(
        [x], [y], marker="D", markersize=size, markerfacecolor=palette.INK, linestyle="none",
        markeredgecolor=palette.PAPER, markeredgewidth=1.6, zorder=9, clip_on=False,
    )  # fmt: skip
