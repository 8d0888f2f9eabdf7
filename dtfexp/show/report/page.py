"""The report as one HTML page; its sentences come from ``report_text`` and ``tables``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.fields import and_list, count_phrase
from dtfexp.describe.signs.guide import published_scale
from dtfexp.show.figures import figures, platen_map, window_comparison
from dtfexp.show.report import session_comparison
from dtfexp.show.report.fit_section import FitSection
from dtfexp.show.report.photo_thumbnails import Pictures
from dtfexp.show.style import palette
from dtfexp.show.style.svg import inline_svg
from dtfexp.show.style.template import environment
from dtfexp.show.text import report_text, tables
from dtfexp.show.text.cautions import CAUTIONS
from dtfexp.show.text.measured_conditions import MeasuredConditions
from dtfexp.show.text.number_format import (
    NumberFormat,
    label,
    rounded_text,
)

if TYPE_CHECKING:
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session
    from dtfexp.dialin.fit import Fit
    from dtfexp.show.text.fabric_results import FabricResult


def render(
    findings: Sequence[FabricResult],
    fit: Fit,
    reading: NumberFormat,
    *,
    sections: Sequence[Mapping[str, Any]],
    understood: FitSection,
    document: Mapping[str, Any],
    plans: pd.DataFrame,
    last_entry: datetime | None,
    measured: MeasuredConditions,
    earlier: Fit | None = None,
    pictures: Pictures | None = None,
    learnt: str = "",
) -> str:
    """Return the page as HTML.

    ``sections``: of each finding, drawn. ``understood``: findings of the same fit. ``document``:
    the content of ``windows.json``. ``measured``: readings of the machines. ``earlier``: a session
    to compare with. ``pictures``: thumbnails of the presses; ``learnt``: sentences on experience.
    """
    session = fit.session
    shown: list[dict[str, Any]] = []
    for finding, section in zip(findings, sections, strict=True):
        told = section.get("bars_key") not in [one.get("bars_key") for one in shown]
        shown.append(
            {
                **section,
                "bars_key": section.get("bars_key") if told else "",
                "pictures": _pictures(finding, session, pictures or Pictures()),
            }
        )
    text: str = (
        environment()
        .get_template("report.html.j2")
        .render(
            session=session,
            reading=reading,
            dated="No entry in the logbook yet."
            if last_entry is None
            else f"Data up to {last_entry:%Y-%m-%d %H:%M}.",
            changed=measured.changed,
            learnt=learnt,
            summary=report_text.summary(findings),
            glance_told=report_text.glance_title(findings),
            glance=tables.targets_table(findings, session, reading),
            cautions=CAUTIONS,
            fabrics=shown,
            understood=understood.bench_section(),
            compared=_compared(findings, session, reading),
            moved=_moved_since(earlier, fit, findings, reading),
            bench=_bench(measured, findings, fit, reading),
            pictures_note=(pictures or Pictures()).note,
            plans=tables.plans(plans),
            guide=[_guide(outcome) for outcome in session.outcomes],
            setting_ranges=tables.setting_ranges(session, reading),
            fabric_limits=tables.fabric_limits(session, reading),
            warm_up=rounded_text(session.warm_up_minutes, 1),
            change_over=rounded_text(session.change_over_minutes, 1),
            left_out=and_list(tables.excluded_table(fit.results, session)),
            digest=document["results_sha256"],
            seeds=", ".join(str(seed) for seed in document["seeds"]),
            versions=document["versions"],
            light_variables=palette.variables(dark=False),
            dark_variables=palette.variables(dark=True),
            ink={
                "window": palette.variable(palette.WINDOW),
                "passed": palette.variable(palette.PASS),
                "failed": palette.variable(palette.FAIL),
                "pending": palette.variable(palette.PENDING),
                "left_out": palette.variable(palette.QUIET),
            },
        )
    )
    return text


def _bench(
    measured: MeasuredConditions, findings: Sequence[FabricResult], fit: Fit, reading: NumberFormat
) -> dict[str, Any]:
    """Return the section on where the results apply and what the machines reach."""
    from markupsafe import Markup

    session, unit = fit.session, reading.temperature
    drawn = []
    for number, one in enumerate(measured.maps, start=1):
        ax: Any = figures.platen_map(one, unit=unit)
        told, title = platen_map.map_sentence(one, unit), f"Map of {label(one.factor)}"
        drawn.append(Markup(inline_svg(ax.figure, f"bench-map-{number}", title, told)))
    for number, (name, line) in enumerate(measured.calibrations.lines.items(), start=1):
        ax = figures.calibration_line(line, session.factor(name), unit=unit)
        told = f"{count_phrase(len(line.sets), 'reading')}; dashed: a true display."
        title = f"Set and reached, {label(name)}"
        drawn.append(Markup(inline_svg(ax.figure, f"bench-line-{number}", title, told)))
    return {
        "holds": measured.holds_for(fit.session, fit.results, reading),
        "table": measured.table(findings, session, reading),
        "figures": drawn,
        "cautions": list(dict.fromkeys(one.caution for one in measured.maps if one.caution)),
    }


def _pictures(finding: FabricResult, session: Session, pictures: Pictures) -> list[dict[str, Any]]:
    """Return the photos of the fabric's presses, each with its verdict."""
    found = []
    for row, verdict in zip(finding.presses.to_dict("records"), finding.verdicts, strict=True):
        graded = [f"{label(o.name)} {tables.grade(o, row[o.name])}" for o in session.outcomes]
        told = f"Press {row['press']}, {verdict}: {', '.join(graded)}"
        found += [
            {"shown": picture, "told": told} for picture in pictures.of.get(int(row["press"]), ())
        ]
    return found


