"""The section of one fabric on the page, with its figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dtfexp.describe.fields import and_list
from dtfexp.dialin.confirm import press_verdicts
from dtfexp.show.figures.window_bars import bars_key
from dtfexp.show.report.fabric_figures import FabricFigures
from dtfexp.show.report.fit_section import FitSection
from dtfexp.show.text import edge_text, report_text, tables
from dtfexp.show.text.number_format import NumberFormat

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit
    from dtfexp.show.text.fabric_results import FabricResult


def fabric_section(
    finding: FabricResult,
    fit: Fit,
    reading: NumberFormat,
    understood: FitSection,
    name: str,
    card: str,
) -> dict[str, Any]:
    """Return the section, its figures drawn. ``name``: prefix of its ids; ``card``: file name."""
    session, window = fit.session, finding.window
    if finding.closed:
        return {
            "id": name,
            "name": finding.name,
            "notes": finding.fabric.notes,
            "closed": True,
            "reason": edge_text.reason(session, window, reading),
            "presses": tables.presses(finding, session, reading),
            "left_out": press_verdicts.EXCLUDED in finding.verdicts,
            "card": card,
        }
    drawn = FabricFigures(finding, fit, reading, name)
    return {
        "id": name,
        "name": finding.name,
        "notes": finding.fabric.notes,
        "closed": False,
        "found": window.found,
        "doubts": and_list(report_text.caveats(finding)),
        "unsure": bool(report_text.unpressed(window) or not window.proven),
        "settings": tables.settings(finding, session, reading),
        "bars": drawn.bars(),
        "bars_key": bars_key(window),
        "expectation": window.expectation,
        "interval": report_text.rate_interval(finding),
        "tested": report_text.presses_line(finding),
        "promise": window.promise if window.found else "",
        "usual": report_text.usual_line(finding, session, reading),
        "observed": report_text.observed_lines(finding),
        "edges": tables.edges(finding, session, reading),
        "importance": report_text.importance_line(finding),
        "curves": drawn.curves(),
        "maps": drawn.maps(),
        "presses": tables.presses(finding, session, reading),
        "next": report_text.next_steps(finding, session, reading),
        "left_out": press_verdicts.EXCLUDED in finding.verdicts,
        "card": card,
        **understood.fabric_section(fit, finding.name),
    }
