"""The ceiling of quality, and expectation propagation under it, against brute force."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from dtfexp.maths.ceiling import capped_moments, quality, steepness
from dtfexp.maths.ep import Observations, propagate
from dtfexp.maths.ordinal import interval_moments

TOP = np.array(1.5)


def test_quality_follows_the_field_and_ends_at_the_ceiling() -> None:
    f = np.linspace(-8.0, 12.0, 201)
    q = quality(f, TOP)
    assert q[0] == pytest.approx(f[0], abs=1e-9)
    assert q[-1] == pytest.approx(1.5, abs=1e-9)
    assert np.all(np.diff(q) >= 0)
    assert steepness(f, TOP) == pytest.approx(np.gradient(q, f), abs=0.01)
    assert quality(f, np.array(np.inf)) == pytest.approx(f)
    assert steepness(f, np.array(np.inf)) == pytest.approx(np.ones(201))


@pytest.mark.parametrize(("mean", "sd"), [(0.3, 0.2), (1.4, 1.0), (-2.0, 1.5), (2.5, 0.9)])
@pytest.mark.parametrize("grade", [(-np.inf, -1.0), (0.0, 1.0), (1.0, np.inf)])
def test_moments_under_a_ceiling_against_a_fine_sum(
    mean: float, sd: float, grade: tuple[float, float]
) -> None:
    noise = 0.3

    f = np.linspace(mean - 9 * sd, mean + 9 * sd, 20001)
    q = quality(f, TOP)
    seen = norm.cdf((grade[1] - q) / noise) - norm.cdf((grade[0] - q) / noise)
    weight = norm.pdf(f, mean, sd) * seen * (f[1] - f[0])
    total = weight.sum()
    exact_mean = (weight * f).sum() / total
    exact_variance = (weight * (f - exact_mean) ** 2).sum() / total
    one = np.ones(1)
    log_z, slope, bend = capped_moments(
        mean * one, sd**2 * one, grade[0] * one, grade[1] * one, noise * one, TOP * one
    )
    assert log_z[0] == pytest.approx(np.log(total), abs=1e-4)
    assert mean + sd**2 * slope[0] == pytest.approx(exact_mean, abs=1e-3)
    assert bend[0] == pytest.approx(min((exact_variance / sd**2 - 1) / sd**2, 0.0), abs=1e-2)


def test_a_high_ceiling_is_none() -> None:
    rng = np.random.default_rng(2)
    mean, variance = rng.normal(size=20), rng.uniform(0.2, 2.0, 20)
    lower = rng.normal(size=20)
    arguments = (mean, variance, lower, lower + 1.0, np.full(20, 0.4))
    for capped, open_ended in zip(
        capped_moments(*arguments, np.full(20, 60.0)), interval_moments(*arguments), strict=True
    ):
        assert capped == pytest.approx(open_ended, abs=1e-5)


def test_one_grade_at_the_top_against_brute_force() -> None:
    """With one observation expectation propagation is exact: posterior mean and evidence."""
    f = np.linspace(-8, 10, 20001)
    weight = norm.pdf(f, 0.7, 1.1) * norm.sf((1.0 - quality(f, TOP)) / 0.3)
    nan = np.full(1, np.nan)
    sites = propagate(
        np.array([[[1.21]]]),
        np.array([[0.7]]),
        np.array([[0.3]]),
        Observations(np.array([1.0]), np.array([np.inf]), nan),
        ceiling=np.array([[1.5]]),
        tolerance=1e-8,
        sweeps=200,
    )
    assert sites.mean[0, 0] == pytest.approx((weight * f).sum() / weight.sum(), abs=1e-4)
    assert sites.log_evidence[0] == pytest.approx(np.log(weight.sum() * (f[1] - f[0])), abs=1e-4)
