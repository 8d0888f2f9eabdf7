"""The proven part of a window, and the gain of a change from today's settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.pass_map import Demand, pass_map
from dtfexp.dialin.window.window_box import MappedBox, best_box, with_edges
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import even_normals, joint_posterior
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

CORE_CONFIDENCE = 0.90
# About so many set-points of the window at which the probability is computed, not counting those
# beside the target.
_CELLS, _MOST_PLACES = 450, 33
_DRAWS = 256


def proven_core(
    fit: FittedModel, fabric: str, found: MappedBox, target: Mapping[str, Any], pass_rate: float
) -> MappedBox | None:
    """Return the proven part of a window, around the target if possible; or None.

    The largest part where the true pass rate reaches ``pass_rate`` with 90 % posterior probability
    at every set-point.
    """
    demand = Demand(pass_rate, CORE_CONFIDENCE)
    grid = found.mapped.grid
    places = int(np.clip(_CELLS ** (1.0 / max(len(grid.axes), 1)), 3, _MOST_PLACES))
    axes = [
        np.unique(np.round([*np.linspace(a, b, places), grids.as_axis(f, target[f.name])], 9))
        if f.is_numeric
        else np.arange(a, b + 1.0)
        for f, a, b in zip(grid.factors, found.low, found.high, strict=True)
    ]
    coarse = pass_map(fit, fabric, replace(grid, axes=tuple(axes)), demand)[0]
    finer = [
        np.unique([*axis, *(0.5 * (axis[1:] + axis[:-1]))]) if f.is_numeric else axis
        for f, axis in zip(grid.factors, axes, strict=True)
    ]
    mapped = coarse.at(fit.session, fabric, replace(grid, axes=tuple(finer)))
    here = [
        np.array([grids.as_axis(f, target[f.name])]) if f.is_numeric else None for f in grid.factors
    ]
    box = best_box(mapped, {}, here) or best_box(mapped, {})
    return None if box is None else with_edges(fit, fabric, mapped, box, demand, mapped)[0]


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
