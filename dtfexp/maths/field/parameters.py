"""The constants of the prior of the latent field, and its hyperparameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.trend import LearntTrend

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Prior:
    """Fixed constants of the prior, in grade units, each with its reason.

    They were chosen on simulated benches (``tests/bench``); none has a published source.
    """

    # The usual settings pass more often than not; some shops are far from a good place.
    intercept_mean: float = 0.7
    intercept_sd: float = 0.9
    # Lost at one half-range from the usual setting.
    mean_curvature: float = 1.6
    # One setting alone: slope, quadratic, and an edge anywhere.
    slope_sd: float = 0.9
    quadratic_sd: float = 0.6
    smooth_sd: float = 0.3
    # A peel method may be most of a grade better than another.
    category_sd: float = 0.8
    # Interactions are smaller than main effects; cure × press smaller than within a stage.  A pair
    # is the product of both columns' parts, and that of a word is 1: with a word a slope differs by
    # an sd of sqrt(0.6), and two words by 1, times the interaction scale.
    interaction_slope_sd: float = 0.6
    interaction_smooth_sd: float = 0.3
    cross_stage_share: float = 0.5
    # Correlation of two fabrics: cure belongs to the film, press to the fabric.
    fabric_intercept: float = 0.5
    fabric_cure: float = 0.93
    fabric_press: float = 0.6
    # Of what two outcomes do not share anyway, the share that grades of one wash series do: a
    # later wash is judged on the same coupon, and what has come loose stays loose.
    series_correlation: float = 0.7
    # Of the variance of a load or round, the share that is common to the outcomes: a cold load or a
    # tired platen spoils most of what is judged of its prints.
    batch_common: float = 0.75
    # Effect of one press common to its outcomes, beside load and round.
    press_effect_sd: float = 0.1
    # Share of grades written down wrong, each of which may be any grade: a beta variable, of mean
    # one in fifty, known as if from so many grades.  With none allowed for, one such grade costs a
    # window more often than not (``tests/bench/bench_blunders``).
    wrong_share: float = 0.02
    wrong_share_grades: float = 100.0
    # After changes, the last first (see Points.before_change): sd in codes of how far each moved
    # every column, change by change (empty: none has), and the correlation of the field with what
    # it was before each, once moved.
    shift_sd: tuple[float, ...] = ()
    change_correlation: tuple[float, ...] = ()


@dataclass(frozen=True)
class Hyperparameters:
    """One set of hyperparameters.

    ``amplitude``: factor of prior mean and signal. ``length``: length scale in half-ranges.
    ``interaction``: factor of two-factor parts. ``load_sd``, ``round_sd``: sd of batch effects, in
    grades. ``outcome_correlation``: of the outcomes' fields. ``noise`` (n_outcomes,): press noise
    in grades. ``ceiling``: the best print's height above the acceptance cut. ``dose_share``: the
    share of a stage's effects that its dose carries. ``shift`` (c d,): by how much each setting
    acts since each of c changes, in codes (None: no change). ``trend``: the low-order part as
    earlier sessions taught it (None: that of the general prior). ``eye_share``: share of the
    variance of press noise that is the eye's, where coupons were judged again (None: none were).
    ``wrong_share``: of grades that are wrong (None: the mean of its prior).
    """

    amplitude: float
    length: float
    interaction: float
    load_sd: float
    round_sd: float
    outcome_correlation: float
    noise: Array
    ceiling: float = np.inf
    dose_share: float = 0.25
    shift: Array | None = None
    trend: LearntTrend | None = None
    eye_share: float | None = None
    wrong_share: float | None = None
