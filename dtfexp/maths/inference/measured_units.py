"""The grade unit of measured outcomes, found from what was measured.

A grade scale brings its own unit. The worst and best value of a measured outcome do not: they only
bound what may be written down, and a wide bound must not pass for a belief that settings do much.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.inference.hyperparameters import (
    HYPER_PRIORS,
    HyperPrior,
    n_dimensions,
    to_hyperparameters,
)
from dtfexp.maths.inference.observations import Data
from dtfexp.maths.inference.site_fitting import data_batch_covariance, data_covariance, data_mean

#: Smallest and largest factor of the nominal unit: values all alike say nothing of a unit.
LEAST, MOST = 1 / 32, 32.0


def in_fitted_units(
    data: Data,
    shape: FieldShape,
    prior: Prior,
    hyper_priors: tuple[HyperPrior, ...] = HYPER_PRIORS,
) -> tuple[Data, FieldShape]:
    """Return data and shape with measured values in units that fit them, and ``data.unit`` set.

    With n values d of an outcome (of a whole wash series, which has one unit) and N(m, C) the prior
    of their presses at the centres of ``hyper_priors``, noise included, the unit maximises
    N(d/u; m, C) / u^n: of 1/u a quadratic equation. The nominal unit counts as one of the n, so
    that a single value decides nothing. METHODS.md, section 1.
    """
    measured = data.is_observed & np.isfinite(data.value)
    if not measured.any():
        return data, shape
    centre = np.zeros(n_dimensions(shape.n_outcomes))
    hyper = to_hyperparameters(centre, shape.n_outcomes, hyper_priors)
    series = np.array(shape.series or range(shape.n_outcomes))
    unit = np.ones(shape.n_outcomes)
    for one in np.unique(series[data.outcome[measured]]):
        rows = np.flatnonzero(measured & (series[data.outcome] == one))
        unit[series == one] = _fitted_unit(data.rows(rows), shape, prior, hyper)
    value = data.value / unit[data.outcome]
    order = tuple((o, later, better / unit[o]) for o, later, better in shape.wash_order)
    return replace(data, value=value, unit=unit), replace(shape, wash_order=order)


def _fitted_unit(data: Data, shape: FieldShape, prior: Prior, hyper: Hyperparameters) -> float:
    covariance = data_covariance(data, shape, hyper, prior)
    covariance += data_batch_covariance(data, hyper, prior)
    covariance += np.diag(hyper.noise[data.outcome] ** 2)
    mean = data_mean(data, shape, hyper, prior)
    square, cross = data.value @ np.linalg.solve(covariance, np.column_stack([data.value, mean]))
    if square == 0.0:
        return 1.0  # every value is just acceptable
    # d/ds of n ln s - s^2 square / 2 + s cross is zero, s = 1/u.
    inverse = (cross + np.sqrt(cross**2 + 4.0 * data.n * square)) / (2.0 * square)
    share = (data.n - 1.0) / data.n
    return float(np.clip(inverse ** (-share), LEAST, MOST))
