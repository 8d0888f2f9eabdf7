"""Two windows side by side in a notebook cell: what moved since last time, or between fabrics."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from dtfexp.describe.summary import html_table
from dtfexp.describe.wording import listed
from dtfexp.show import compare, ink
from dtfexp.show.notebook import Shown
from dtfexp.show.reading import Reading
from dtfexp.show.svg import inline

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.fit import Fit


def compare_windows(
    one: Fit,
    two: Fit,
    fabric: str | Fabric,
    other: str | Fabric | None = None,
    *,
    names: tuple[str, str] | None = None,
    pass_rate: float = 0.90,
    confidence: float = 0.90,
    unit: str | None = None,
) -> Shown:
    """The window of a fabric in fit ``one`` beside that of ``other`` (default: the same fabric)
    in fit ``two``. For two fabrics of one session give the same fit twice.

    names: what the two are called (default the sessions' names, or the fabrics' when they differ).
    unit: "°C" or "°F", default that of ``one``. Settings are matched by name; those that only one
    side has are named, not compared. Raises SessionError for an unknown fabric or unit.
    """
    first = one.session.fabric(fabric).name
    second = two.session.fabric(first if other is None else other).name
    called = names or ((first, second) if first != second else (one.session.name, two.session.name))
    if called[0] == called[1]:
        called = (f"{called[0]}, before", f"{called[1]}, now")
    sides = [
        compare.Side(name, fit.session, fit.window(of, pass_rate=pass_rate, confidence=confidence))
        for name, fit, of in zip(called, (one, two), (first, second), strict=True)
    ]
    reading = Reading.of(one.session, unit)
    table = compare.compared(sides, reading)
    drawn: Any = compare.compared_bars(sides, unit=reading.temperature).figure
    picture = inline(drawn, "dtfexp-compared", f"{called[0]} beside {called[1]}",
                     compare.told(sides, reading))  # fmt: skip
    missing = compare.apart(sides)
    note = f"Not compared, as only one has them: {listed(missing)}." if missing else ""
    rows = [tuple(row) for row in table.rows]
    style = f"{ink.variables(dark=False)} background: {ink.PAPER}; max-width: 900px;"
    html = (
        f'<div class="dtfexp-compared" style="{style}">{html_table(tuple(table.heads), rows)}'
        f'<div style="max-width: 480px">{picture}</div><p>{escape(note)}</p></div>'
    )
    text = "\n".join(": ".join((row[0], " | ".join(row[1:]))) for row in rows)
    return Shown(html, f"{text}\n{note}".rstrip())
