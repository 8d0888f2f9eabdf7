"""The low-order part of the field, by itself and learnt."""

from dataclasses import replace

import numpy as np
import pytest

from dtfexp.maths.field import field
from dtfexp.maths.field.general_trend import general_trend, terms_of
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import CURE, PRESS, FieldShape, Points
from dtfexp.maths.field.trend import LearntTrend

SHAPE = FieldShape((CURE, CURE, PRESS, PRESS), (False,) * 4, ((0, 1), (2, 3)), 2)
SCALES = Hyperparameters(1.3, 0.5, 0.7, 0.1, 0.1, 0.4, np.full(2, 0.3), dose_share=0.35)
SMOOTH = replace(Prior(), smooth_sd=0.0, interaction_smooth_sd=0.0)


def points(count, seed=0, nodes=3):
    rng = np.random.default_rng(seed)
    at = rng.uniform(-1, 1, (count, 4, 1)) + 0.1 * np.linspace(-1, 1, nodes)
    return Points(at, np.full(nodes, 1.0 / nodes), np.zeros(count, dtype=int))


def learnt(of, means=1):
    terms = terms_of(SHAPE)
    root = np.linalg.cholesky(of.covariance + 1e-12 * np.eye(terms.count))
    return LearntTrend(terms, np.tile(of.mean, (1, 2, 1)), root, np.full(terms.count, 0.6))


def test_the_general_trend_is_the_kernels_own_low_order_part():
    """A kernel without rough parts is its low-order part, doses and pairs included."""
    a, b = points(7, nodes=1), points(5, 1, nodes=1)
    trend = learnt(general_trend(SHAPE, SCALES, SMOOTH))
    assert trend.mean_at(a)[:, 1] == pytest.approx(field.prior_mean(a, SHAPE, SCALES, SMOOTH))
    whole = field.covariance(a, b, SHAPE, SCALES, SMOOTH)
    assert trend.covariance(a, b, 1.0) == pytest.approx(whole, abs=1e-9)
    assert trend.variance(a) == pytest.approx(field.variance(a, SHAPE, SCALES, SMOOTH), abs=1e-9)


def test_with_no_pairs_a_learnt_trend_like_the_general_one_changes_nothing():
    scales = replace(SCALES, interaction=1e-9)
    of = general_trend(SHAPE, scales, Prior())
    taught = replace(scales, trend=learnt(of))
    a, b = points(6), points(4, 1)
    args = (SHAPE, scales, Prior()), (SHAPE, taught, Prior())
    before, after = (field.covariance(a, b, *x) for x in args)
    assert after == pytest.approx(before, abs=1e-9)
    assert field.variance(a, *args[1]) == pytest.approx(field.variance(a, *args[0]), abs=1e-9)
    weights = np.random.default_rng(2).normal(size=(4, 2))
    gaps = [field.spread_effects(a, np.full((6, 4), 0.2), b, *x, weights) for x in args]
    assert gaps[1] == pytest.approx(gaps[0], abs=1e-9)


def test_rescaled_monomials_are_those_of_the_rescaled_settings():
    terms, at = terms_of(SHAPE), points(9, nodes=1)
    scale, offset = np.array([0.5, 2.0, -1.0, 1.5]), np.array([0.3, -0.2, 0.0, 1.0])
    moved = replace(at, nodes=at.nodes * scale[:, None] + offset[:, None])
    assert terms.at(moved) == pytest.approx(terms.at(at) @ terms.rescaled(scale, offset).T)


def test_other_fabrics_share_what_the_pools_say_and_film_has_the_mean_of_all():
    trend = learnt(general_trend(SHAPE, SCALES, SMOOTH))
    trend = replace(trend, mean=np.stack([trend.mean[0], trend.mean[0] + 1.0]))
    a = points(3, nodes=1)
    other, film = (replace(a, fabric=np.full(3, k)) for k in (1, -1))
    same = trend.covariance(a, a, 1.0)
    assert trend.covariance(a, other, 1.0) == pytest.approx(0.6 * same)
    between = 0.5 * (trend.mean_at(a) + trend.mean_at(other))
    assert trend.mean_at(film) == pytest.approx(between)


def test_steps_are_half_the_change_from_less_to_more():
    terms, at = terms_of(SHAPE), points(5, nodes=1)
    sd = np.full(5, 0.2)
    for k in range(4):
        step = np.where(np.arange(4) == k, 0.2, 0.0)[:, None]
        ends = [terms.at(replace(at, nodes=at.nodes + sign * step)) for sign in (-1, 1)]
        assert terms.steps(at.mean, sd, k) == pytest.approx(0.5 * (ends[1] - ends[0]))
