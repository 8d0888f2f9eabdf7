"""The constants of the prior of the latent field, and its hyperparameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Prior:
    """Fixed constants of the prior, in grade units, each with its reason.

    They were chosen on simulated benches (``tests/bench``); none has a published source.
    """

    # The usual settings pass more often than not; some shops run far from a good place.
    intercept_mean: float = 0.7
    intercept_sd: float = 0.9
    # Lost at one half-range from the usual setting.
    mean_curvature: float = 1.6
    # One setting alone: tilted, bent, and an edge anywhere.
    slope_sd: float = 0.9
    quadratic_sd: float = 0.6
    smooth_sd: float = 0.3
    # A peel method may be most of a grade better than another.
    category_sd: float = 0.8
    # Two settings together act less than each alone; cure with press less than within a stage.
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
    # What one press does to all its outcomes at once, beside load and round.
    press_effect_sd: float = 0.1
    # After a change (see Points.before_change): sd in codes of how far each column has moved
    # (empty: none
    # has), and the correlation of the field with what it was, once moved.
    shift_sd: tuple[float, ...] = ()
    change_correlation: float = 1.0


@dataclass(frozen=True)
class Hyperparameters:
    """One set of scale parameters.

    amplitude multiplies trade mean and signal; length is the smoothness in half-ranges; interplay
    multiplies two-factor parts; load_sd, round_sd are luck in grades; alike is the correlation of
    the outcomes' fields; noise (n_outcomes,) is press noise in grades; ceiling is how far above
    the acceptance cut the best possible print is; dose is the share of what temperature and time of
    a stage do that goes by their dose alone; shift (d,) is how much, in codes, every setting does
    more now than before a change (None: nothing has changed).
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
