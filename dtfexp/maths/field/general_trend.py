"""The low-order part of the field under the general prior, and the kernel without it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import CURE, FieldShape
from dtfexp.maths.field.trend import TrendTerms

Array = NDArray[np.float64]

# What the pairs of the kernel keep once products of slopes are learnt, per column: the rms of
# 0.18 (x x' e + e x x') + 0.09 e e, the rest of a product of two pair parts, at |x| = 0.6.
_PAIR_REST = 0.45


def terms_of(shape: FieldShape) -> TrendTerms:
    """Return the monomials of all settings that are not words."""
    return TrendTerms(tuple(k for k, word in enumerate(shape.is_category) if not word))


@dataclass(frozen=True)
class GeneralTrend:
    """The low-order part under the general prior: mean (p,), and covariances (p, p) by pooling.

    The constant, what belongs to the cure, and the rest; their sum is the covariance.
    """

    mean: Array
    intercept: Array
    cure: Array
    press: Array

    @property
    def covariance(self) -> Array:
        return self.intercept + self.cure + self.press

    def with_row(self, features: Array, same_fabric: Array, prior: Prior) -> Array:
        """Return the covariance (p, N) with the field at monomials (N, p); same_fabric (N,)."""
        out = np.zeros((len(self.mean), len(features)))
        for part, rho in (
            (self.intercept, prior.fabric_intercept),
            (self.cure, prior.fabric_cure),
            (self.press, prior.fabric_press),
        ):
            out += (part @ features.T) * np.where(same_fabric, 1.0, rho)
        return out


def general_trend(shape: FieldShape, hyper: Hyperparameters, prior: Prior) -> GeneralTrend:
    """Return mean and covariance of the low-order part: METHODS.md, equations (3) to (5)."""
    terms, shares = terms_of(shape), shape.column_weights(hyper.dose_share)
    forms = np.zeros((len(shape.stages), len(terms.columns)))
    for place, k in enumerate(terms.columns):
        forms[k, place] = 1.0
    for k, pair in enumerate(shape.trade_off):
        forms[len(shape.stage) + k] = forms[list(pair)].sum(axis=0)
    p, d = terms.count, len(terms.columns)
    mean, intercept, cure, press = np.zeros(p), *(np.zeros((p, p)) for _ in range(3))
    mean[0], intercept[0, 0] = prior.intercept_mean, prior.intercept_sd**2
    numeric = [k for k, word in enumerate(shape.is_category_column) if not word]
    signal = hyper.amplitude**2
    for k in numeric:
        part = cure if shape.stages[k] == CURE else press
        slope, square = np.zeros(p), terms.product(forms[k], forms[k])
        slope[1 : 1 + d] = forms[k]
        part += signal * shares[k] * prior.slope_sd**2 * np.outer(slope, slope)
        part += signal * shares[k] * prior.quadratic_sd**2 * np.outer(square, square)
        mean -= hyper.amplitude * prior.mean_curvature * shares[k] * square
    for at, j in enumerate(numeric):
        for k in numeric[at + 1 :]:
            both = terms.product(forms[j], forms[k])
            within = (shape.stages[j] == CURE) == (shape.stages[k] == CURE)
            size = hyper.interaction * (1.0 if within else prior.cross_stage_share)
            size *= prior.interaction_slope_sd
            part = cure if within and shape.stages[j] == CURE else press
            part += signal * size**2 * shares[j] * shares[k] * np.outer(both, both)
    return GeneralTrend(mean, intercept, cure, press)


def kernel_prior(prior: Prior, hyper: Hyperparameters) -> Prior:
    """Return the prior of what the kernel holds: all, or what is rougher than a learnt trend.

    METHODS.md, section 16.
    """
    if hyper.trend is None:
        return prior
    return replace(
        prior,
        intercept_mean=0.0,
        intercept_sd=0.0,
        mean_curvature=0.0,
        slope_sd=0.0,
        quadratic_sd=0.0,
        interaction_slope_sd=0.0,
        interaction_smooth_sd=_PAIR_REST,
    )
