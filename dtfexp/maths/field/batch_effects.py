"""Batch random effects and input noise as covariance of the observations.

A load, a round and a block are one draw each for all their presses; the machine spread is one draw
per press.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dtfexp.maths.field.parameters import Hyperparameters, Prior

Array = NDArray[np.float64]
Ints = NDArray[np.int_]


def batch_covariance(
    outcome: Ints,
    load: Ints,
    round_: Ints,
    block: Ints,
    press: Ints,
    hyper: Hyperparameters,
    prior: Prior,
) -> Array:
    """Return the covariance (n, n) of load, round, block and press effects.

    Codes below zero mean "not known": such an observation shares no batch effect. A share
    ``prior.batch_common`` of the variance of a load or round is common to the outcomes, the rest
    belongs to each. A block (a day, a roll, a lot) has the standard deviation of a press round,
    ``round_sd``, by choice: the two or three blocks of a plan are too few to estimate another.
    METHODS.md, equation (10).
    """
    common = prior.batch_common
    across = np.where(outcome[:, None] == outcome, 1.0, common)

    def same(code: Ints) -> Array:
        # What is not known is a code of its own.
        known = np.where(code >= 0, code, -1 - np.arange(len(code)))
        return np.asarray(known[:, None] == known)

    out = (hyper.load_sd**2 * same(load) + hyper.round_sd**2 * same(round_)) * across
    if np.any(block >= 0):
        out += hyper.round_sd**2 * same(block) * across
    out += prior.press_effect_sd**2 * same(press)
    return np.asarray(out)


def new_press_variance(hyper: Hyperparameters, prior: Prior, blocks: bool) -> tuple[float, Array]:
    """Return the variance common to the outcomes of a NEW press, and each outcome's own (O,).

    A new press has a new load, a new round, its own press noise (and a new block if blocks are
    used).
    """
    luck = hyper.load_sd**2 + hyper.round_sd**2 * (2.0 if blocks else 1.0)
    shared = prior.batch_common * luck + prior.press_effect_sd**2
    return float(shared), np.asarray((1.0 - prior.batch_common) * luck + hyper.noise**2)


def input_noise_covariance(input_noise: Array, press: Ints) -> Array:
    """Return the covariance (n, n) from the machine spread; ``input_noise`` as in ``Data``.

    A press reached one place, so the deviations of its outcomes are common. METHODS.md, equation
    (12).
    """
    same = press[:, None] == press[None, :]
    return np.asarray(np.where(same, input_noise @ input_noise.T, 0.0))
