"""Whether prints at a set-point look under- or over-cured, under- or over-pressed.

Each stage fails on two sides, and the window lies between them (operating windows: Joseph & Wu
2002, J. Quality Technology 34:345; from memory, not verified).  From the fit: would more of the
stage (hotter, longer, harder) make the outcomes that fail here better or worse?  From the bench:
which defects were seen nearby?
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.signs.defect_words import defect_words, signs_of
from dtfexp.dialin.window.edges import LOOKS
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.joint_posterior import field_differences
from dtfexp.maths.prediction.pass_probability import outcome_pass_rates

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

STAGES = ("print", "cure", "press", "peel")
HOLDS, UNKNOWN = "holds", "cannot tell yet"
#: A pass rate from which a set-point is said to hold, and the belief from which a side is named.
HOLDS_FROM, SURE_FROM = 0.90, 0.70
# More of a stage: an eighth of the range of each of its settings, all together.
_REACH = 0.125
# A defect speaks for places within about this part of a range; other words halve its say.
_PROXIMITY_SCALE = 0.25
_MOST_EVIDENCE = 2.0  # the same defect on ten coupons of one corner is not ten independent signs


def failure_sides(fit: FittedModel, settings: pd.DataFrame, fabric: str) -> pd.DataFrame:
    """See :meth:`dtfexp.dialin.fit.Fit.failure_sides`; settings are checked already.

    METHODS.md, equation (35).
    """
    at, chance = _points_and_pass_rates(fit, settings, fabric)
    failing = 1.0 - chance
    # What fails most says most; where all but nothing fails, the outcomes count alike.
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
    """Exact points of the settings, and the chance (M, O) that a new press passes each outcome."""
    index = np.full(len(settings), fit.coding.fabric_index(fabric))
    latent = predict(fit.posterior, fit.coding.points(settings, index))
    chance = outcome_pass_rates(fit.posterior, latent)
    return fit.coding.points(settings, index, spread=False), chance


def _points_less_and_more(
    fit: FittedModel, at: Points, factors: list[Factor]
) -> tuple[Points, Points]:
    """The points with less and with more of a stage; inside the range of the plan."""
    less, more = at.nodes.copy(), at.nodes.copy()
    for factor in factors:
        column = fit.session.factors.index(factor)
        ends = factor.bounds if factor.is_numeric else (factor.levels[0], factor.levels[-1])
        # Sorted: the fast end of a conveyor is less of the cure.
        low, high = np.sort(fit.coding.code(factor, np.array(ends, dtype=object)).astype(float))
        reach = _REACH * (high - low)
        # Never past the ends, where the field would be mere extrapolation; a set-point outside the
        # range keeps its place.
        here = at.nodes[:, column, :]
        less[:, column, :] = np.maximum(here - reach, np.minimum(here, low))
        more[:, column, :] = np.minimum(here + reach, np.maximum(here, high))
    return Points(less, at.weights, at.fabric), Points(more, at.weights, at.fabric)


def _defect_log_odds(fit: FittedModel, settings: pd.DataFrame, fabric: str) -> dict[str, Any]:
    """Log odds (M,) of "too little" that the recorded defects add for each stage, and their
    words."""
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
    """1 at the press's own settings, falling to nothing far away, (M,)."""
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
    """The side a failing print most likely shows, where one stands out."""
    named = []
    for row in range(len(rate)):
        if rate[row] >= HOLDS_FROM:
            named.append(HOLDS)
            continue
        sure = [looks for looks in belief if belief[looks][row] >= SURE_FROM]
        named.append(max(sure, key=lambda looks: pull[looks][row]) if sure else UNKNOWN)
    return named
