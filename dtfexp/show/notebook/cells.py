"""Notebook views of a fit or a plan, with the words, tables and bars of the papers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from zlib import crc32

from dtfexp.describe.html_text import escape
from dtfexp.show.figures.window_bars import bars_key
from dtfexp.show.report.fabric_figures import FabricFigures
from dtfexp.show.style import palette
from dtfexp.show.style.svg import inline_svg
from dtfexp.show.style.template import Shown
from dtfexp.show.text import edge_text, report_text, tables
from dtfexp.show.text.cautions import ONE_LINE
from dtfexp.show.text.fabric_results import fabric_result
from dtfexp.show.text.number_format import NumberFormat

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.bench.machine_readings import PlatenMap
    from dtfexp.describe.fabric import Fabric
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.design.plan import Plan
    from dtfexp.dialin.encode.calibrations import CalibrationLine
    from dtfexp.dialin.fit import Fit


def show_map(found: PlatenMap, *, unit: str | None = None) -> Shown:
    """Return a nine-point map for a cell: picture, sentence, and caution of its instrument.

    ``unit``: "°C" or "°F", default the map's own.
    """
    from dtfexp.show.figures import platen_map

    told = platen_map.map_sentence(found, found.unit if unit is None else unit)
    drawn: Any = platen_map.platen_map(found, unit=unit).figure
    picture = inline_svg(drawn, _own_name("map", found.id), f"Map of {found.factor}", told)
    lines = [told, *([found.caution] if found.caution else [])]
    style = f"{palette.variables(dark=False)} max-width: 26em; background: #fff"
    html = f'<div style="{style}">{picture}</div>' + "".join(
        f"<p>{escape(line)}</p>" for line in lines
    )
    return Shown(html, "\n".join(lines))


def show_line(line: CalibrationLine, factor: Factor, *, unit: str | None = None) -> Shown:
    """Return the line from set to reached, for a cell.

    ``unit``: "°C" or "°F", default the factor's own.
    """
    from dtfexp.show.figures.platen_map import calibration_line

    told = f"{factor.name}: {len(line.sets)} readings; dashed: a true display."
    drawn: Any = calibration_line(line, factor, unit=unit).figure
    picture = inline_svg(
        drawn, _own_name("line", factor.name), f"Set and reached, {factor.name}", told
    )
    style = f"{palette.variables(dark=False)} max-width: 26em; background: #fff"
    return Shown(f'<div style="{style}">{picture}</div>', told)


def _own_name(what: str, of: str) -> str:
    """Return a name for a picture, unique on the page and made of plain letters."""
    return f"dtfexp-{what}-{crc32(of.encode('utf-8', 'replace')):08x}"


def show_window(
    fit: Fit,
    fabric: str | Fabric,
    *,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    unit: str | None = None,
    maps: int = 0,
    key: str | None = None,
) -> Shown:
    """Return the window of one fabric for a cell, without a new fit.

    ``pass_rate``, ``confidence``: those of :meth:`dtfexp.Fit.window`; ``unit``: "°C" or "°F",
    default the session's; ``maps``: at most this number of maps of two settings; ``key``: names the
    drawings and must differ for every view on a page (default: one per fabric). Raises
    ``SessionError`` for an unknown fabric or unit, ``ValueError`` for a rate out of range.
    """
    from dtfexp.show.style.template import Shown, environment

    session = fit.session
    reading = NumberFormat.of(session, unit)
    name = session.fabric(fabric).name
    finding = fabric_result(fit, name, pass_rate=pass_rate, confidence=confidence, maps=maps)
    window = finding.window
    head = (
        f"{name}: {window.expectation}"
        if window.found
        else f"{name}: do not press, no setting is left"
        if finding.closed
        else f"{name}: not proven, do not sell with these settings yet"
    )
    number = [known.name for known in session.fabrics].index(name) + 1
    drawings = FabricFigures(finding, fit, reading, key or f"dtfexp-window-{number}")
    settings = tables.settings(finding, session, reading)
    reason = window.promise if window.found else edge_text.reason(session, window, reading)
    html = (
        environment()
        .get_template("window.html.j2")
        .render(
            variables=palette.variables(dark=False),
            fabric=name,
            head=head,
            reason=reason,
            expectation=""
            if finding.closed
            else f"{report_text.presses_line(finding)}; {report_text.rate_interval(finding)}.",
            bars=drawings.bars(),
            bars_key=bars_key(window),
            maps=drawings.maps(),
            settings=settings,
            edges=tables.edges(finding, session, reading),
            caution=ONE_LINE,
        )
    )
    rows = [f"  {line}" for line in report_text.span_lines(window, session, reading)]
    return Shown(html, "\n".join([head, reason, *rows, ONE_LINE]))


def show_cost(plan: Plan) -> Shown:
    """Return the cost of a plan and its timeline, for a cell."""
    from dtfexp.show.figures.timeline import timeline_chart, timeline_text

    lines = plan.cost().lines()
    drawn: Any = timeline_chart(plan)
    bars = inline_svg(drawn.figure, "dtfexp-timeline", "Timeline of the plan", timeline_text(plan))
    style = f"{palette.variables(dark=False)} background: {palette.PAPER}; color: {palette.INK};"
    listed = "".join(f"<li>{escape(line)}</li>" for line in lines)
    html = (
        f'<div class="dtfexp-cost" style="{style} padding: 12px 16px; max-width: 900px;">'
        f'<ul style="margin: 0 0 8px;">{listed}</ul>{bars}</div>'
    )
    return Shown(html, "\n".join(lines))


def show_check(plan: Plan, earlier: pd.DataFrame | None = None) -> Shown:
    """Return the power of a plan in three sentences and two drawings, for a cell.

    ``earlier``: results of presses made before, which count with it.
    """
    from dtfexp.show.figures.plan_check_figures import (
        detectable_effect_bars,
        figure_text,
        prediction_sd_curve,
    )

    check = plan.check(earlier=earlier)
    bars: Any = detectable_effect_bars(check)
    curve: Any = prediction_sd_curve(check)
    drawn = inline_svg(bars.figure, "dtfexp-sight", "Detectable effects", figure_text(check))
    if len(check.variance):
        half = float(check.variance["sd"].iloc[len(check.variance) // 2])
        words = f"Over half the range a grade is predicted to {half:.1f} or better."
        drawn += inline_svg(curve.figure, "dtfexp-predicted", "Prediction error of grades", words)
    style = f"{palette.variables(dark=False)} background: {palette.PAPER}; color: {palette.INK};"
    listed = "".join(f"<li>{escape(sentence)}</li>" for sentence in check.sentences)
    row = "display: flex; flex-wrap: wrap; gap: 16px; align-items: flex-start;"
    html = (
        f'<div class="dtfexp-check" style="{style} padding: 12px 16px; max-width: 900px;">'
        f'<ol style="margin: 0 0 8px;">{listed}</ol><div style="{row}">{drawn}</div>'
        f"<p>{escape(check.assumed.sentence())}</p></div>"
    )
    return Shown(html, "\n".join(check.sentences))
