"""A Bernoulli CUSUM over counts of failing garments, and its run lengths.

Each failing garment adds ``weight`` units, each passing one subtracts one, never below zero; the
sum alarms at ``limit``. This is the log-likelihood-ratio sum for a rise of the failing rate (Page
1954, Biometrika 41:100) with the ratio of its steps rounded to a whole number, as in the Bernoulli
chart of Reynolds & Stoumbos (1999, J. Quality Technology 31:87): the sum is on a lattice, and its
run lengths follow exactly from a Markov chain (Brook & Evans 1972, Biometrika 59:539).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve
from scipy.stats import binom

from dtfexp.describe.errors import PlanError

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

_HIGHEST_LIMIT = 4000


def failure_weight(usual: float, caught: float) -> int:
    """Return the units added by a failure when a pass subtracts one.

    ln(p1 / p0) / ln[(1 - p0) / (1 - p1)] for failing rates p0 = ``usual`` < p1 = ``caught``,
    rounded to a whole number of at least 1. METHODS.md, equation (33).
    """
    ratio = np.log(caught / usual) / np.log((1.0 - usual) / (1.0 - caught))
    return max(1, round(float(ratio)))


def cusum(pressed: Ints, failed: Ints, weight: int, limit: int) -> tuple[Ints, list[int]]:
    """Return the sum after each day (n,), and the days (indices) of alarms.

    It starts from zero. After an alarm it continues, and alarms again only once it has been back at
    zero: one rise is one alarm. METHODS.md, equation (33).
    """
    total, quiet, path = 0, True, []
    alarms: list[int] = []
    for day, (n, bad) in enumerate(zip(pressed, failed, strict=True)):
        total = max(0, total + weight * int(bad) - int(n - bad))
        path.append(total)
        if total >= limit and quiet:
            alarms.append(day)
        quiet = total == 0 or (quiet and total < limit)
    return np.array(path, dtype=int), alarms


def day_step_distribution(sizes: Ints, failing: float, weight: int) -> tuple[Ints, Array]:
    """Return steps of the sum over one day and their probabilities; day sizes from ``sizes``."""
    chance: dict[int, float] = {}
    for n in sizes:
        bad = np.arange(int(n) + 1)
        for step, p in zip(
            (weight + 1) * bad - int(n), binom.pmf(bad, int(n), failing), strict=True
        ):
            chance[int(step)] = chance.get(int(step), 0.0) + float(p) / len(sizes)
    steps = np.array(sorted(chance), dtype=int)
    return steps, np.array([chance[int(s)] for s in steps])


def transition_matrix(steps: Ints, chance: Array, limit: int) -> Array:
    """Return transition probabilities (limit, limit) of the sum without an alarm."""
    out = np.zeros((limit, limit))
    values = np.arange(limit)
    for step, p in zip(steps, chance, strict=True):
        after = np.maximum(values + step, 0)
        stays = after < limit
        out[values[stays], after[stays]] += p
    return out


def mean_run_length(steps: Ints, chance: Array, limit: int) -> float:
    """Return the mean number of steps from zero to the alarm, the alarming one included.

    Solves (I - Q) m = 1 (Brook & Evans 1972, eq. 2.3; the number from memory). METHODS.md, equation
    (34).
    """
    quiet = transition_matrix(steps, chance, limit)
    if float(chance[steps > 0].sum()) <= 0.0:
        return float("inf")
    mean = solve(np.eye(limit) - quiet, np.ones(limit))
    return float(mean[0])


def run_length_quantile(
    steps: Ints, chance: Array, limit: int, share: float, most: int = 5000
) -> int:
    """Return the steps from zero within which the alarm comes with probability ``share``.

    At most ``most``.
    """
    quiet = transition_matrix(steps, chance, limit)
    here = np.zeros(limit)
    here[0] = 1.0
    for step in range(1, most + 1):
        here = here @ quiet
        if float(here.sum()) <= 1.0 - share:
            return step
    return most


def limit_for_mean_run(sizes: Ints, usual: float, weight: int, run: float) -> int:
    """Return the smallest limit with a mean run of ``run`` days at the usual failing rate.

    METHODS.md, equation (34).  Raises ``PlanError`` where no limit up to 4000 is enough.
    """
    steps, chance = day_step_distribution(sizes, usual, weight)
    low, high = 0, weight
    while mean_run_length(steps, chance, high) < run:
        if high == _HIGHEST_LIMIT:
            raise PlanError(
                f"false_alarm_days: got {run:g}, longer than any sum of failures up to "
                f"{_HIGHEST_LIMIT} runs with {np.mean(sizes):g} garments a day; accepted: fewer "
                "days, fewer garments a day, or a rise to catch that is larger"
            )
        low, high = high, min(2 * high, _HIGHEST_LIMIT)
    while high - low > 1:
        middle = (low + high) // 2
        if mean_run_length(steps, chance, middle) < run:
            low = middle
        else:
            high = middle
    return high
