"""The pass rate of a new press against library distributions and Monte Carlo."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.inference.observations import GradeScale
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import FieldPosterior
from dtfexp.maths.prediction.pass_probability import (
    NewPressEffects,
    PassPosterior,
    _sigma_points,
    all_pass_probability,
    common_factor,
    new_press_effects,
    new_press_effects_at,
    pass_posterior,
    pass_rate_given,
    probit,
)


@pytest.mark.parametrize("latent", [(0.4, 0.9), (-0.3, 1.5), (0.0, 0.0)])
def test_two_outcomes_against_the_bivariate_normal(latent: tuple[float, float]) -> None:
    shared, own = 0.05, np.array([0.2, 0.35])
    cov = np.diag(own) + shared
    exact = multivariate_normal(mean=[0, 0], cov=cov).cdf(np.array(latent))
    loading = np.sqrt([shared, shared])
    assert all_pass_probability(np.array(latent), loading, own) == pytest.approx(exact, abs=1e-4)


def test_one_outcome_is_a_plain_normal() -> None:
    got = all_pass_probability(np.array([[0.7]]), np.sqrt([0.1]), np.array([0.26]))
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


@pytest.mark.parametrize(
    ("sd", "rate_off", "chance_off"), [(0.3, 0.01, 0.03), (1.0, 0.02, 0.05), (2.5, 0.06, 0.10)]
)
def test_a_wide_posterior_under_a_ceiling_against_draws(
    sd: float, rate_off: float, chance_off: float
) -> None:
    """Two outcomes, fields known to ``sd``: rate, chance and bounds against 50,000 draws.

    Where it is wide the ceiling makes it lopsided.  Tolerances are what was measured; one Gaussian
    on the probit scale, in place of three, is out by 0.03 and 0.12 in the rate at the wider two.
    """
    prior, shape = Prior(), FieldShape((0,), (False,), (), 2)
    scales = Hyperparameters(1.0, 0.5, 0.8, 0.15, 0.15, 0.6, np.array([0.3, 0.3]), 1.5)
    graded = (GradeScale(np.zeros(1)),) * 2
    blank: Any = SimpleNamespace(block=np.full(0, -1))
    post = Posterior(blank, shape, prior, graded, (scales,), np.ones(1), blank)
    mean = np.linspace(-1.0, 3.0, 9)[:, None] + np.array([0.0, 0.3])
    cov = sd**2 * np.array([[1.0, 0.6], [0.6, 1.0]])
    moments = np.tile([0.04, 0.0, 3.0, 0.0, 0.0], (9, 2, 1))
    latent = FieldPosterior(mean[None], np.broadcast_to(cov, (1, 9, 2, 2)), moments[None])
    found = pass_posterior(post, latent)
    normal = np.random.default_rng(0).normal(size=(50_000, 1, 2)) @ np.linalg.cholesky(cov).T
    drawn = pass_rate_given(post, 0, mean + normal, new_press_effects_at(post, 0, mean, moments))
    assert found.expected() == pytest.approx(drawn.mean(axis=0), abs=rate_off)
    assert found.chance_at_least(0.9) == pytest.approx((drawn >= 0.9).mean(axis=0), abs=chance_off)
    # Nothing comes from the scales where there is one setting of them.
    assert found.mean_and_between_variance()[1] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("together", [0.8, 0.0, -0.7])
def test_a_spread_that_moves_two_outcomes_together_or_apart(together: float) -> None:
    """Against the bivariate normal with luck shared by both and spread correlated either way."""
    shared, own, moved = 0.05, np.array([0.2, 0.35]), np.array([0.3, 0.1])
    moments = np.array([[
        [moved[0], 0.0, 3.0, 1.0, together], [moved[1], 0.0, 3.0, together, 1.0],
    ]])  # fmt: skip
    press = new_press_effects(lambda fields: fields, (shared, own), np.array([[0.4, 0.7]]), moments)
    between = shared + together * np.sqrt(moved.prod())
    cov = np.diag(own + moved + shared)
    cov[0, 1] = cov[1, 0] = between
    exact = multivariate_normal(mean=[0, 0], cov=cov).cdf([0.4, 0.7])
    assert press.quality_loss == pytest.approx(np.zeros((1, 2)), abs=1e-12)
    found = all_pass_probability(np.array([[0.4, 0.7]]), press.loading, press.own_variance)
    assert found[0] == pytest.approx(exact, abs=2e-3)


def test_one_factor_is_exact_where_it_can_be_and_near_where_it_cannot() -> None:
    loads = np.array([[0.5, -0.3, 0.6, 0.2]])
    total = loads**2 + np.array([0.2, 0.3, 0.1, 0.4])
    between = loads[:, :, None] * loads[:, None, :]
    found = common_factor(between.copy(), total)
    assert found[:, :, None] * found[:, None, :] == pytest.approx(between, abs=1e-9)
    luck = common_factor(np.full((1, 4, 4), 0.05), total)
    assert luck == pytest.approx(np.full((1, 4), np.sqrt(0.05)))
    # Three that share luck, one of them moved the other way by the machines: no one factor has it.
    rows = np.array([0.4, 0.3, -0.3])
    apart = 0.05 + np.outer(rows, rows) * (1.0 - 0.5 * (1.0 - np.eye(3)))
    near = common_factor(apart[None].copy(), np.diag(apart)[None] + 0.2)[0]
    off = np.abs(np.outer(near, near) - apart)[~np.eye(3, dtype=bool)]
    assert off.max() < 0.03
    two = common_factor(between[:, :2, :2].copy(), total[:, :2])
    assert two.prod() == pytest.approx(between[0, 0, 1])
    assert np.all(two**2 < total[:, :2])
    alone = common_factor(np.full((3, 1, 1), 0.09), np.full((3, 1), 0.2))
    assert alone.tolist() == [[pytest.approx(0.3)]] * 3


@pytest.mark.parametrize("order", [(), ((0, 2, 0.0),), ((3, 1, 0.2),)], ids=str)
@pytest.mark.parametrize("triangular", [True, False])
def test_sigma_points_are_those_of_the_whole_field_moved(
    order: tuple[tuple[int, int, float], ...], triangular: bool
) -> None:
    """Outcomes that a column leaves alone are not worked out anew; each point by itself is."""
    rng = np.random.default_rng(8)
    shape = FieldShape(
        stage=(0,), is_category=(False,), trade_off=(), n_outcomes=4, wash_order=order
    )
    post = SimpleNamespace(shape=shape, ceiling=np.full((1, 4), 1.4))
    middle = rng.normal(0.8, 0.5, (5, 4))
    root = 0.5 * rng.normal(size=(5, 4, 4))
    if triangular:
        root = np.tril(root)
    loading, own = rng.uniform(0.05, 0.3, (5, 4)), rng.uniform(0.05, 0.2, (5, 4))
    press = NewPressEffects(loading, own, np.full((5, 4), 0.1))
    mean, sd, slope = _sigma_points(cast(Any, post), 0, middle, root, press)
    moves = [np.zeros_like(middle)]
    for o in range(4):
        moves += [np.sqrt(5.0) * root[:, :, o], -np.sqrt(5.0) * root[:, :, o]]
    g = np.array(
        [probit(pass_rate_given(cast(Any, post), 0, middle + move, press)) for move in moves]
    )
    weights = np.array([0.2] + [0.1] * 8)
    assert mean == pytest.approx(weights @ g, abs=1e-10)
    assert sd == pytest.approx(np.sqrt(weights @ (g - weights @ g) ** 2), abs=1e-9)
    assert slope == pytest.approx((g[1::2] - g[2::2]).T, abs=1e-9)
