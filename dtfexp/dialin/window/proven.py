"""The proven part of a window, and the gain of a change from today's settings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.pass_map import Demand, pass_map
from dtfexp.dialin.window.window_box import PARTS, MappedBox, box_in
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import even_normals, joint_posterior
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

CORE_CONFIDENCE = 0.90
# Set-points of the window at which the probability is computed.
CORE_BUDGET = 1_000
_DRAWS = 256


def proven_core(
    fit: FittedModel, fabric: str, found: MappedBox, target: Mapping[str, Any], pass_rate: float
) -> MappedBox | None:
    """Return the proven part of a window, around the target if possible; or None.

    The largest part where the true pass rate reaches ``pass_rate`` with 90 % posterior probability
    at every set-point.
    """
    demand = Demand(pass_rate, CORE_CONFIDENCE)
    around, factors = found.mapped.grid, found.mapped.grid.factors
    within = {
        f.name: (float(a), float(b)) for f, a, b in zip(factors, found.low, found.high, strict=True)
    }
    grid = grids.grid(fit.session, fabric, around.words, CORE_BUDGET, within, PARTS)
    mapped = pass_map(fit, fabric, grid, demand)[0]
    here = [np.array([grids.as_axis(f, target[f.name])]) if f.is_numeric else None for f in factors]
    for holding in (here, [None] * len(factors)):
        core = box_in(fit, fabric, mapped, demand, holding, {}, mapped)
        if core is not None:
            return core
    return None


def chance_better(
    fit: FittedModel, fabric: str, one: Mapping[str, Any], other: Mapping[str, Any]
) -> float:
    """Return the posterior probability that the true pass rate at ``one`` is above ``other``'s."""
    order = [f.name for f in fit.session.factors]
    frame = pd.DataFrame([dict(one), dict(other)])[order]
    index = np.full(2, fit.coding.fabric_index(fabric))
    post = fit.posterior
    averaged = predict(post, fit.coding.points(frame, index))
    exact = fit.coding.points(frame, index, spread=False)
    normals = even_normals(_DRAWS, 2 * post.shape.n_outcomes)
    better = 0.0
    for j, weight in enumerate(post.weight):
        joint = joint_posterior(post, exact, j)
        size = joint.mean.size
        value, vector = np.linalg.eigh(joint.covariance.reshape(size, size))
        root = vector * np.sqrt(np.maximum(value, 0.0))
        fields = (normals @ root.T).reshape(_DRAWS, 2, -1)
        press = new_press_effects_at(post, j, averaged.mean[j], averaged.input_noise[j])
        rates = pass_rate_given(post, j, averaged.mean[j] + fields, press)
        better += weight * float(np.mean(rates[:, 0] > rates[:, 1]))
    return better / float(post.weight.sum())
