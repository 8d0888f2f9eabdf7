"""The window as bars: one row per setting with range, window and target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.describe import heat
from dtfexp.dialin.window.evidence import words_between
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat, label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window

WIDTH, ROW = 380, 62
NO_SETTINGS = "no settings: this fabric cannot be pressed"


def window_bars(
    window: Window, session: Session, *, unit: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw one bar per setting; returns the Axes.

    Each bar spans the fabric's allowed settings and ends at the heat limit. The window is the
    coloured part with its edges written, the diamond is the target. Without a window only the
    best-known set-point is marked; a fabric that cannot be pressed has no bars.
    """
    reading = NumberFormat.of(session, unit)
    if not window.target:
        ax = axes_style.axes(ax, WIDTH, ROW, (12, 4, 12, 4))
        ax.axis("off")
        axes_style.note(ax, 0, 0.5, NO_SETTINGS, fontsize=axes_style.TEXT, va="center")
        return ax
    count = len(session.factors)
    ax = axes_style.axes(ax, WIDTH, ROW * count + 8, (12, 4, 12, 4))
    ax.set_xlim(0, 1)
    ax.set_ylim(count, 0)
    ax.axis("off")
    for row, factor in enumerate(session.factors):
        axes_style.note(ax, 0, row + 0.2, label(factor.name), fontsize=axes_style.TEXT, va="center")
        axes_style.note(
            ax,
            1,
            row + 0.2,
            reading.text(factor, window.target[factor.name]),
            fontsize=axes_style.TEXT + 1,
            fontweight="bold",
            va="center",
            ha="right",
        )
        if factor.is_numeric:
            _numbers(ax, row + 0.52, factor, reading, window, Bar.of(session, factor, window))
        else:
            words = session.allowed(factor, window.fabric)
            _words(ax, row + 0.55, factor, window, words)
    return ax


@dataclass(frozen=True)
class Bar:
    """The lowest and highest setting of a bar; ``limited`` when it ends at the heat limit."""

    low: float
    high: float
    limited: bool

    @classmethod
    def of(cls, session: Session, factor: Factor, window: Window) -> Bar:
        """Return the allowed settings of a window's fabric."""
        allowed = session.allowed(factor, window.fabric)
        inside = heat.in_range(factor, session.fabric(window.fabric))
        return cls(float(allowed[0]), float(allowed[-1]), allowed[-1] < inside[-1])

    def place(self, value: float) -> float:
        """Return the position of a setting on the bar, 0 at its low and 1 at its high."""
        if self.high <= self.low:
            return 0.5
        return min(1.0, max(0.0, (float(value) - self.low) / (self.high - self.low)))

    def end(self, factor: Factor, reading: NumberFormat) -> str:
        """Return the high end as text."""
        return f"{reading.text(factor, self.high)}{', heat limit' if self.limited else ''}"


def _numbers(
    ax: Axes, y: float, factor: Factor, reading: NumberFormat, window: Window, bar: Bar
) -> None:
    half = 0.13
    axes_style.rectangle(ax, 0, y - half, 1, 2 * half, color=palette.BAND, linewidth=0, zorder=1)
    ends: dict[str, Any] = {"fontsize": axes_style.SMALL, "color": palette.QUIET, "va": "center"}
    ax.text(0, y + 0.28, reading.number(factor, bar.low), ha="left", **ends)
    ax.text(1, y + 0.28, bar.end(factor, reading), ha="right", **ends)
    target = bar.place(float(window.target[factor.name]))
    if window.low is not None and window.high is not None:
        left, right = (bar.place(s[factor.name]) for s in (window.low, window.high))
        axes_style.rectangle(
            ax,
            left,
            y - half,
            right - left,
            2 * half,
            facecolor=palette.WINDOW,
            edgecolor=palette.WINDOW,
            linewidth=1.5,
            zorder=2,
        )
        edge: dict[str, Any] = {
            "fontsize": axes_style.SMALL,
            "color": palette.INK,
            "va": "center",
            "zorder": 3,
        }
        texts = [reading.number(factor, s[factor.name]) for s in (window.low, window.high)]
        # Keep clear of the diamond; an edge at the end of the range is already written under it.
        left_text, right_text = min(left, target - 0.02) - 0.015, max(right, target + 0.02) + 0.015
        if left == right:
            texts = ["only this", ""] if right > 0.8 else ["", "only this"]
        if left > 0.1:
            ax.text(left_text, y, texts[0], ha="right", **edge)
        if right < 0.9:
            ax.text(right_text, y, texts[1], ha="left", **edge)
    axes_style.target_mark(ax, target, y, 11)


def _words(ax: Axes, y: float, factor: Factor, window: Window, words: tuple[str, ...]) -> None:
    """Draw words side by side, those of the window on the window's colour."""
    chosen: tuple[str, ...] = ()
    if window.low is not None and window.high is not None:
        chosen = words_between(factor.levels, window.low[factor.name], window.high[factor.name])
    share = 1 / len(words)
    room = max(3, int(WIDTH / 6.8 * share) - 1)
    for i, word in enumerate(words):
        fill = palette.WINDOW_FILL if word in chosen else "none"
        is_target = word == window.target[factor.name]
        axes_style.rectangle(
            ax,
            i * share + 0.005,
            y - 0.17,
            share - 0.01,
            0.34,
            facecolor=fill,
            edgecolor=palette.WINDOW if is_target else palette.FAINT,
            linewidth=2 if is_target else 0.8,
            zorder=2,
        )
        axes_style.note(
            ax,
            (i + 0.5) * share,
            y,
            word if len(word) <= room else word[: room - 1] + "…",
            ha="center",
            va="center",
            color=palette.INK if word in chosen or is_target else palette.QUIET,
            fontweight="bold" if is_target else "normal",
            zorder=3,
        )
