"""Run lengths of the cumulative sum, against published figures, a closed form and simulation."""

import numpy as np
import pytest
from scipy.stats import norm

from dtfexp.describe.errors import PlanError
from dtfexp.maths.control.cusum import (
    cusum,
    day_step_distribution,
    failure_weight,
    limit_for_mean_run,
    mean_run_length,
    run_length_quantile,
)

# Two-sided sum of normal values, reference 0.5, limit 4 and 5, mean shifted by 0, 0.5, 1, 2, 3 sd:
# Lucas & Crosier 1982, Technometrics 24:199, and Montgomery, Introduction to Statistical Quality
# Control, table of run lengths for k = 1/2 (both from memory, not verified at the source; each
# figure agrees with the integral equation below to the digits printed).
SHIFTS = (0.0, 0.5, 1.0, 2.0, 3.0)
PUBLISHED = {4: (168.0, 26.6, 8.38, 3.34, 2.19), 5: (465.0, 38.0, 10.4, 4.01, 2.57)}


def by_chain(limit: int, shift: float, states: int = 200) -> float:
    """Mean run of the one-sided sum; Brook & Evans' chain stands for the continuous sum."""
    width = 2 * limit / (2 * states - 1)
    steps = np.arange(-4 * states, 4 * states)
    edges = np.append(steps - 0.5, steps[-1] + 0.5) * width + 0.5 - shift
    return mean_run_length(steps, np.diff(norm.cdf(edges)), states)


def by_integral(limit: int, shift: float) -> float:
    """The same from Page's integral equation (Page 1954, Biometrika 41:100), by 120 Gauss points:
    L(z) = 1 + L(0) P(k - d - z) + integral over 0 to h of L(x) p(x - z + k - d) dx."""
    x, weight = np.polynomial.legendre.leggauss(120)
    x, weight = limit * (x + 1) / 2, weight * limit / 2
    z = np.append(0.0, x)
    into = np.empty((121, 121))
    into[:, 0] = norm.cdf(0.5 - shift - z)
    into[:, 1:] = weight * norm.pdf(x[None, :] - z[:, None] + 0.5 - shift)
    return float(np.linalg.solve(np.eye(121) - into, np.ones(121))[0])


@pytest.mark.parametrize("limit", PUBLISHED)
def test_run_lengths_of_normal_values_are_those_of_the_integral_equation(limit):
    exact = [by_integral(limit, shift) for shift in SHIFTS]
    assert [by_chain(limit, shift) for shift in SHIFTS] == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize("limit", PUBLISHED)
def test_run_lengths_of_both_sides_are_the_published_ones(limit):
    """Two sides alarm as 1 / L = 1 / L(up) + 1 / L(down). At 0.5 sd and limit 4 that is 26.63;
    one side alone takes 26.68."""
    got = []
    for shift in SHIFTS:
        # From 1 sd on the other side alarms once in some 100,000 values: nothing to add.
        other = 1 / by_chain(limit, -shift) if shift < 1 else 0.0
        got.append(1 / (1 / by_chain(limit, shift) + other))
    assert got == pytest.approx(PUBLISHED[limit], rel=2.5e-3)


@pytest.mark.parametrize(("run", "failing"), [(2, 0.3), (3, 0.2), (5, 0.5)])
def test_failures_in_a_row_have_a_closed_form(run, failing):
    """A pass that throws the sum back to zero: mean trials to ``run`` failures in a row are
    (1 - q^r) / (p q^r) (Feller 1968, An Introduction to Probability Theory, vol. 1, XIII.7)."""
    steps, chance = np.array([-run, 1]), np.array([1 - failing, failing])
    closed = (1 - failing**run) / ((1 - failing) * failing**run)
    assert mean_run_length(steps, chance, run) == pytest.approx(closed, rel=1e-9)


def test_the_stated_run_length_is_what_happens():
    sizes = np.array([8, 15, 30])
    weight = failure_weight(0.05, 0.15)
    limit = limit_for_mean_run(sizes, 0.05, weight, 60.0)
    steps, chance = day_step_distribution(sizes, 0.05, weight)
    stated = mean_run_length(steps, chance, limit)
    assert stated >= 60.0 > mean_run_length(steps, chance, limit - 1)
    rng = np.random.default_rng(1)
    lengths = []
    for _ in range(300):
        pressed = rng.choice(sizes, 1000)
        alarms = cusum(pressed, rng.binomial(pressed, 0.05), weight, limit)[1]
        lengths.append(alarms[0] + 1)
    got = np.array(lengths, dtype=float)
    assert got.mean() == pytest.approx(stated, abs=4 * got.std() / np.sqrt(len(got)))
    median = run_length_quantile(steps, chance, limit, 0.5)
    assert (got <= median).mean() == pytest.approx(0.5, abs=4 * np.sqrt(0.25 / len(got)) + 0.02)


def test_the_sum_by_hand():
    # Weight 5, limit 20, ten a day: two fail, 10 - 8 = 2; none, held at zero; five, 25 - 5 = 20:
    # alarm; three, 28, still the same alarm; none, 18, 8, 0; five: a new one.
    failed = np.array([2, 0, 5, 3, 0, 0, 0, 5])
    path, alarms = cusum(np.full(8, 10), failed, 5, 20)
    assert path.tolist() == [2, 0, 20, 28, 18, 8, 0, 20] and alarms == [2, 7]


def test_weight_of_a_failure():
    # ln 3 / ln(0.95 / 0.85) = 9.88
    assert failure_weight(0.05, 0.15) == 10
    assert failure_weight(0.5, 0.9) == 1


def test_a_bench_that_cannot_fail_never_alarms():
    steps, chance = day_step_distribution(np.array([10]), 0.0, 3)
    assert mean_run_length(steps, chance, 5) == float("inf")


def test_a_run_that_no_limit_gives_is_refused():
    """A sum that rises by 41 a day reaches any limit up to 4000 within a hundred days."""
    with pytest.raises(PlanError, match="false_alarm_days: got 1000"):
        limit_for_mean_run(np.array([20]), 0.05, 60, 1000.0)
