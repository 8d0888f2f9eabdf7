"""Every figure: each takes a result and, if wanted, Axes; each returns the Axes it drew on."""

from __future__ import annotations

from dtfexp.show.bars import window_bars
from dtfexp.show.calibration import calibration_line
from dtfexp.show.chart import presses_chart
from dtfexp.show.compare import compared_bars
from dtfexp.show.curves import curve
from dtfexp.show.half_normal import half_normal_plot
from dtfexp.show.intervals import grades_chart, luck_bars, shares_bars
from dtfexp.show.maps import pass_map
from dtfexp.show.operating import operating_curve
from dtfexp.show.platen import platen_map
from dtfexp.show.sight import foretold_curve, plans_chart, sight_bars, tied_map
from dtfexp.show.timeline import timeline_chart
from dtfexp.show.watching import alarm_sum, failing_days

__all__ = [
    "alarm_sum",
    "calibration_line",
    "compared_bars",
    "curve",
    "failing_days",
    "foretold_curve",
    "grades_chart",
    "half_normal_plot",
    "luck_bars",
    "operating_curve",
    "pass_map",
    "plans_chart",
    "platen_map",
    "presses_chart",
    "shares_bars",
    "sight_bars",
    "tied_map",
    "timeline_chart",
    "window_bars",
]
