"""Measured outcomes on the model's scale: distance from acceptance where noise is nearly Gaussian.

A share gathers at 0 and 100 %, a line width is read in steps that are ratios: there a difference
does not mean the same everywhere. Shares enter as arcsine roots, lengths that span a factor of
eight or more as logarithms (variance stabilising transforms: Bartlett 1947, Biometrics 3:39, from
memory), everything else as it is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe import units
from dtfexp.describe.outcome import Outcome

Array = NDArray[np.float64]

_SPAN = 8.0


def transformed(outcome: Outcome, value: Any) -> Array:
    """Return values of a measured outcome on the scale where its noise is nearly Gaussian."""
    value = np.asarray(value, dtype=float)
    if _is_share(outcome):
        return np.asarray(np.arcsin(np.sqrt(value / 100.0)))
    return np.asarray(np.log(value)) if _is_ratio(outcome) else value


def latent_of_value(outcome: Outcome, value: Any, unit: float = 1.0) -> Array:
    """Return measured values as grade units above acceptance, METHODS.md, section 1.

    ``unit``: that of the fit (``Data.unit``), in nominal units.
    """
    above = transformed(outcome, value) - transformed(outcome, outcome.accept)
    better = np.sign(transformed(outcome, outcome.best) - transformed(outcome, outcome.worst))
    return np.asarray(better * above / (unit * nominal_unit(outcome)))


def value_of_latent(outcome: Outcome, latent: Any, unit: float = 1.0) -> Array:
    """Return latent values as values of the outcome, inside its range."""
    better = np.sign(transformed(outcome, outcome.best) - transformed(outcome, outcome.worst))
    ends = sorted(transformed(outcome, [outcome.worst, outcome.best]))
    above = better * unit * nominal_unit(outcome) * np.asarray(latent, dtype=float)
    inside = np.clip(transformed(outcome, outcome.accept) + above, *ends)
    if _is_share(outcome):
        return np.asarray(100.0 * np.sin(inside) ** 2)
    return np.asarray(np.exp(inside) if _is_ratio(outcome) else inside)


def nominal_unit(outcome: Outcome) -> float:
    """Return a quarter of the outcome's transformed scale, the unit as long as nothing is known."""
    worst, best = transformed(outcome, [outcome.worst, outcome.best])
    return float(abs(best - worst) / 4.0)


def _is_share(outcome: Outcome) -> bool:
    ends = (outcome.worst, outcome.best)
    return outcome.unit == "%" and min(ends) >= 0 and max(ends) <= 100


def _is_ratio(outcome: Outcome) -> bool:
    low, high = sorted((outcome.worst, outcome.best))
    return units.kind(outcome.unit) == "length" and low > 0 and high >= _SPAN * low
