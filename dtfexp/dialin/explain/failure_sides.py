"""Whether prints at a set-point fail under- or over-cured, under- or over-pressed.

Each stage fails on two sides, and the window lies between them (operating windows: Joseph & Wu
2002, J. Quality Technology 34:345; from memory, not verified). Evidence from the fit: would more of
the stage (hotter, longer, harder) improve the outcomes that fail here? Evidence from the bench: the
defects recorded nearby.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import check_settings, excluded_rows
from dtfexp.dialin.signs.defect_words import defect_words, signs_of
from dtfexp.dialin.window.edges import LOOKS
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import field_differences
from dtfexp.maths.prediction.pass_probability import outcome_pass_rates

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

STAGES = ("print", "cure", "press", "peel")
HOLDS, UNKNOWN = "holds", "cannot tell yet"
#: Pass rate from which a set-point holds, and probability from which a side is named.
HOLDS_FROM, SURE_FROM = 0.90, 0.70
# One step of a stage: an eighth of the range of each of its settings, all at once.
_REACH = 0.125
# A defect counts for settings within about this part of a range; other words halve its weight.
_PROXIMITY_SCALE = 0.25
_MOST_EVIDENCE = 2.0  # the same defect on ten coupons of one corner is not ten independent signs


def failure_sides(fit: FittedModel, settings: pd.DataFrame, fabric: str | Fabric) -> pd.DataFrame:
    """Return how prints fail at each set-point: too little or too much of a stage.

    ``settings``: DataFrame with the factor columns. Returns a DataFrame with the same index:
    ``pass_rate`` (expected); ``weakest`` (the outcome most likely to fail); for each stage with
    a numeric setting two probabilities that add up to 1, ``under-cured`` and ``over-cured``,
    ``under-pressed`` and ``over-pressed``, ``peeled too early`` and ``peeled too late``: that
    more (less) of the stage would improve the failing outcomes, from the fit and the
    ``defects`` recorded nearby; ``looks``: the side that stands out, "holds" where at least 90
    % pass, or "cannot tell yet"; ``defects``: the words recorded nearby, joined by "; ". Raises
    as :meth:`pass_rate` does.

    METHODS.md, equation (35).
    """
    settings, fabric = check_settings(fit.session, settings), fit.session.fabric(fabric).name
    at, chance = _points_and_pass_rates(fit, settings, fabric)
    failing = 1.0 - chance
    # Outcomes count by their failure rate; where almost nothing fails, they count alike.
    share = (failing + 1e-6) / (failing + 1e-6).sum(axis=1, keepdims=True)
    names = [outcome.name for outcome in fit.coding.outcomes]
    out: dict[str, Any] = {
        "pass_rate": fit.pass_posterior(settings, fabric).expected(),
        "weakest": [names[k] for k in np.argmax(failing, axis=1)],
    }
    heard = _defect_log_odds(fit, settings, fabric)
    belief: dict[str, Array] = {}
    pull: dict[str, Array] = {}
    for stage in STAGES:
        factors = [f for f in grids.ranged_factors(fit.session) if f.stage == stage]
        if not factors:
            continue
        less, more = _points_less_and_more(fit, at, factors)
        mean, sd = field_differences(fit.posterior, less, more, share)
        helps = np.clip(fit.posterior.weight @ ndtr(mean / sd), 1e-6, 1.0 - 1e-6)
        helps = expit(logit(helps) + heard[stage])
        low, high = LOOKS[stage, "low"], LOOKS[stage, "high"]
        belief |= {low: helps, high: 1.0 - helps}
        size = np.abs(fit.posterior.weight @ mean) + 0.5 * np.abs(heard[stage])
        pull |= {low: helps * size, high: (1.0 - helps) * size}
    for looks in belief:
        out[looks] = belief[looks]
    out["looks"] = _side_named(out["pass_rate"], belief, pull)
    out["defects"] = heard["words"]
    return pd.DataFrame(out, index=settings.index)


def _points_and_pass_rates(
    fit: FittedModel, settings: pd.DataFrame, fabric: str
) -> tuple[Points, Array]:
    """Return exact points of the settings, and P(M, O) that a new press passes each outcome."""
    index = np.full(len(settings), fit.coding.fabric_index(fabric))
    latent = predict(fit.posterior, fit.coding.points(settings, index))
    chance = outcome_pass_rates(fit.posterior, latent)
    return fit.coding.points(settings, index, spread=False), chance


def _points_less_and_more(
    fit: FittedModel, at: Points, factors: list[Factor]
) -> tuple[Points, Points]:
    """Return the points with less and with more of a stage, inside the planned range."""
    less, more = at.nodes.copy(), at.nodes.copy()
    for factor in factors:
        column = fit.session.factors.index(factor)
        ends = factor.bounds if factor.is_numeric else (factor.levels[0], factor.levels[-1])
        # Sorted: a faster conveyor cures less.
        low, high = np.sort(fit.coding.code(factor, np.array(ends, dtype=object)).astype(float))
        reach = _REACH * (high - low)
        # Not past the ends of the range, where the field extrapolates; a set-point outside stays.
        here = at.nodes[:, column, :]
        less[:, column, :] = np.maximum(here - reach, np.minimum(here, low))
        more[:, column, :] = np.minimum(here + reach, np.maximum(here, high))
    return Points(less, at.weights, at.fabric), Points(more, at.weights, at.fabric)


def _defect_log_odds(fit: FittedModel, settings: pd.DataFrame, fabric: str) -> dict[str, Any]:
    """Return the log odds (M,) of "too little" from the defects per stage, and their words."""
    heard: dict[str, Any] = {stage: np.zeros(len(settings)) for stage in STAGES}
    words: list[list[str]] = [[] for _ in range(len(settings))]
    heard["words"] = ["" for _ in words]
    results = fit.results
    if "defects" not in results or not len(settings):
        return heard
    mine = results[(results["fabric"] == fabric).to_numpy() & ~excluded_rows(results)]
    near: dict[str, Array] = {}
    for row, cell in zip(range(len(mine)), mine["defects"], strict=True):
        for word in dict.fromkeys(defect_words(cell)):
            close = _proximity_weight(fit, settings, mine.iloc[row])
            near[word] = near.get(word, np.zeros(len(settings))) + close
    for word, close in near.items():
        for stage, side, weight in signs_of(word):
            sign = 1.0 if side == "low" else -1.0
            heard[stage] += sign * weight * np.minimum(close, _MOST_EVIDENCE)
        for place in np.flatnonzero(close >= 0.5):
            words[place].append(word)
    heard["words"] = ["; ".join(found) for found in words]
    return heard


def _proximity_weight(fit: FittedModel, settings: pd.DataFrame, press: pd.Series[Any]) -> Array:
    """Return the weight of a press at each setting (M,): 1 at its own, decreasing with distance."""
    away = np.zeros(len(settings))
    factor_of_words = np.ones(len(settings))
    for factor in fit.session.factors:
        if factor.is_numeric:
            low, high = factor.bounds
            gap = (settings[factor.name].to_numpy(dtype=float) - float(press[factor.name])) / (
                high - low
            )
            away += (gap / _PROXIMITY_SCALE) ** 2
        else:
            factor_of_words[(settings[factor.name] != press[factor.name]).to_numpy()] *= 0.5
    return np.asarray(np.exp(-0.5 * away) * factor_of_words)


def _side_named(rate: Array, belief: dict[str, Array], pull: dict[str, Array]) -> list[str]:
    """Return the most probable side of a failing print, where one stands out."""
    named = []
    for row in range(len(rate)):
        if rate[row] >= HOLDS_FROM:
            named.append(HOLDS)
            continue
        sure = [looks for looks in belief if belief[looks][row] >= SURE_FROM]
        named.append(max(sure, key=lambda looks: pull[looks][row]) if sure else UNKNOWN)
    return named
