"""The report as one page of HTML: what it says comes from ``words`` and ``tables``."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.guide import published_scale
from dtfexp.describe.wording import listed
from dtfexp.dialin import judged
from dtfexp.dialin.slices import MOST_MAPS
from dtfexp.show import compare, edgewords, figures, ink, platen, tables, words
from dtfexp.show.cautions import CAUTIONS
from dtfexp.show.measured import Measured
from dtfexp.show.reading import Reading, at_least, label, out_of, per_cent, tidy
from dtfexp.show.svg import inline
from dtfexp.show.understood import Understood

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session
    from dtfexp.dialin.fit import Fit
    from dtfexp.show.findings import Finding

Said = Callable[[str], None]


def render(
    findings: Sequence[Finding],
    fit: Fit,
    reading: Reading,
    *,
    document: Mapping[str, Any],
    plans: pd.DataFrame,
    last_entry: datetime | None,
    cards: Sequence[str],
    said: Said,
    measured: Measured | None = None,
) -> str:
    """The page. document: what ``windows.json`` holds; cards: a file name per finding.

    said: told the name of each fabric as its figures are drawn. measured: what was read of the
    machines.
    """
    session = fit.session
    sections = []
    understood = Understood.of(fit)
    for number, (finding, card) in enumerate(zip(findings, cards, strict=True), start=1):
        said(finding.name)
        key = f"fabric-{number}"
        section = _section(finding, fit, reading, key, card)
        sections.append(section | understood.fabric(fit, finding.name, key))
    text: str = (
        environment()
        .get_template("report.html.j2")
        .render(
            session=session,
            reading=reading,
            dated="No entry in the logbook yet."
            if last_entry is None
            else f"Data up to {last_entry:%Y-%m-%d %H:%M}.",
            changed=(measured or Measured()).changed,
            summary=words.summary(findings, session, reading),
            glance=tables.glance(findings, session, reading),
            cautions=CAUTIONS,
            fabrics=sections,
            understood=understood.bench(),
            compared=_compared(findings, session, reading),
            bench=_bench(measured or Measured(), findings, session, reading),
            plans=tables.plans(plans),
            plan_notes=list(dict.fromkeys(str(note) for notes in plans["notes"] for note in notes)),
            described=fit.describe(),
            guide=[_guide(outcome) for outcome in session.outcomes],
            setting_ranges=tables.setting_ranges(session, reading),
            fabric_limits=tables.fabric_limits(session, reading),
            warm_up=tidy(session.warm_up_minutes, 1),
            change_over=tidy(session.change_over_minutes, 1),
            left_out=listed(tables.left_out(fit.results, session)),
            digest=document["results_sha256"],
            seeds=", ".join(str(seed) for seed in document["seeds"]),
            versions=document["versions"],
            light_variables=ink.variables(dark=False),
            dark_variables=ink.variables(dark=True),
            ink={
                "window": ink.variable(ink.WINDOW),
                "passed": ink.variable(ink.PASS),
                "failed": ink.variable(ink.FAIL),
                "pending": ink.variable(ink.PENDING),
                "left_out": ink.variable(ink.QUIET),
            },
        )
    )
    return text


def _bench(
    measured: Measured, findings: Sequence[Finding], session: Session, reading: Reading
) -> dict[str, Any]:
    from markupsafe import Markup

    unit = reading.temperature
    drawn = [
        Markup(
            inline(
                figures.platen_map(one, unit=unit).figure,  # type: ignore[arg-type]
                f"bench-figure-{number}",
                f"Map of {label(one.factor)}",
                platen.told(one, unit),
            )
        )
        for number, one in enumerate(measured.maps, start=1)
    ]
    cautions = list(dict.fromkeys(one.caution for one in measured.maps if one.caution))
    table = measured.table(findings, session, reading)
    return {"table": table, "maps": drawn, "cautions": cautions}


def _compared(
    findings: Sequence[Finding], session: Session, reading: Reading
) -> dict[str, Any] | None:
    """The fabrics side by side, when there are two or more."""
    from markupsafe import Markup

    if len(findings) < 2:
        return None
    sides = [compare.Side(finding.name, session, finding.window) for finding in findings]
    drawn: Any = figures.compared_bars(sides, unit=reading.temperature).figure
    said = compare.told(sides, reading)
    picture = Markup(inline(drawn, "compared-figure", "Windows of all fabrics", said))
    return {"table": compare.compared(sides, reading), "figure": picture}


def environment() -> Any:
    """Jinja as every page uses it: all text escaped, an unknown name is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("dtfexp.show", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _section(finding: Finding, fit: Fit, reading: Reading, name: str, card: str) -> dict[str, Any]:
    session, window = fit.session, finding.window
    unit = reading.temperature
    shown: dict[str, Any] = {"window": window, "unit": unit}
    drawn = _Drawings(finding, session, reading, name)
    chart_rows = len(finding.presses)
    return {
        "id": name,
        "name": finding.name,
        "notes": finding.fabric.notes,
        "found": window.found,
        "doubts": listed(words.doubts(finding)),
        "reason": edgewords.told(window.reason, session, reading),
        "out_of": out_of(finding.target.pass_rate),
        "settings": tables.settings(finding, session, reading),
        "spread_note": _spread_note(session, reading),
        "bars": drawn.bars(figures.window_bars(window, session, unit=unit)),
        "expectation": words.expectation(finding),
        "tested": words.tested(finding),
        "required": per_cent(window.required),
        "confidence": at_least(window.confidence),
        "required_confidence": per_cent(window.required_confidence),
        "usual": words.usual_line(finding, session, reading),
        "observed": words.observed_lines(finding),
        "edges": tables.edges(finding, session, reading),
        "importance": words.importance_line(finding),
        "curves": [
            drawn.curve(factor, figures.curve(fit, finding.name, factor, rates=rates, **shown))
            for factor, rates in finding.curves.items()
        ],
        "maps": [
            drawn.map(x, y, figures.pass_map(fit, finding.name, x, y, rates=rates, **shown))
            for x, y, rates in finding.maps
        ],
        "maps_note": _maps_note(finding, session),
        "chart": drawn.chart(figures.presses_chart(fit, finding.name, rates=finding.press_rates))
        if chart_rows
        else "",
        "chart_width": 60 + 10 * chart_rows,
        "surprises": [words.surprise_line(item) for item in words.surprises(finding)],
        "presses": tables.presses(finding, session, reading),
        "next": words.next_steps(finding, session, reading),
        "left_out": judged.EXCLUDED in finding.verdicts,
        "card": card,
    }


class _Drawings:
    """Turns Axes into pieces of the page, each with a name of its own and words for the ear."""

    def __init__(self, finding: Finding, session: Session, reading: Reading, name: str) -> None:
        self._finding = finding
        self._session = session
        self._reading = reading
        self._name = name
        self._count = 0

    def bars(self, ax: Axes) -> Any:
        window = self._finding.window
        parts = []
        for factor in self._session.factors:
            text = f"{label(factor.name)} target {self._at(factor)}"
            if window.low is not None and window.high is not None:
                low, high = (
                    self._reading.text(factor, side[factor.name])
                    for side in (window.low, window.high)
                )
                text += f", window {low} to {high}"
            parts.append(text)
        return self._piece(ax, "The window as bars", "; ".join(parts) + ".")

    def curve(self, name: str, ax: Axes) -> Any:
        factor, rates = self._session.factor(name), self._finding.curves[name]
        values = rates["pass_rate"]
        told = (
            f"Over the range it goes from {per_cent(float(values.min()))} to"
            f" {per_cent(float(values.max()))}; at the target {self._at(factor)} it is"
            f" {per_cent(self._finding.target.pass_rate)}."
        )
        return self._piece(ax, f"Expected pass rate along {label(name)}", told)

    def map(self, x: str, y: str, ax: Axes) -> Any:
        across, up = self._session.factor(x), self._session.factor(y)
        rates = next(r for a, b, r in self._finding.maps if (a, b) == (x, y))
        enough = float((rates["pass_rate"] >= self._finding.window.required).mean())
        told = (
            f"The other settings stay at the target. {per_cent(enough)} of this map reaches the"
            f" rate asked for. Target: {label(x)} {self._at(across)}, {label(y)} {self._at(up)}."
        )
        title = f"Expected pass rate over {label(x)} and {label(y)}"
        return self._piece(ax, title, told)

    def chart(self, ax: Axes) -> Any:
        passed = self._finding.verdicts.count("passed")
        failed = self._finding.verdicts.count("failed")
        told = (
            f"{len(self._finding.verdicts)} presses: {passed} passed, {failed} failed. The numbers"
            " stand in the table below."
        )
        return self._piece(ax, "Presses in the order made, against what was expected", told)

    def _at(self, factor: Factor) -> str:
        return self._reading.text(factor, self._finding.window.target[factor.name])

    def _piece(self, ax: Axes, title: str, told: str) -> Any:
        from markupsafe import Markup

        self._count += 1
        drawn: Any = ax.figure
        name = f"{self._name}-figure-{self._count}"
        return Markup(inline(drawn, name, f"{title}, {self._finding.name}", told))


def _spread_note(session: Session, reading: Reading) -> str:
    known = [
        f"{label(factor.name)} ±{reading.span(factor, factor.spread)}"
        for factor in session.factors
        if factor.is_numeric and factor.spread
    ]
    if not known:
        return "No wander of the machines was given; the window counts in steps of the dials."
    return f"Wander taken from the session: {listed(known)}. Set the dial to the target."


def _maps_note(finding: Finding, session: Session) -> str:
    numeric = sum(factor.is_numeric for factor in session.factors)
    pairs = numeric * (numeric - 1) // 2
    if pairs <= MOST_MAPS:
        return ""
    return (
        f"{len(finding.maps)} of {pairs} pairs are shown: settings of one stage, then those that"
        " matter most."
    )


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
    return {"name": label(outcome.name), "line": line, "table": tables.guide(outcome)}
