"""Posterior draws of the whole pass-rate surface."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from dtfexp.describe import heat
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import even_normals, posterior_deviations
from dtfexp.maths.prediction.pass_probability import new_press_effects_at, pass_rate_given

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

DRAWS = 48
ANCHORS = 128


def pass_rate_surfaces(
    fit: FittedModel, settings: pd.DataFrame, fabric: str, draws: int = DRAWS
) -> Array:
    """Return posterior draws (draws, M) of the pass-rate surface at checked settings.

    Deterministic. Each integration point has its share of the draws; ``draws`` is rounded up to at
    least one each. METHODS.md, section 8.
    """
    coding, post = fit.coding, fit.posterior
    index = np.full(len(settings), coding.fabric_index(fabric))
    averaged = predict(post, coding.points(settings, index))
    exact = coding.points(settings, index, spread=False)
    anchors = coding.points(
        settings_at_unit_points(fit, fabric, _unit_points(len(fit.session.factors))),
        np.full(ANCHORS, coding.fabric_index(fabric)),
        spread=False,
    )
    counts = _shares(post.weight, max(draws, len(post.weight)))
    # Different normals for each integration point; repeated ones would be fewer distinct draws.
    normals = even_normals(int(counts.sum()), ANCHORS * post.shape.n_outcomes)
    out = []
    for j, own in enumerate(np.split(normals, np.cumsum(counts)[:-1])):
        if not len(own):
            continue
        # The machine spread shifts the mean of the field and adds input noise per press.
        fields = averaged.mean[j] + posterior_deviations(post, anchors, exact, j, own)
        press = new_press_effects_at(post, j, averaged.mean[j], averaged.input_noise[j])
        out.append(pass_rate_given(post, j, fields, press))
    return np.asarray(np.concatenate(out))


def _unit_points(d: int) -> Array:
    """Return anchors over the unit cube, its ends included (points near an end move onto it)."""
    points = qmc.Sobol(d, scramble=True, seed=2).random(ANCHORS)
    return np.asarray(np.clip(1.1 * points - 0.05, 0.0, 1.0))


def _shares(weight: Array, draws: int) -> NDArray[np.int_]:
    """Return the draws of each integration point by its weight (largest remainders)."""
    share = draws * weight / weight.sum()
    counts = np.floor(share + 1e-9).astype(int)
    short = draws - int(counts.sum())
    counts[np.argsort(counts - share, kind="stable")[:short]] += 1
    return np.asarray(counts)


def settings_at_unit_points(fit: FittedModel, fabric: str, unit_points: Array) -> pd.DataFrame:
    """Return settings at points (M, d) of the unit cube, mapped to the allowed ranges."""
    session = fit.session
    columns: dict[str, Any] = {}
    for factor, u in zip(session.factors, unit_points.T, strict=True):
        columns[factor.name] = _axis_at_unit_points(fit, factor, fabric, u)
    return pd.DataFrame(columns)


def _axis_at_unit_points(fit: FittedModel, factor: Factor, fabric: str, u: Array) -> NDArray[Any]:
    # A fabric that can no longer be pressed is evaluated over its described range.
    session = fit.session
    allowed = session.allowed(factor, fabric) or heat.in_range(factor, session.fabric(fabric))
    if factor.is_numeric:
        low, high = allowed[0], allowed[-1]
        return np.asarray(low + u * (high - low))
    place = np.minimum((u * len(allowed)).astype(int), len(allowed) - 1)
    return np.asarray(np.array(allowed, dtype=object)[place])
