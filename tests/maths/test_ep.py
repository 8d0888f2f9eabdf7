"""Expectation propagation against closed forms and brute-force integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from dtfexp.maths.propagation.ep import Observations, propagate

GRID = np.linspace(-9, 9, 601)


def _run(cov: np.ndarray, mean: np.ndarray, noise: np.ndarray, seen: Observations):
    return propagate(cov[None], mean[None], noise[None], seen, tolerance=1e-9, sweeps=200)


def test_measured_outcomes_are_exact() -> None:
    """Gaussian-process regression in closed form: Rasmussen & Williams 2006, eq. 2.23-2.24,
    2.30."""
    rng = np.random.default_rng(5)
    root = rng.normal(size=(6, 6))
    cov = root @ root.T + np.eye(6)
    mean, noise, y = rng.normal(size=6), np.full(6, 0.5), rng.normal(size=6)
    nothing = np.full(6, np.nan)
    sites = _run(cov, mean, noise, Observations(nothing, nothing, y))
    solved = np.linalg.inv(cov + np.diag(noise**2))
    assert sites.mean[0] == pytest.approx(mean + cov @ solved @ (y - mean), abs=1e-8)
    assert sites.variance[0] == pytest.approx(np.diag(cov - cov @ solved @ cov), abs=1e-8)
    evidence = multivariate_normal(mean, cov + np.diag(noise**2)).logpdf(y)
    assert sites.log_evidence[0] == pytest.approx(evidence, abs=1e-7)


@pytest.mark.parametrize(
    ("lower", "upper"), [((0.0, -np.inf), (1.0, 0.0)), ((1.0, 1.0), (np.inf, np.inf))]
)
def test_two_grades_against_brute_force(
    lower: tuple[float, float], upper: tuple[float, float]
) -> None:
    """Posterior moments and evidence of two correlated graded presses by summing over a grid.

    EP is not exact for grades: the tolerance is its known size for two observations (about a
    hundredth of a posterior sd), far below what Laplace would show.
    """
    cov, mean = np.array([[1.5, 0.9], [0.9, 1.2]]), np.array([0.2, -0.1])
    noise = np.array([0.4, 0.5])
    a, b = np.meshgrid(GRID, GRID, indexing="ij")
    weight = multivariate_normal(mean, cov).pdf(np.stack([a, b], axis=-1))
    for i, f in enumerate((a, b)):
        weight = weight * (
            norm.cdf((upper[i] - f) / noise[i]) - norm.cdf((lower[i] - f) / noise[i])
        )
    area = (GRID[1] - GRID[0]) ** 2
    total = weight.sum() * area
    exact_mean = [(weight * f).sum() * area / total for f in (a, b)]
    exact_var = [
        (weight * f * f).sum() * area / total - m * m
        for f, m in zip((a, b), exact_mean, strict=True)
    ]
    nan = np.full(2, np.nan)
    sites = _run(cov, mean, noise, Observations(np.array(lower), np.array(upper), nan))
    assert sites.mean[0] == pytest.approx(exact_mean, abs=0.01)
    assert np.sqrt(sites.variance[0]) == pytest.approx(np.sqrt(exact_var), rel=0.015)
    assert sites.log_evidence[0] == pytest.approx(np.log(total), abs=0.01)


def test_measured_outcomes_with_batch_effects_are_exact() -> None:
    """Each row's cavity ties its field to its batch effect; all of it is one joint normal."""
    rng = np.random.default_rng(4)
    roots = rng.normal(size=(2, 3, 3))
    field, batch = roots @ roots.transpose(0, 2, 1) + 0.2 * np.eye(3)
    mean, noise, value = rng.normal(size=3), np.array([0.3, 0.6, 1.1]), rng.normal(size=3)
    open_ = np.full(3, np.inf)
    seen = Observations(-open_, open_, value)
    sites = propagate(field[None], mean[None], noise[None], seen, batch=batch[None])
    whole = field + batch + np.diag(noise**2)
    assert sites.log_evidence[0] == pytest.approx(
        multivariate_normal(mean, whole).logpdf(value), abs=1e-8
    )
    of_field, of_batch = field @ np.linalg.inv(whole), batch @ np.linalg.inv(whole)
    assert sites.mean[0] == pytest.approx(mean + of_field @ (value - mean), abs=1e-8)
    assert sites.batch_mean[0] == pytest.approx(of_batch @ (value - mean), abs=1e-8)
    assert sites.covariance[0] == pytest.approx(-np.diag(of_field @ batch), abs=1e-8)


def test_nothing_seen_leaves_the_prior() -> None:
    none = np.zeros(0)
    sites = _run(np.zeros((0, 0)), none, none, Observations(none, none, none))
    assert sites.log_evidence.shape == (1,)
    assert sites.weights.shape == (1, 0)


def test_separated_grades_stay_finite() -> None:
    x = np.linspace(-1, 1, 12)
    cov = 4.0 * np.multiply.outer(x, x) + 1.0 + 1e-6 * np.eye(12)
    lower = np.where(x > 0, 0.0, -np.inf)
    upper = np.where(x > 0, np.inf, 0.0)
    sites = _run(
        cov, np.zeros(12), np.full(12, 0.3), Observations(lower, upper, np.full(12, np.nan))
    )
    assert np.all(np.isfinite(sites.mean))
    assert np.all(sites.mean[0][x > 0.3] > 0)
    assert np.all(sites.mean[0][x < -0.3] < 0)
