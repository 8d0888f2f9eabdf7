"""Windows compared: two fabrics, or one fabric in two sessions with its changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.show.style import axes_style, palette
from dtfexp.show.text.number_format import NumberFormat, label
from dtfexp.show.text.tables import LINE, Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window

WIDTH, ROW = 420, 24
_STILL = 1e-9


@dataclass(frozen=True)
class ComparedWindow:
    """One of the compared windows: its name and its session."""

    name: str
    session: Session
    window: Window

    def factor(self, name: str) -> Factor | None:
        """Return this side's setting of that name, or None."""
        return next((f for f in self.session.factors if f.name == name), None)


def shared_settings(sides: Sequence[ComparedWindow]) -> list[str]:
    """Return the settings that every side has, of the same kind, in the order of the first."""
    found = []
    for factor in sides[0].session.factors:
        others = [side.factor(factor.name) for side in sides]
        if all(
            other is not None
            and other.is_numeric == factor.is_numeric
            and (other.unit == factor.unit or (other.is_temperature and factor.is_temperature))
            for other in others
        ):
            found.append(factor.name)
    return found


def comparison_table(sides: Sequence[ComparedWindow], reading: NumberFormat) -> Table:
    """Return one row per shared setting: each side's target and window, and the change of two."""
    pair = len(sides) == 2
    rows = []
    for name in shared_settings(sides):
        row = [label(name), *(_told(side, name, reading) for side in sides)]
        rows.append([*row, _moved(sides[0], sides[1], name, reading)] if pair else row)
    last = [
        "expect to pass",
        *(side.window.stated + ("" if side.window.proven else ", not proven") for side in sides),
    ]
    if pair:
        step = 100 * (sides[1].window.pass_rate - sides[0].window.pass_rate)
        last.append(_unmoved(*sides) if abs(step) < 0.5 else _points(round(step)))
    apart = "Target moved" if pair and _same_fabric(*sides) else "Targets apart"
    heads = ["Setting", *(side.name for side in sides), *([apart] if pair else [])]
    return Table(heads, ["", *[LINE] * (len(heads) - 1)], [*rows, last])


def compared_bars(
    sides: Sequence[ComparedWindow], *, unit: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the windows under one another, setting by setting; returns the Axes.

    Grey is the planned range, blue the window, the diamond the target. All sides of a setting share
    one scale. Settings of words appear in the table only.
    """
    reading = NumberFormat.of(sides[0].session, unit)
    names = [name for name in shared_settings(sides) if sides[0].session.factor(name).is_numeric]
    each = len(sides) + 1.3
    ax = axes_style.axes(ax, WIDTH, ROW * each * max(len(names), 1) + 8, (8, 4, 14, 4))
    ax.set_xlim(0, 1)
    ax.set_ylim(each * max(len(names), 1), 0)
    ax.axis("off")
    for number, name in enumerate(names):
        _group(ax, number * each, name, sides, reading)
    return ax


_LEFT, _RIGHT = 0.36, 0.88
"""Start and end of the bars, as shares of the width; names before, targets after."""


def _group(
    ax: Axes, top: float, name: str, sides: Sequence[ComparedWindow], reading: NumberFormat
) -> None:
    factors = [side.session.factor(name) for side in sides]
    ends = [[float(reading.value(f, end)) for end in f.bounds] for f in factors]
    low, high = min(e[0] for e in ends), max(e[1] for e in ends)

    def at(value: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * (value - low) / (high - low)

    small: dict[str, Any] = {"fontsize": axes_style.SMALL, "va": "center", "parse_math": False}
    bold: dict[str, Any] = {"fontsize": axes_style.TEXT, "fontweight": "bold"}
    axes_style.note(ax, 0, top + 0.5, reading.title(factors[0]), va="center", **bold)
    for row, (side, factor, (first, last)) in enumerate(zip(sides, factors, ends, strict=True)):
        y, window = top + 1.4 + row, side.window
        short = side.name if len(side.name) <= 22 else f"{side.name[:21]}…"
        ax.text(0, y, short, color=palette.QUIET, **small)
        axes_style.rectangle(
            ax, at(first), y - 0.22, at(last) - at(first), 0.44, color=palette.BAND
        )
        if window.low is not None and window.high is not None:
            a, b = (float(reading.value(factor, s[name])) for s in (window.low, window.high))
            axes_style.rectangle(
                ax, at(a), y - 0.22, max(at(b) - at(a), 0.004), 0.44, color=palette.WINDOW
            )
        target = float(reading.value(factor, window.target[name]))
        axes_style.target_mark(ax, at(target), y, 9)
        # The target has its own column; over the bar it would hide an edge of the window.
        written = reading.number(factor, window.target[name])
        ax.text(1, y, written, ha="right", color=palette.INK, **small)


def figure_text(sides: Sequence[ComparedWindow], reading: NumberFormat) -> str:
    """Return the figure as text, the alternative to the picture."""
    return "; ".join(
        f"{side.name}: "
        + ", ".join(
            f"{label(name)} {_told(side, name, reading)}" for name in shared_settings(sides)
        )
        for side in sides
    )


def not_compared(sides: Sequence[ComparedWindow]) -> list[str]:
    """Return the settings that could not be compared."""
    common = shared_settings(sides)
    names = [f.name for side in sides for f in side.session.factors]
    return [label(name) for name in dict.fromkeys(names) if name not in common]


def _told(side: ComparedWindow, name: str, reading: NumberFormat) -> str:
    factor, window = side.session.factor(name), side.window
    target = reading.text(factor, window.target[name])
    if window.low is None or window.high is None:
        return f"{target} (window not known)"
    ends = [reading.number(factor, end[name]) for end in (window.low, window.high)]
    span = f"only {ends[0]}" if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
    return f"{target} ({span})"


def _moved(one: ComparedWindow, two: ComparedWindow, name: str, reading: NumberFormat) -> str:
    first, second = (
        reading.value(side.session.factor(name), side.window.target[name]) for side in (one, two)
    )
    if isinstance(first, str) or isinstance(second, str):
        return _unmoved(one, two) if first == second else f"{first} to {second}"
    step = second - first
    if abs(step) <= _STILL:
        return _unmoved(one, two)
    unit = reading.unit(two.session.factor(name))
    return f"{_signed(round(step, 1))}\u00a0{unit}".rstrip("\u00a0")


def _same_fabric(one: ComparedWindow, two: ComparedWindow) -> bool:
    """Whether the two are of one fabric, earlier and later, not two fabrics side by side."""
    return one.window.fabric == two.window.fabric


def _unmoved(one: ComparedWindow, two: ComparedWindow) -> str:
    return "as before" if _same_fabric(one, two) else "the same"


def _points(number: int) -> str:
    return f"{_signed(number)} {'point' if abs(number) == 1 else 'points'}"


def _signed(number: float) -> str:
    return ("+" if number > 0 else "\u2212") + f"{abs(number):g}"
