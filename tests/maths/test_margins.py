"""Maps of the margin drawn from the posterior have its mean and covariance."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtri

from dtfexp.maths.acquisition import probit_margin
from dtfexp.maths.field import batch_effects
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.pass_probability import pass_posterior
from tests.maths.test_lookahead import SCALES, points, posterior

CELLS = points([[0.1, 0.1], [0.8, 0.0], [-0.6, 0.4], [0.15, 0.1]])


def test_the_covariance_of_one_measured_outcome_is_the_fields() -> None:
    """Exact there: the probit margin is the field over the sd of a new press."""
    post = posterior(points([[0.0, 0.0], [0.5, -0.2]]), np.array([0.6, -0.1]))
    shared, own = batch_effects.new_press_variance(SCALES, Prior(), False)
    got = probit_margin.covariance(post, CELLS) * (shared + own[0])
    told = predict(post, CELLS).covariance[0, :, 0, 0]
    assert np.diag(got) == pytest.approx(told, rel=1e-6)
    # Cells side by side rise and fall together.
    correlation = got / np.sqrt(np.outer(told, told))
    assert correlation[0, 3] > 0.98 > correlation[0, 2]


def test_drawn_maps_have_the_moments_asked_for() -> None:
    """2,000 draws: within 5 standard errors of a mean and of a variance (normal theory)."""
    post = posterior(points([[0.0, 0.0], [0.5, -0.2]]), np.array([0.6, -0.1]))
    middle, stays = pass_posterior(post, predict(post, CELLS)).mean_and_between_variance()
    middle, stays = middle - ndtri(0.9), stays + 0.04
    cov = probit_margin.covariance(post, CELLS)
    maps = probit_margin.draw_margins(middle, cov, stays, 2000)
    variance = np.diag(cov) + stays
    assert np.abs(maps.mean(axis=0) - middle).max() < 5 * np.sqrt(variance.max() / 2000)
    assert maps.var(axis=0) == pytest.approx(variance, rel=5 * np.sqrt(2 / 2000))
    assert (probit_margin.draw_margins(middle, cov, stays, 2000) == maps).all()
    # What is known for sure is not blurred.
    sure = probit_margin.draw_margins(middle, 0.0 * cov, 0.0 * stays, 50)
    assert sure == pytest.approx(np.tile(middle, (50, 1)))


def test_few_directions_stand_for_a_smooth_map() -> None:
    """900 cells of a smooth field: the leading directions keep its variance to a thousandth."""
    grid = np.linspace(-1, 1, 30)
    cells = points([[a, b] for a in grid for b in grid])
    cov = probit_margin.covariance(posterior(points([[0.0, 0.0]]), np.array([0.3])), cells)
    values, vectors = probit_margin.leading_eigenpairs(cov, np.random.default_rng(1))
    kept = np.einsum("er,r,er->e", vectors, np.maximum(values, 0.0), vectors)
    assert kept == pytest.approx(np.diag(cov), rel=1e-3)
