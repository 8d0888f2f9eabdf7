"""Intervals and plans over passing and failing presses, held to published figures."""

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
    plan = SequentialPlan(h1, h2, s, 400)
    assert [plan.accept_line(n) for n in (43, 44)] == [-1, 0]
    assert plan.refuse_line(2) == 2
    assert plan.decide(np.array([True, True])) == (REFUSED, 2)
    assert plan.decide(np.zeros(44, dtype=bool)) == (ACCEPTED, 44)
    assert plan.decide(np.zeros(43, dtype=bool)) == (OPEN, 43)
    assert wald_lines(0.01, 0.10, 0.05, 0.20) == pytest.approx((0.6498, 1.1563, 0.0397), abs=1e-4)


def test_sequential_performance_is_what_happens():
    """Exact walk against presses drawn: chance to accept and mean number, within Monte Carlo."""
    plan = sequential_plan(0.025, 0.10, 0.10, 0.10, 65)
    rng = np.random.default_rng(0)
    runs = 4000
    for failing in (0.025, 0.10):
        accept, presses = plan.performance(failing)
        said = [plan.decide(row) for row in rng.random((runs, 65)) < failing]
        got = np.array([word == ACCEPTED for word, _ in said])
        made = np.array([n for _, n in said], dtype=float)
        assert got.mean() == pytest.approx(accept, abs=4 * np.sqrt(0.25 / runs))
        assert made.mean() == pytest.approx(presses, abs=4 * made.std() / np.sqrt(runs))
    assert plan.performance(0.10)[0] <= 0.10


def test_a_bad_bench_is_never_accepted_too_often():
    """Wald's own lines promise their risks only about: these plans would accept 0.207 and 0.229."""
    for good, bad, alpha, risk in ((0.01, 0.1, 0.1, 0.2), (0.01, 0.1, 0.3, 0.2)):
        plain = SequentialPlan(*wald_lines(good, bad, alpha, risk), 200)
        assert plain.performance(bad)[0] > risk
        assert sequential_plan(good, bad, alpha, risk, 200).performance(bad)[0] <= risk * 1.000001
    for good, bad, risk in ((0.002, 0.01, 0.05), (0.09, 0.1, 0.1), (0.1, 0.4, 0.01)):
        assert sequential_plan(good, bad, 0.1, risk, 300).performance(bad)[0] <= risk * 1.000001
