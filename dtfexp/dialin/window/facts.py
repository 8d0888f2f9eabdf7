"""The facts of a target and of today's settings, with or without a window."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.evidence import within
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import even_normals, joint_posterior
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

_DRAWS = 256


def target_facts(
    fit: FittedModel, fabric: str, target: dict[str, Any], demand: Demand
) -> dict[str, Any]:
    """Return the facts of a set-point, of the presses at it and of today's settings."""
    usual = grids.usual_set_point(fit.session, fabric)
    passing = fit.pass_posterior(pd.DataFrame([target, usual])[list(target)], fabric)
    expected = passing.expected()
    graded = fit.graded_presses(fabric)
    same = all(usual[name] == target[name] for name in target)
    # Settings that were moved to what the heat limit allows are not those that the shop runs.
    stay = same and not fit.session.too_hot_today(fabric)
    return {
        "fabric": fabric,
        "target": target,
        "pass_rate": float(expected[0]),
        "pass_rate_low": min(float(passing.quantile(0.05)[0]), float(expected[0])),
        "confidence": float(passing.chance_at_least(demand.pass_rate)[0]),
        "required": demand.pass_rate,
        "required_confidence": demand.confidence,
        "presses": len(graded),
        "presses_at_target": int(within(fit.session, graded, target, target).sum()),
        "usual_pass_rate": float(expected[1]),
        "gain_chance": 0.0 if same else chance_better(fit, fabric, target, usual),
        "stay": stay,
    }


def chance_better(
    fit: FittedModel, fabric: str, one: Mapping[str, Any], other: Mapping[str, Any]
) -> float:
    """Return the posterior probability that the true pass rate at ``one`` is above ``other``'s.

    METHODS.md, section 8.
    """
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
