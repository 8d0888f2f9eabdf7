"""The tables of the report as plain text: heads, kinds of column, rows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.dialin.confirm import press_verdicts
from dtfexp.show.text import edge_text, report_text
from dtfexp.show.text.number_format import (
    NumberFormat,
    label,
    per_cent,
    rounded_text,
    with_unit,
)

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session
    from dtfexp.show.text.fabric_results import FabricResult

NUMBER, FREE, BIG, LINE = "number", "free", "big", "line"


@dataclass(frozen=True)
class Table:
    """A table of plain text.

    ``heads``: one per column. ``kinds``: "", "number" (aligned right), "line" (never broken),
    "free" (long text) or "big". ``rows``: as many cells as heads.
    """

    heads: Sequence[str]
    kinds: Sequence[str]
    rows: Sequence[Sequence[str]] = field(default=())


def targets_table(
    findings: Sequence[FabricResult], session: Session, reading: NumberFormat
) -> Table:
    """Return one row per fabric: state, target, expected pass rate, number of presses."""
    heads = ["Fabric", "State", *(label(f.name) for f in session.factors), "Expect", "Presses"]
    kinds = ["", "", *(NUMBER if f.is_numeric else "" for f in session.factors), LINE, NUMBER]
    rows = [
        [
            finding.name,
            report_text.status(finding),
            *(_target(finding, f, reading) for f in session.factors),
            "–" if finding.closed else report_text.shown_rate(finding),
            str(finding.window.presses),
        ]
        for finding in findings
    ]
    return Table(heads, kinds, rows)


def _target(finding: FabricResult, factor: Factor, reading: NumberFormat) -> str:
    target = finding.window.target
    return reading.text(factor, target[factor.name]) if target else "–"


def settings(finding: FabricResult, session: Session, reading: NumberFormat) -> Table:
    """Return one row per setting: target in both units, window, its proven part, alone."""
    window = finding.window
    rows = []
    for factor in () if finding.closed else session.factors:
        target = window.target[factor.name]
        other = reading.other(factor)
        also = f" ({other.text(factor, target)})" if other else ""
        rows.append(
            [
                label(factor.name),
                reading.text(factor, target) + also,
                edge_text.window_span(window, factor, reading),
                edge_text.core_span(window, factor, reading),
                edge_text.alone_span(window, factor, reading),
            ]
        )
    heads = ["Setting", "Target", "Window", "Proven part", "This setting alone"]
    shown = len(heads) if window.found else 2
    kinds = ["", BIG, LINE, LINE, LINE]
    return Table(heads[:shown], kinds[:shown], [row[:shown] for row in rows])


def edges(finding: FabricResult, session: Session, reading: NumberFormat) -> Table:
    """Return one row per edge of the window of which something is known."""
    rows = [
        [f"{label(edge.factor.name)} {edge.where}", _stopped_text(edge), _watch_for(edge)]
        for edge in edge_text.edges(session, finding.window, reading)
        if edge.stopped != edge_text.UNKNOWN
    ]
    return Table(["Edge", "Stopped by, how sure", "Watch for"], ["", "", FREE], rows)


def _stopped_text(edge: edge_text.EdgeText) -> str:
    """Return what stops an edge: an outcome only where the presses show it, with how sure."""
    if not edge.known or edge.certainty is None:
        return edge.stopped
    return f"{edge.stopped}, {per_cent(edge.certainty)} sure"


def _watch_for(edge: edge_text.EdgeText) -> str:
    """Return what a person sees beyond an edge, and the way back; nothing where none is seen."""
    if edge.stopped == edge_text.LIMIT:
        return f"never above: {edge.advice}"
    return f"{edge.sign} \u2192 {edge.advice_move}" if edge.known else "–"


def presses(finding: FabricResult, session: Session, reading: NumberFormat) -> Table:
    """Return every press of the fabric: its settings, grades, and expected pass rate."""
    frame = finding.presses
    reached = [f for f in session.factors if f"{f.name}_actual" in frame.columns]
    extra = [name for name in ("block", "defects", "note") if _used(frame, name)]
    heads = ["Press", "Load", "Round", *(reading.title(f) for f in session.factors)]
    kinds = [NUMBER] * 3 + [NUMBER if f.is_numeric else "" for f in session.factors]
    heads += [f"{reading.title(f)}, reached" for f in reached]
    kinds += [NUMBER if f.is_numeric else "" for f in reached]
    heads += [*(label(o.name) for o in session.outcomes), "Result", "Expected to pass"]
    kinds += [NUMBER] * len(session.outcomes) + ["", LINE]
    heads += [name.capitalize() for name in extra]
    kinds += [FREE if name == "note" else "" for name in extra]
    rows = []
    records = frame.to_dict("records")
    rates = finding.press_rates.to_dict("records")
    for row, rate, verdict in zip(records, rates, finding.verdicts, strict=True):
        expected = per_cent(rate["pass_rate"])
        became = verdict + (", a surprise" if int(row["press"]) in finding.outlying_presses else "")
        rows.append(
            [
                *(str(row[name]) for name in ("press", "oven_load", "press_round")),
                *(reading.number(f, row[f.name]) for f in session.factors),
                *(_reached(reading, f, row[f"{f.name}_actual"]) for f in reached),
                *(grade(o, row[o.name]) for o in session.outcomes),
                became,
                expected,
                *(_text(row[name]) for name in extra),
            ]
        )
    return Table(heads, kinds, rows)


def guide_table(outcome: Outcome) -> Table:
    """Return the meaning of each grade, best first."""
    best_first = sorted(outcome.guide, reverse=outcome.sign > 0)
    rows = [
        [rounded_text(key, 2), outcome.guide[key], "passes" if outcome.passes(key) else "fails"]
        for key in best_first
    ]
    return Table(["Grade", "Means", "A press"], [NUMBER, FREE, ""], rows)


def plans(frame: pd.DataFrame) -> Table:
    """Return one row per plan in the logbook."""
    rows = [
        [str(number), str(row["design"]), str(row["presses"]), str(row["seed"]), str(row["reason"])]
        for number, row in enumerate(frame.to_dict("records"), start=1)
    ]
    heads = ["Plan", "Design", "Presses", "Seed", "Why these"]
    return Table(heads, [NUMBER, "", NUMBER, NUMBER, FREE], rows)


def setting_ranges(session: Session, reading: NumberFormat) -> Table:
    """Return the settings that were varied: range, step, usual setting, spread."""
    rows = []
    for factor in session.factors:
        if factor.is_numeric:
            low, high = factor.bounds
            span = f"{reading.number(factor, low)} to {reading.text(factor, high)}"
            step = reading.span(factor, factor.grid_step)
            known = factor.spread or factor.spots
            spread = reading.span(factor, factor.spread) if known else "not given"
            spread += f", {len(factor.spots)} spots measured" if factor.spots else ""
        else:
            span, step, spread = " / ".join(factor.levels), "–", "–"
        usual = reading.text(factor, factor.usual)
        rows.append([label(factor.name), factor.stage, span, step, usual, spread])
    heads = ["Setting", "Stage", "Range", "Step", "Usual", "Spread, ±"]
    return Table(heads, [""] * 6, rows)


def fabric_limits(session: Session, reading: NumberFormat) -> Table:
    """Return the fabrics with their heat limits and notes."""
    rows = []
    for fabric in session.fabrics:
        unit = reading.temperature
        limit = session.nothing_left(fabric, unit) or session.limit_note(fabric, unit)
        rows.append([fabric.name, limit or "none given", fabric.notes])
    return Table(["Fabric", "Heat limit", "Notes"], ["", FREE, FREE], rows)


def grade(outcome: Outcome, value: Any) -> str:
    """Return a grade as written; a dash when it is not known."""
    if value is None or math.isnan(float(value)):
        return "–"
    if outcome.kind == "passfail":
        return "pass" if outcome.passes(float(value)) else "fail"
    return with_unit(rounded_text(float(value), 3), outcome.unit)


def excluded_table(frame: pd.DataFrame, session: Session) -> list[str]:
    """Return the presses left out of the fit, with their notes."""
    found = []
    verdicts = press_verdicts.verdict_of_presses(session, frame)
    for row, verdict in zip(frame.to_dict("records"), verdicts, strict=True):
        if verdict == press_verdicts.EXCLUDED:
            note = _text(row.get("note"))
            found.append(f"press {row['press']}" + (f" ({note})" if note else ""))
    return found


def _reached(reading: NumberFormat, factor: Any, value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "–"
    return reading.number(factor, value)


def _used(frame: pd.DataFrame, name: str) -> bool:
    return name in frame.columns and any(_text(cell) for cell in frame[name])


def _text(cell: Any) -> str:
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return ""
    return str(cell)
