"""Grades from measures: change in colour by published tables, missing print and cracks by our own.

A half grade written 4-5 is 4.5 here. Numbers of the standards are from memory unless said.
"""

from __future__ import annotations

import math
from itertools import pairwise

from dtfexp.coupon.measures import Lab

#: ISO 105-A02, grey scale for change in colour: grade -> CIELAB difference.
GREY_SCALE = (
    (5.0, 0.0), (4.5, 0.8), (4.0, 1.7), (3.5, 2.5), (3.0, 3.4),
    (2.5, 4.8), (2.0, 6.8), (1.5, 9.6), (1.0, 13.6),
)  # fmt: skip
#: Bands of our own, no standard: a grade is given up to this percent of the print missing, or of
#: the large solid cracked. A picture tells them to about 1.5 percent, so none is finer.
MISSING = (
    (5.0, 1.0), (4.5, 2.0), (4.0, 4.0), (3.5, 6.0), (3.0, 9.0),
    (2.5, 14.0), (2.0, 20.0), (1.5, 30.0), (1.0, math.inf),
)  # fmt: skip


def grey_scale_grade(difference: float) -> float:
    """Return the grade 1 … 5 in half steps of a colour difference: the nearest of ISO 105-A02.

    Its borders lie midway between the table's differences, as ISO 105-A05 has them: 0.40, 1.25,
    2.10, 2.95, 4.10, 5.80, 8.20, 11.60; a difference on a border gets the lower grade.
    """
    for (grade, here), (_, beyond) in pairwise(GREY_SCALE):
        if difference < (here + beyond) / 2:
            return grade
    return GREY_SCALE[-1][0]


def band_grade(percent: float) -> float:
    """Return the grade 1 … 5 in half steps of a share missing or cracked, by ``MISSING``."""
    return next(grade for grade, most in MISSING if percent <= most)


def fastness_difference(before: Lab, after: Lab) -> float:
    """Return the difference ΔE_F of ISO 105-A05 between CIELAB colours, for the grey scale.

    It counts less of what saturated colours change, and parts the hue's change from the chroma's::

        ΔE_F = √(ΔL*² + ΔC_F² + ΔH_F²)
        ΔC_F = ΔC_K / (1 + (20 C_M / 1000)²)      ΔC_K = ΔC*ab - D
        ΔH_F = ΔH_K / (1 + (10 C_M / 1000)²)      ΔH_K = |ΔH*ab| - D
        D    = ΔC*ab C_M e^-x / 100               C_M = mean of both chromas
        x    = ((h_M - 280) / 30)²                |h_M - 280| taken round the circle

    h_M is the mean hue angle in degrees. Written down from memory.
    """
    chroma_0, chroma_1 = math.hypot(*before[1:]), math.hypot(*after[1:])
    change = chroma_1 - chroma_0
    mean = (chroma_0 + chroma_1) / 2
    lightness = after[0] - before[0]
    hue = math.sqrt(max(0.0, math.dist(before[1:], after[1:]) ** 2 - change**2))
    around = (_mean_hue(before, after) - 280 + 180) % 360 - 180
    shared = change * mean * math.exp(-((around / 30) ** 2)) / 100
    chroma_f = (change - shared) / (1 + (20 * mean / 1000) ** 2)
    hue_f = (hue - shared) / (1 + (10 * mean / 1000) ** 2)
    return math.sqrt(lightness**2 + chroma_f**2 + hue_f**2)


def _mean_hue(before: Lab, after: Lab) -> float:
    """Return the mean hue angle in degrees; a colour without chroma has the other's."""
    (_, a0, b0), (_, a1, b1) = before, after
    if math.hypot(a0, b0) == 0 or math.hypot(a1, b1) == 0:
        return math.degrees(math.atan2(b0 + b1, a0 + a1))
    first, second = math.degrees(math.atan2(b0, a0)), math.degrees(math.atan2(b1, a1))
    return first + ((second - first + 180) % 360 - 180) / 2