def _compared(
    findings: Sequence[FabricResult], session: Session, reading: NumberFormat
) -> dict[str, Any] | None:
    """Return the comparison of fabrics when there are two or more."""
    open_ = [finding for finding in findings if not finding.closed]
    if len(open_) < 2:
        return None
    sides = [
        window_comparison.ComparedWindow(finding.name, session, finding.window) for finding in open_
    ]
    return _with_figure(
        session_comparison.comparison_view(sides, reading, "All fabrics", "compared-figure")
    )


def _moved_since(
    earlier: Fit | None, fit: Fit, findings: Sequence[FabricResult], reading: NumberFormat
) -> dict[str, Any]:
    """Return the changes since an earlier session, for the fabrics in both."""
    if earlier is None:
        return {"blocks": []}
    shown = {finding.name.casefold(): finding.name for finding in findings}
    names = [fabric.name for fabric in earlier.session.fabrics]
    pairs = [(name, shown[name.casefold()]) for name in names if name.casefold() in shown]
    told = [f"{side}: {_session_line(one)}" for side, one in (("Before", earlier), ("Now", fit))]
    blocks = session_comparison.moved_since(earlier, fit, reading, pairs, key="moved-figure")
    return {"told": " ".join(told), "blocks": [_with_figure(one) for one in blocks]}


def _session_line(fit: Fit) -> str:
    number = sum(fit.presses_used(fabric.name) for fabric in fit.session.fabrics)
    return f"session {fit.session.name}, {count_phrase(number, 'graded press', 'graded presses')}."


def _with_figure(one: session_comparison.ComparisonView) -> dict[str, Any]:
    from markupsafe import Markup

    return {**vars(one), "figure": Markup(one.figure)}


def _guide(outcome: Outcome) -> dict[str, Any]:
    low = "" if outcome.accept == outcome.best else " or better"
    unit = f" {outcome.unit}" if outcome.unit else ""
    line = f"From {outcome.worst:g} (worst) to {outcome.best:g}{unit} (best)"
    if outcome.kind == "graded" and outcome.step != 1:
        line += f", in steps of {outcome.step:g}"
    line += f"; accepted at {outcome.accept:g}{unit}{low}."
    if outcome.washes is not None:
        line += f" Judged after {outcome.washes} wash{'' if outcome.washes == 1 else 'es'}."
    line = f"{line} {published_scale(outcome.name, outcome.washes)}".strip()
    return {"name": label(outcome.name), "line": line, "table": tables.guide_table(outcome)}
