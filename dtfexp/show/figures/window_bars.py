"""The window as bars: one row per setting with range, alone, window, proven core and target."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

from dtfexp.describe import heat
from dtfexp.dialin.window.evidence import words_between
from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat, label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.fabric import Fabric
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window

WIDTH, ROW = 380, 74
RANGE, ALONE, WINDOW, CORE, TARGET = "range", "alone", "window", "core", "target"
NO_SETTINGS = "no settings: this fabric cannot be pressed"


def window_bars(
    window: Window, session: Session, *, unit: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw one bar per setting; returns the Axes.

    Each bar spans the fabric's allowed settings and ends at the heat limit. The pale part is the
    window with its edges written, the dark part is proven, the whisker reaches as far as the
    setting may be off alone, the diamond is the target (``bars_key``). Without a window only the
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
        name, target = label(factor.name), reading.text(factor, window.target[factor.name])
        axes_style.note(ax, 0, row + 0.14, name, fontsize=axes_style.TEXT, va="center")
        bold: dict[str, Any] = {"fontsize": axes_style.TEXT + 1, "fontweight": "bold"}
        axes_style.note(ax, 1, row + 0.14, target, va="center", ha="right", **bold)
        if factor.is_numeric:
            _numbers(ax, row + 0.62, factor, reading, window, Bar.of(session, factor, window))
        else:
            words = session.allowed(factor, window.fabric)
            _words(ax, row + 0.55, factor, window, words)
    return ax


class Part(NamedTuple):
    """One part of a bar between two places, 0 to 1 along the bar."""

    kind: str
    left: float
    right: float


@dataclass(frozen=True)
class Bar:
    """One setting of a window as a bar, the same on paper, page and in a notebook.

    ``low``, ``high``: the settings at its ends; ``limited_by``: the fabric whose heat limit ends
    it, else None; ``parts``: from the back to the front, so that the whisker of the setting alone
    stands out of the window where it reaches further.
    """

    low: float
    high: float
    limited_by: Fabric | None
    parts: tuple[Part, ...] = ()

    @classmethod
    def of(cls, session: Session, factor: Factor, window: Window) -> Bar:
        """Return the allowed settings of a window's fabric, and the parts on them."""
        allowed = session.allowed(factor, window.fabric)
        fabric = session.fabric(window.fabric)
        limited = allowed[-1] < heat.in_range(factor, fabric)[-1]
        bar = cls(float(allowed[0]), float(allowed[-1]), fabric if limited else None)
        name = factor.name
        spans = {
            ALONE: window.alone.get(name),
            WINDOW: _ends(window.low, window.high, name),
            CORE: _ends(window.core_low, window.core_high, name),
            TARGET: (window.target[name], window.target[name]),
        }
        parts = [Part(RANGE, 0.0, 1.0)]
        parts += [Part(k, *(bar.place(v) for v in ends)) for k, ends in spans.items() if ends]
        return replace(bar, parts=tuple(parts))

    def place(self, value: float) -> float:
        """Return the position of a setting on the bar, 0 at its low and 1 at its high."""
        if self.high <= self.low:
            return 0.5
        return min(1.0, max(0.0, (float(value) - self.low) / (self.high - self.low)))

    def part(self, kind: str) -> Part | None:
        """Return the part of that kind, or None."""
        return next((part for part in self.parts if part.kind == kind), None)

    def end(self, factor: Factor, reading: NumberFormat) -> str:
        """Return the high end as text, and the heat limit of the dial where it ends there."""
        text = reading.text(factor, self.high)
        if self.limited_by is None:
            return text
        highest = heat.highest_dial(factor, self.limited_by, reading.unit(factor))
        same = text == highest.replace(" ", "\u00a0")
        return f"{text}, heat limit" if same else f"{text}, heat limit {highest}"


def _ends(
    low: Mapping[str, Any] | None, high: Mapping[str, Any] | None, name: str
) -> tuple[Any, Any] | None:
    return None if low is None or high is None else (low[name], high[name])


