"""The pass rate of a new press against library distributions and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from dtfexp.maths.joint import PassPosterior, joint_pass


@pytest.mark.parametrize("latent", [(0.4, 0.9), (-0.3, 1.5), (0.0, 0.0)])
def test_two_outcomes_against_the_bivariate_normal(latent: tuple[float, float]) -> None:
    shared, own = 0.05, np.array([0.2, 0.35])
    cov = np.diag(own) + shared
    exact = multivariate_normal(mean=[0, 0], cov=cov).cdf(np.array(latent))
    assert joint_pass(np.array(latent), shared, own) == pytest.approx(exact, abs=1e-4)


def test_one_outcome_is_a_plain_normal() -> None:
    got = joint_pass(np.array([[0.7]]), 0.1, np.array([0.26]))
    assert got[0] == pytest.approx(norm.cdf(0.7 / 0.6), abs=1e-12)


def test_posterior_summaries_against_draws() -> None:
    """Mixture of two; tolerance: four Monte Carlo standard errors of 200,000 draws."""
    passing = PassPosterior(
        np.array([[1.0], [2.0]]), np.array([[0.5], [0.3]]), np.array([0.4, 0.6])
    )
    rng = np.random.default_rng(0)
    which = rng.random(200_000) < 0.4
    draws = norm.cdf(np.where(which, rng.normal(1.0, 0.5, 200_000), rng.normal(2.0, 0.3, 200_000)))
    error = 4 * draws.std() / np.sqrt(len(draws))
    assert passing.expected()[0] == pytest.approx(draws.mean(), abs=error)
    chance = (draws >= 0.9).mean()
    error = 4 * np.sqrt(chance * (1 - chance) / len(draws))
    assert passing.chance_at_least(0.9)[0] == pytest.approx(chance, abs=error)
    for q in (0.05, 0.5, 0.95):
        below = (draws <= passing.quantile(q)[0]).mean()
        assert below == pytest.approx(q, abs=4 * np.sqrt(q * (1 - q) / len(draws)))
