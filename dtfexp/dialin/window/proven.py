"""What of a window is proven, and what a change from today's settings would gain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.pass_map import Demand, pass_map
from dtfexp.dialin.window.window_box import PARTS, MappedBox, best_box, with_edges
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import even_normals, joint_posterior
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

CORE_CONFIDENCE = 0.90
CORE_BUDGET = 4000
_DRAWS = 256


def proven_core(
    fit: FittedModel, fabric: str, found: MappedBox, target: Mapping[str, Any], pass_rate: float
) -> MappedBox | None:
    """The largest part of a window, round the target where that is proven, at every set-point of
    which the true pass rate reaches ``pass_rate`` with 90 % probability; None where none is."""
    demand = Demand(pass_rate, CORE_CONFIDENCE)
    mapped = pass_map(fit, fabric, _grid_inside(fit, fabric, found, target), demand)
    steps = [
        np.array([grids.as_axis(f, target[f.name])]) if f.is_numeric else None
        for f in mapped.grid.factors
    ]
    box = best_box(mapped, {}, steps) or best_box(mapped, {})
    return None if box is None else with_edges(fit, fabric, mapped, box, demand)


def _grid_inside(
    fit: FittedModel, fabric: str, found: MappedBox, target: Mapping[str, Any]
) -> grids.Grid:
    """A grid over the window with its edges and the target among its places."""
    full = found.mapped.grid
    within = {
        f.name: (float(a), float(b))
        for f, a, b in zip(full.factors, found.low, found.high, strict=True)
    }
    thinned = grids.grid(fit.session, fabric, full.words, CORE_BUDGET, within, PARTS)
    axes = []
    for factor, axis in zip(thinned.factors, thinned.axes, strict=True):
        a, b = within[factor.name]
        inside = axis[(axis >= a - 1e-9) & (axis <= b + 1e-9)]
        more = [a, b, grids.as_axis(factor, target[factor.name])]
        # What differs by rounding alone is one place.
        places = np.unique(np.round([*inside, *more], 9))
        axes.append(places)
    return replace(thinned, axes=tuple(axes))


def chance_better(
    fit: FittedModel, fabric: str, one: Mapping[str, Any], other: Mapping[str, Any]
) -> float:
    """Posterior probability that the true pass rate at ``one`` is above that at ``other``."""
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
