"""Whole pass-rate surfaces that the results allow, drawn from the posterior."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.maths.joint import joint_pass
from dtfexp.maths.posterior import predict
from dtfexp.maths.together import draws, together

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.fit import Fit

Array = NDArray[np.float64]

DRAWS = 48
# The likeliest scale settings carry nearly all the weight; each costs one large factorisation.
_MOST_SCALES = 4


def drawn_rates(fit: Fit, settings: pd.DataFrame, fabric: str) -> Array:
    """Pass rates (DRAWS, M) of a new press at checked settings; each row is one surface that the
    results allow.  The same every time.  Meant for up to about a thousand settings."""
    post, coding = fit.posterior, fit.coding
    index = np.full(len(settings), coding.fabric_index(fabric))
    averaged = predict(post, coding.points(settings, index))
    exact = coding.points(settings, index, spread=False)
    out = []
    for j, count in _shared_out(post.weight):
        joint = together(post, exact, j)
        shared, own = post.new_press(j)
        # The machine spread moves the middle of the field and adds its wander from press to press.
        moved = draws(joint, count) + (averaged.mean[j] - joint.mean)
        out.append(joint_pass(moved, shared, own + averaged.wander[j]))
    return np.asarray(np.concatenate(out))


def _shared_out(weight: Array) -> list[tuple[int, int]]:
    """(scale setting, draws) for the likeliest settings, draws in proportion to their weights."""
    likely = np.argsort(-weight, kind="stable")[:_MOST_SCALES]
    share = DRAWS * weight[likely] / weight[likely].sum()
    counts = np.floor(share).astype(int)
    short = DRAWS - counts.sum()
    counts[np.argsort(counts - share, kind="stable")[:short]] += 1
    return [(int(j), int(n)) for j, n in zip(likely, counts, strict=True) if n]


def spread_over_range(fit: Fit, fabric: str, unit_points: Array) -> pd.DataFrame:
    """Settings at points (M, d) of the unit cube: evenly over each range, heat limit kept."""
    session = fit.session
    columns: dict[str, Any] = {}
    for factor, u in zip(session.factors, unit_points.T, strict=True):
        columns[factor.name] = _along(fit, factor, fabric, u)
    return pd.DataFrame(columns)


def _along(fit: Fit, factor: Factor, fabric: str, u: Array) -> NDArray[Any]:
    if factor.is_numeric:
        low, high = factor.bounds[0], fit.session.highest(factor, fabric)
        return np.asarray(low + u * (high - low))
    place = np.minimum((u * len(factor.levels)).astype(int), len(factor.levels) - 1)
    return np.asarray(np.array(factor.levels, dtype=object)[place])