def word_kind(window: Window, factor: Factor, word: str) -> str:
    """Return what a word of a setting belongs to: the core, the window, or only the range."""
    for kind, low, high in (
        (CORE, window.core_low, window.core_high),
        (WINDOW, window.low, window.high),
    ):
        ends = _ends(low, high, factor.name)
        if ends is not None and word in words_between(factor.levels, *ends):
            return kind
    return RANGE


def bars_key(window: Window) -> str:
    """Return the key to the bars in one line."""
    if not window.found:
        return "Bar: what the fabric may be pressed at. Diamond: the best set-point known."
    core = "Dark: the proven part." if window.proven else "Nothing is proven yet."
    return (
        f"Box: the window, all settings inside it together. {core}"
        " Thin line: this setting alone, the others at the target. Diamond: the target."
    )


def _numbers(
    ax: Axes, y: float, factor: Factor, reading: NumberFormat, window: Window, bar: Bar
) -> None:
    half = 0.12
    small: dict[str, Any] = {"fontsize": axes_style.SMALL, "va": "center"}
    ax.text(0, y + 0.24, reading.number(factor, bar.low), color=palette.QUIET, **small)
    ax.text(1, y + 0.24, bar.end(factor, reading), ha="right", color=palette.QUIET, **small)
    for kind, left, right in bar.parts:
        if kind == TARGET:
            axes_style.target_mark(ax, left, y, 11)
        elif kind == ALONE:
            ax.plot(
                [left, right], [y, y], color=palette.INK, linewidth=1.3, marker="|",
                markersize=8, zorder=2, clip_on=False,
            )  # fmt: skip
        else:
            axes_style.rectangle(ax, left, y - half, right - left, 2 * half, **_LOOKS[kind])
    box = bar.part(WINDOW)
    if box is None or window.low is None or window.high is None:
        return
    texts = [reading.number(factor, side[factor.name]) for side in (window.low, window.high)]
    over: dict[str, Any] = {**small, "color": palette.INK, "zorder": 3}
    if box.left == box.right:
        place = min(max(box.left, 0.08), 0.92)
        ax.text(place, y - 0.25, f"only {texts[0]}", ha="center", **over)
        return
    # The two edges stand over their ends, apart from each other and inside the drawing.
    apart = 0.025 * (len(texts[0]) + len(texts[1])) / 2 + 0.02
    left = min(max(box.left, 0.04), 0.96 - apart)
    right = max(min(box.right, 0.96), left + apart)
    left = min(left, right - apart)
    ax.text(left, y - 0.25, texts[0], ha="center", **over)
    ax.text(right, y - 0.25, texts[1], ha="center", **over)


_LOOKS: dict[str, dict[str, Any]] = {
    RANGE: {"color": palette.BAND, "linewidth": 0, "zorder": 1},
    WINDOW: {"fc": palette.WINDOW_FILL, "ec": palette.WINDOW, "linewidth": 1.5, "zorder": 2.5},
    CORE: {"fc": palette.WINDOW, "ec": palette.WINDOW, "linewidth": 1.5, "zorder": 2.6},
}


def _words(ax: Axes, y: float, factor: Factor, window: Window, words: tuple[str, ...]) -> None:
    """Draw words side by side, those of the window on the window's colour."""
    fills = {RANGE: "none", WINDOW: palette.WINDOW_FILL, CORE: palette.WINDOW}
    share = 1 / len(words)
    room = max(3, int(WIDTH / 6.8 * share) - 1)
    for i, word in enumerate(words):
        kind = word_kind(window, factor, word)
        is_target = word == window.target[factor.name]
        axes_style.rectangle(
            ax,
            i * share + 0.005,
            y - 0.17,
            share - 0.01,
            0.34,
            facecolor=fills[kind],
            edgecolor=palette.INK if is_target else palette.FAINT,
            linewidth=2 if is_target else 0.8,
            zorder=2,
        )
        other = palette.INK if is_target else palette.QUIET
        ink = {CORE: palette.PAPER, WINDOW: palette.INK}.get(kind, other)
        shown = word if len(word) <= room else word[: room - 1] + "…"
        weight = "bold" if is_target else "normal"
        axes_style.centred(ax, (i + 0.5) * share, y, shown, color=ink, fontweight=weight, zorder=3)
