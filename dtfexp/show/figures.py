"""Every figure: each takes a result and, if wanted, Axes; each returns the Axes it drew on."""

from __future__ import annotations

from dtfexp.show.bars import window_bars
from dtfexp.show.calibration import calibration_line
from dtfexp.show.chart import presses_chart
from dtfexp.show.compare import compared_bars
from dtfexp.show.curves import curve
from dtfexp.show.half_normal import half_normal_plot
from dtfexp.show.intervals import batch_effect_bars, grades_chart, sobol_bars
from dtfexp.show.maps import pass_map
from dtfexp.show.operating import operating_curve
from dtfexp.show.platen import platen_map
from dtfexp.show.sight import (
    correlation_map,
    detectable_effect_bars,
    plans_chart,
    prediction_sd_curve,
)
from dtfexp.show.timeline import timeline_chart
from dtfexp.show.watching import alarm_sum, failing_days

__all__ = [
    "alarm_sum",
    "batch_effect_bars",
    "calibration_line",
    "compared_bars",
    "correlation_map",
    "curve",
    "detectable_effect_bars",
    "failing_days",
    "grades_chart",
    "half_normal_plot",
    "operating_curve",
    "pass_map",
    "plans_chart",
    "platen_map",
    "prediction_sd_curve",
    "presses_chart",
    "sobol_bars",
    "timeline_chart",
    "window_bars",
]
