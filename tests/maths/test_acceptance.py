"""Intervals and plans over passing and failing presses, held to published figures."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from dtfexp.maths.control.acceptance import (
    ACCEPTED,
    OPEN,
    REFUSED,
    SequentialPlan,
    acceptance,
    bayes_interval,
    bayes_probability,
    exact_interval,
    exact_lower_limit,
    sequential_plan,
    wald_lines,
)


def test_exact_limits():
    # Clopper & Pearson (1934), Biometrika 26:404; 4 of 20 at 90 % as printed by NIST/SEMATECH,
    # e-Handbook of Statistical Methods, sec. 7.2.4.1 (0.0713, 0.401: four digits are right).
    assert exact_interval(4, 20, 0.90) == pytest.approx((0.0713, 0.401), abs=5e-4)
    # The others recomputed from the beta quantiles that define them.
    for (k, n), pair in {
        (0, 10): (0, 0.3084971), (1, 10): (0.0025286, 0.4450161), (5, 10): (0.187086, 0.812914),
        (8, 10): (0.4439045, 0.9747893), (0, 30): (0, 0.1157033),
    }.items():  # fmt: skip
        assert exact_interval(k, n, 0.95) == pytest.approx(pair, abs=1e-6)
    assert exact_interval(0, 0, 0.9) == (0.0, 1.0)


def test_success_run_limits():
    # Classical success run: R_L = (1 - C)^(1/n); 29 of 29 at 95 % shows 0.9019.
    assert exact_lower_limit(29, 29, 0.95) == pytest.approx(0.9019, abs=5e-5)
    assert exact_lower_limit(22, 22, 0.90) == pytest.approx(0.1 ** (1 / 22), abs=1e-12)
    assert exact_lower_limit(0, 5, 0.9) == 0.0
    # With a uniform prior: R = (1 - C)^(1/(n + 1)); 59 and 29 passes at 95 %.
    assert bayes_probability(0.951297, 59, 59) == pytest.approx(0.95, abs=1e-5)
    assert bayes_probability(0.904966, 29, 29) == pytest.approx(0.95, abs=1e-5)
    low, high = bayes_interval(7, 10, 0.9)
    assert bayes_probability(low, 7, 10) == pytest.approx(0.95)
    assert bayes_probability(high, 7, 10) == pytest.approx(0.05)


def test_operating_characteristic():
    # By hand: at most 1 of 3 failing at one half is (1 + 3) / 8.
    assert acceptance(3, 1, np.array([0.5, 0.0, 1.0])) == pytest.approx([0.5, 1.0, 0.0])


def test_sequential_lines():
    # Wald (1947), Sequential Analysis, binomial case; the plan 0.01 / 0.06, risks 0.05 / 0.10 as in
    # Montgomery, Introduction to Statistical Quality Control, item-by-item plans (from memory).
    h1, h2, s = wald_lines(0.01, 0.06, 0.05, 0.10)
    assert (h1, h2, s) == pytest.approx((1.22, 1.57, 0.028), abs=5e-3)
    plan = SequentialPlan(h1, h2, s, 400, 9)
    assert [plan.accept_line(n) for n in (43, 44)] == [-1, 0]
    assert plan.refuse_line(2) == 2
    assert plan.decide(np.array([True, True])) == (REFUSED, 2)
    assert plan.decide(np.zeros(44, dtype=bool)) == (ACCEPTED, 44)
    assert plan.decide(np.zeros(43, dtype=bool)) == (OPEN, 43)
    assert wald_lines(0.01, 0.10, 0.05, 0.20) == pytest.approx((0.6498, 1.1563, 0.0397), abs=1e-4)


def test_the_cut_decides_what_the_lines_leave_open():
    """By hand: at 3 presses the lines, 0.5 n -+ 2, ask for -1 or 4; at most 1 failure accepts."""
    plan = SequentialPlan(2.0, 2.0, 0.5, 3, 1)
    fails = np.array([False, True, False])
    assert plan.decide(fails) == (ACCEPTED, 3) and plan.decide(fails[:2]) == (OPEN, 2)
    # The second failure refuses wherever it falls: it could not be made good any more.
    assert plan.decide(np.array([True, True, False])) == (REFUSED, 2)
    # At one half: none or one failure of three, 4 of 8 ways; two early failures save one press.
    assert plan.performance(0.5) == pytest.approx((0.5, 2.75))


def passing(plan, failing):
    """Chance to accept from every count backwards, by the rule as Wald writes it."""

    @cache
    def chance(tried, bad):
        if (
            tried
            and bad <= plan.allowed
            and (bad <= plan.slope * tried - plan.accept_at or tried == plan.max_presses)
        ):
            return 1.0
        if bad >= plan.slope * tried + plan.refuse_at or bad > plan.allowed:
            return 0.0
        return failing * chance(tried + 1, bad + 1) + (1 - failing) * chance(tried + 1, bad)

    return chance(0, 0)


# Most presses and failures: the smallest n whose chance of so few failures at ``bad`` is ``risk``.
PLANS = [(0.025, 0.10, 0.10, 0.10, 78, 4), (0.05, 0.20, 0.10, 0.05, 50, 5),
         (0.125, 0.5, 0.10, 0.10, 12, 3), (0.01, 0.10, 0.05, 0.20, 42, 2)]  # fmt: skip


@pytest.mark.parametrize("terms", PLANS)
def test_both_risks_are_kept_exactly_by_lines_no_farther_out_than_that_needs(terms):
    good, bad, alpha, risk, *_ = terms
    plan = sequential_plan(*terms)
    for failing in (good, bad, 0.3):
        assert plan.performance(failing)[0] == pytest.approx(passing(plan, failing), abs=1e-12)
    assert passing(plan, bad) <= risk * 1.000001
    assert passing(plan, good) >= 1 - alpha - 1e-7
    nearer = replace(plan, accept_at=plan.accept_at / 1.02)
    assert passing(nearer, bad) > risk
    nearer = replace(plan, refuse_at=plan.refuse_at / 1.02)
    assert passing(nearer, good) < 1 - alpha
    # Wald's own lines, cut off there, break one promise or both.
    plain = SequentialPlan(*wald_lines(*terms[:4]), *terms[4:])
    assert passing(plain, bad) > risk or passing(plain, good) < 1 - alpha


def test_the_mean_number_of_presses_is_what_happens():
    """Against presses drawn, within Monte Carlo."""
    plan = sequential_plan(*PLANS[0])
    rng, runs = np.random.default_rng(0), 2000
    for failing in (0.025, 0.10):
        made = [plan.decide(row)[1] for row in rng.random((runs, plan.max_presses)) < failing]
        error = np.std(made) / np.sqrt(runs)
        assert np.mean(made) == pytest.approx(plan.performance(failing)[1], abs=4 * error)
