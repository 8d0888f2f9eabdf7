"""Index of all figures: each takes a result and optional Axes and returns its Axes."""

from __future__ import annotations

from dtfexp.show.figures.curves import curve
from dtfexp.show.figures.half_normal import half_normal_plot
from dtfexp.show.figures.pass_maps import pass_map
from dtfexp.show.figures.plan_check_figures import (
    correlation_map,
    detectable_effect_bars,
    plans_chart,
    prediction_sd_curve,
)
from dtfexp.show.figures.platen_map import calibration_line, platen_map
from dtfexp.show.figures.timeline import timeline_chart
from dtfexp.show.figures.watch_figures import alarm_sum, failing_days, operating_curve
from dtfexp.show.figures.window_bars import window_bars
from dtfexp.show.figures.window_comparison import compared_bars

__all__ = [
    "alarm_sum",
    "calibration_line",
    "compared_bars",
    "correlation_map",
    "curve",
    "detectable_effect_bars",
    "failing_days",
    "half_normal_plot",
    "operating_curve",
    "pass_map",
    "plans_chart",
    "platen_map",
    "prediction_sd_curve",
    "timeline_chart",
    "window_bars",
]
