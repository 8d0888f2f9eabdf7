"""Windows compared, for a notebook cell and the report.

Either two sessions, with what moved since, or the fabrics of one session.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from os import PathLike
from typing import TYPE_CHECKING, Any

from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError, SessionError
from dtfexp.describe.fields import and_list
from dtfexp.describe.html_text import escape
from dtfexp.describe.summary import html_table
from dtfexp.show.figures import window_comparison
from dtfexp.show.style import palette
from dtfexp.show.style.svg import inline_svg
from dtfexp.show.style.template import Shown
from dtfexp.show.text.number_format import NumberFormat
from dtfexp.show.text.tables import Table

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.fit import Fit

    Source = Fit | Logbook | str | PathLike[str]

BEFORE, NOW = "before", "now"


@dataclass(frozen=True)
class ComparisonView:
    """A table and a drawing of compared windows.

    ``title``: what is compared; ``note``: what was left out.
    """

    title: str
    table: Table
    figure: str
    note: str


def compare_windows(
    one: Source,
    two: Source | None = None,
    fabric: str | Fabric | None = None,
    other: str | Fabric | None = None,
    *,
    names: tuple[str, str] | None = None,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    unit: str | None = None,
) -> Shown:
    """Return windows compared: two sessions, or the fabrics of one.

    ``one``, ``two``: the earlier and the later session, each a ``Fit``, an open ``Logbook`` or its
    path. Without ``two``: the fabrics of ``one``, or only ``fabric`` and ``other``. With ``two``:
    what moved from one to two, for every fabric that both have, or for ``fabric`` alone (``other``
    is its name in ``two``).

    ``names``: names of the two sides. ``unit``: "°C" or "°F", default that of ``one``. Settings are
    matched by name; those of one side only are listed, not compared. Raises ``SessionError`` for an
    unknown fabric or unit and when there is nothing to compare, ``LogbookError`` for a file that is
    not a logbook.
    """
    first = fit_of(one)
    demand: dict[str, Any] = {"pass_rate": pass_rate, "confidence": confidence}
    reading = NumberFormat.of(first.session, unit)
    if two is None:
        chosen = _fabrics(first, fabric, other)
        sides = [
            window_comparison.ComparedWindow(name, first.session, first.window(name, **demand))
            for name in chosen
        ]
        if names is not None and len(sides) == 2:
            sides = [replace(side, name=name) for side, name in zip(sides, names, strict=True)]
        blocks = [comparison_view(sides, reading, "Fabrics side by side", "dtfexp-compared-1")]
    else:
        pairs = None if fabric is None else [(fabric, fabric if other is None else other)]
        blocks = moved_since(first, fit_of(two), reading, pairs, names=names, **demand)
    return _shown(blocks)


def fit_of(source: Source) -> Fit:
    """Return the fit of a logbook (open, or by its path); a fit is returned as it is."""
    from dtfexp.book.logbook import Logbook

    if isinstance(source, (str, PathLike)):
        with Logbook.open(source) as book:
            return book.bench.fitted()
    if isinstance(source, Logbook):
        return source.bench.fitted()
    if not hasattr(source, "window"):
        raise LogbookError(
            f"{fields.quoted(source)}: got no session; accepted a Logbook, the path of one or a Fit"
        )
    return source


def moved_since(
    before: Fit,
    now: Fit,
    reading: NumberFormat,
    pairs: Sequence[tuple[str | Fabric, str | Fabric]] | None = None,
    *,
    names: tuple[str, str] | None = None,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    key: str = "dtfexp-compared",
) -> list[ComparisonView]:
    """Return one ``ComparisonView`` for each pair of fabrics (default: those of the same name).

    ``names``: of the two sides (default "before" and "now", or the fabrics where they differ);
    ``key``: prefix of every id. Raises ``SessionError`` when no fabric is in both.
    """
    if pairs is None:
        ours = {fabric.name.casefold(): fabric.name for fabric in now.session.fabrics}
        known = [fabric.name for fabric in before.session.fabrics]
        pairs = [(name, ours[name.casefold()]) for name in known if name.casefold() in ours]
    if not pairs:
        raise SessionError(
            f"sessions {before.session.name!r} and {now.session.name!r} have no fabric in common;"
            " name one of each to compare"
        )
    found = []
    for number, pair in enumerate(pairs, start=1):
        sides = []
        for fit, fabric in zip((before, now), pair, strict=True):
            window = fit.window(fabric, pass_rate=pass_rate, confidence=confidence)
            sides.append(window_comparison.ComparedWindow(window.fabric, fit.session, window))
        told = [side.name for side in sides]
        same = told[0].casefold() == told[1].casefold()
        called = names or ((BEFORE, NOW) if same else told)
        sides = [replace(side, name=name) for side, name in zip(sides, called, strict=True)]
        title = told[1] if same else " and ".join(told)
        found.append(comparison_view(sides, reading, title, f"{key}-{number}"))
    return found


def comparison_view(
    sides: Sequence[window_comparison.ComparedWindow], reading: NumberFormat, title: str, key: str
) -> ComparisonView:
    """Return the sides as table and drawing; ``key``: prefix of the drawing's ids."""
    drawn: Any = window_comparison.compared_bars(sides, unit=reading.temperature).figure
    missing = window_comparison.not_compared(sides)
    return ComparisonView(
        title,
        window_comparison.comparison_table(sides, reading),
        inline_svg(
            drawn,
            key,
            f"{title}: windows side by side",
            window_comparison.figure_text(sides, reading),
        ),
        f"Not compared, as only one side has them: {and_list(missing)}." if missing else "",
    )


def _fabrics(fit: Fit, fabric: str | Fabric | None, other: str | Fabric | None) -> list[str]:
    asked = [one for one in (fabric, other) if one is not None] or list(fit.session.fabrics)
    chosen = list(dict.fromkeys(fit.session.fabric(one).name for one in asked))
    if len(chosen) < 2:
        raise SessionError(
            f"session {fit.session.name!r}: only {chosen[0]!r} to compare; name two fabrics, or"
            " give two sessions"
        )
    return chosen


def _shown(blocks: Sequence[ComparisonView]) -> Shown:
    html, text = [], []
    for one in blocks:
        rows = [tuple(row) for row in one.table.rows]
        html.append(
            f"<p><b>{escape(one.title)}</b></p>{html_table(tuple(one.table.heads), rows)}"
            f'<div style="max-width: 480px">{one.figure}</div><p>{escape(one.note)}</p>'
        )
        text += [one.title, *("  " + ": ".join((r[0], " | ".join(r[1:]))) for r in rows), one.note]
    style = f"{palette.variables(dark=False)} background: {palette.PAPER}; max-width: 900px;"
    return Shown(
        f'<div class="dtfexp-compared" style="{style}">{"".join(html)}</div>',
        "\n".join(line for line in text if line),
    )
