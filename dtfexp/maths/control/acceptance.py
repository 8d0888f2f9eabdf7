"""Counts of passing and failing presses: intervals, and acceptance plans.

Counts are whole numbers, rates are between 0 and 1. A *plan* is a rule on counts: after how many
presses, with how many failures, a rate is shown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta, binom, binomtest

Array = NDArray[np.float64]

ACCEPTED, REFUSED, OPEN = "accepted", "refused", "open"
_START, _WIDENING = 0.5, 1.02


def exact_interval(passed: int, tried: int, level: float) -> tuple[float, float]:
    """Return two-sided exact limits of a proportion (Clopper & Pearson 1934, Biometrika 26:404)."""
    if tried == 0:
        return 0.0, 1.0
    found = binomtest(passed, tried).proportion_ci(confidence_level=level, method="exact")
    return float(found.low), float(found.high)


def exact_lower_limit(passed: int, tried: int, confidence: float) -> float:
    """Return the one-sided exact lower limit of the pass rate at ``confidence``.

    METHODS.md, section 11.
    """
    return float(beta.ppf(1.0 - confidence, passed, tried - passed + 1)) if passed else 0.0


def bayes_interval(passed: int, tried: int, level: float) -> tuple[float, float]:
    """Return the equal-tailed posterior interval of a pass rate from a uniform prior.

    Beta(1 + k, 1 + n - k); Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., sec. 2.4.
    """
    tails = np.array([0.5 - 0.5 * level, 0.5 + 0.5 * level])
    low, high = beta.ppf(tails, 1 + passed, 1 + tried - passed)
    return float(low), float(high)


def bayes_probability(rate: float, passed: int, tried: int) -> float:
    """Return the posterior probability that the pass rate is at least ``rate``, uniform prior."""
    return float(beta.sf(rate, 1 + passed, 1 + tried - passed))


def acceptance(presses: int, failures: int, failing: Array) -> Array:
    """Return the operating characteristic of a fixed plan.

    The probability that at most ``failures`` of ``presses`` fail, each with probability ``failing``
    (any shape).
    """
    return np.asarray(binom.cdf(failures, presses, failing), dtype=float)


@dataclass(frozen=True)
class SequentialPlan:
    """An item-by-item plan (Wald 1947, Sequential Analysis, binomial case).

    After n presses with d failures, accept when d <= slope * n - accept_at, refuse when d >= slope
    * n + refuse_at. Truncated after ``max_presses``: then at most ``allowed`` failures accept, more
    refuse.
    """

    accept_at: float
    refuse_at: float
    slope: float
    max_presses: int
    allowed: int

    def accept_line(self, tried: int) -> int:
        """Return the most failures that accept after ``tried`` presses; negative: none yet."""
        if tried >= self.max_presses:
            return self.allowed
        return min(int(np.floor(self.slope * tried - self.accept_at + 1e-12)), self.allowed)

    def refuse_line(self, tried: int) -> int:
        """Return the fewest failures that refuse after ``tried`` presses."""
        return min(int(np.ceil(self.slope * tried + self.refuse_at - 1e-12)), self.allowed + 1)

    def decide(self, failed: NDArray[np.bool_]) -> tuple[str, int]:
        """Return ACCEPTED, REFUSED or OPEN for presses in order (n,), and after how many."""
        bad = 0
        for tried, fails in enumerate(failed[: self.max_presses], start=1):
            bad += int(fails)
            if bad <= self.accept_line(tried):
                return ACCEPTED, tried
            if bad >= self.refuse_line(tried):
                return REFUSED, tried
        return OPEN, len(failed)

    def performance(self, failing: float) -> tuple[float, float]:
        """Return the acceptance probability and mean number of presses at a failing rate.

        Exact, by forward recursion over counts, without Wald's neglect of the overshoot.
        METHODS.md, equation (32).
        """
        chance = np.zeros(self.allowed + 2)
        chance[0] = 1.0
        accepted = presses = 0.0
        for tried in range(1, self.max_presses + 1):
            presses += float(chance.sum())
            chance[1:] = (1.0 - failing) * chance[1:] + failing * chance[:-1]
            chance[0] *= 1.0 - failing
            accepts = max(self.accept_line(tried) + 1, 0)
            accepted += float(chance[:accepts].sum())
            chance[:accepts] = 0.0
            chance[self.refuse_line(tried) :] = 0.0
        return accepted, presses


def wald_lines(good: float, bad: float, alpha: float, beta_: float) -> tuple[float, float, float]:
    """Return intercepts h1 (accept), h2 (refuse) and slope s of Wald's plan.

    ``good`` < ``bad`` are failing rates; ``alpha`` the risk of refusing a good one, ``beta_`` of
    accepting a bad one. With k = ln[p2 (1 - p1) / (p1 (1 - p2))]: h1 = ln[(1 - alpha) / beta] / k,
    h2 = ln[(1 - beta) / alpha] / k, s = ln[(1 - p1) / (1 - p2)] / k (Wald 1947, binomial case).
    METHODS.md, equation (32).
    """
    k = np.log(bad * (1.0 - good) / (good * (1.0 - bad)))
    return (
        float(np.log((1.0 - alpha) / beta_) / k),
        float(np.log((1.0 - beta_) / alpha) / k),
        float(np.log((1.0 - good) / (1.0 - bad)) / k),
    )


@cache
def sequential_plan(
    good: float, bad: float, alpha: float, beta_: float, max_presses: int, allowed: int
) -> SequentialPlan:
    """Return Wald's plan truncated, with the closest lines that keep both risks exactly.

    Wald's lines keep the risks only approximately, and not when truncated. Both lines start at half
    their distance and are moved out in turn, accept for ``beta_``, refuse for ``alpha``, until
    neither risk is too large. This ends when the fixed plan of ``max_presses`` with at most
    ``allowed`` failures keeps both risks, which is the limit of distant lines. METHODS.md, equation
    (32).
    """
    h1, h2, slope = wald_lines(good, bad, alpha, beta_)
    plan = SequentialPlan(h1 * _START, h2 * _START, slope, max_presses, allowed)
    while True:
        if plan.performance(bad)[0] > beta_ * (1.0 + 1e-9):
            plan = replace(plan, accept_at=plan.accept_at * _WIDENING)
        elif 1.0 - plan.performance(good)[0] > alpha * (1.0 + 1e-9):
            plan = replace(plan, refuse_at=plan.refuse_at * _WIDENING)
        else:
            return plan
