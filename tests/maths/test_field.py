"""The prior field: a valid covariance, exact averaging over spread, pooling of fabrics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dtfexp.maths.field import batch_effects, field
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import CURE, PEEL, PRESS, FieldShape, Points

SHAPE = FieldShape((CURE, CURE, PRESS, PEEL), (False, False, False, True), ((0, 1),), 2)
SCALES = Hyperparameters(1.1, 0.5, 0.8, 0.15, 0.2, 0.5, np.array([0.3, 0.3]))


def _points(n: int, seed: int, nodes: int = 1, fabric: int = 0) -> Points:
    rng = np.random.default_rng(seed)
    centre = rng.uniform(-1, 1, (n, 4))
    centre[:, 3] = rng.integers(0, 3, n)
    offset, weight = np.polynomial.legendre.leggauss(nodes)
    spread = np.array([0.15, 0.0, 0.1, 0.0])
    return Points(
        centre[:, :, None] + spread[None, :, None] * offset, weight / 2, np.full(n, fabric)
    )


def test_covariance_is_positive_semidefinite() -> None:
    a = _points(40, 1)
    values = np.linalg.eigvalsh(field.covariance(a, a, SHAPE, SCALES, Prior()))
    assert values.min() > -1e-9


def test_variance_is_the_diagonal() -> None:
    a = _points(12, 2, nodes=5)
    full = field.covariance(a, a, SHAPE, SCALES, Prior())
    assert field.variance(a, SHAPE, SCALES, Prior()) == pytest.approx(np.diag(full), rel=1e-12)


@pytest.mark.parametrize(("dose", "within"), [(0.0, 1e-10), (0.6, 3e-3)])
def test_spread_is_averaged(dose: float, within: float) -> None:
    """Covariance with an averaged point equals the average of covariances at its corners.

    The two spread columns vary independently, so the sum runs over both.  A dose is averaged by
    nodes of its own, as if it wandered apart from its settings: nearly the same.
    """
    scales = replace(SCALES, dose_share=dose)
    a, b = _points(3, 3, nodes=5), _points(4, 4)
    offsets, weights = a.nodes, a.weights
    total = np.zeros((3, 4))
    for p in range(5):
        for q in range(5):
            moved = offsets[:, :, 2].copy()
            moved[:, 0], moved[:, 2] = offsets[:, 0, p], offsets[:, 2, q]
            point = Points(moved[:, :, None], np.ones(1), a.fabric)
            total += weights[p] * weights[q] * field.covariance(point, b, SHAPE, scales, Prior())
    assert field.covariance(a, b, SHAPE, scales, Prior()) == pytest.approx(total, rel=within)


def test_wander_is_the_change_of_the_mean_over_one_sd() -> None:
    a, b = _points(5, 5, nodes=5), _points(9, 6)
    weights = np.random.default_rng(7).normal(size=(9, 2))
    cov, input_noise = field.covariance_and_input_noise(a, b, SHAPE, SCALES, Prior(), weights)
    assert cov == pytest.approx(field.covariance(a, b, SHAPE, SCALES, Prior()), rel=1e-12)
    expected = np.zeros((5, 2))
    for i in (0, 2):
        centre = a.nodes @ a.weights
        sd = np.sqrt((a.nodes[:, i] ** 2) @ a.weights - centre[:, i] ** 2)
        side = []
        for sign in (1, -1):
            # only this column moves; the others stay averaged over their own spread
            nodes = a.nodes.copy()
            nodes[:, i, :] = (centre[:, i] + sign * sd)[:, None]
            point = Points(nodes, a.weights, a.fabric)
            mean = field.prior_mean(point, SHAPE, SCALES, Prior())[:, None]
            side.append(mean + field.covariance(point, b, SHAPE, SCALES, Prior()) @ weights)
        expected += (0.5 * (side[0] - side[1])) ** 2
    # The dose's own nodes shift a little with the pair they come from.
    assert input_noise[..., 0] == pytest.approx(expected, rel=1e-4)


def test_fabrics_share_cure_more_than_press() -> None:
    """With only cure (only press) settings differing from the middle, what two fabrics share."""
    prior, middle = Prior(), np.zeros((1, 4, 1))
    shared = {}
    for column, stage in ((0, "cure"), (2, "press")):
        nodes = middle.copy()
        nodes[0, column, 0] = 1.0
        one = Points(nodes, np.ones(1), np.array([0]))
        other = Points(nodes, np.ones(1), np.array([1]))
        base, moved = Points(middle, np.ones(1), np.array([0])), one
        own = field.covariance(moved, one, SHAPE, SCALES, prior)
        cross = field.covariance(moved, other, SHAPE, SCALES, prior)
        at_middle = field.covariance(base, base, SHAPE, SCALES, prior)
        assert own[0, 0] > at_middle[0, 0]
        shared[stage] = float(cross[0, 0] / own[0, 0])
    assert shared["cure"] > shared["press"] > 0


def test_luck_is_shared_within_a_load_only() -> None:
    code = np.array([0, 0, 1, -1, -1])
    alone = np.arange(5)
    zero = np.zeros(5, dtype=int)
    off = np.full(5, -1)
    cov = batch_effects.batch_covariance(zero, code, off, off, alone, SCALES, Prior())
    assert cov[0, 1] == pytest.approx(SCALES.load_sd**2)
    assert cov[0, 2] == cov[3, 4] == 0.0
    own = SCALES.load_sd**2 + SCALES.round_sd**2 + Prior().press_effect_sd ** 2
    assert np.diag(cov) == pytest.approx(np.full(5, own))


def test_what_was_pressed_before_a_change_stands_where_it_has_moved_to() -> None:
    """Today's bench does 0.3 more of the first setting: the same as the old settings 0.3 lower,
    and what is kept of the field is a correlation between before and now."""
    then, now = _points(5, 8), _points(4, 9, nodes=5)
    before = replace(then, before_change=np.ones((5, 1), dtype=bool))
    lower = replace(then, nodes=then.nodes - np.array([0.3, 0, 0, 0])[None, :, None])
    moved = replace(SCALES, shift=np.array([0.3, 0.0, 0.0, 0.0]))
    prior, kept = Prior(), Prior(change_correlation=(0.8,))
    weights = np.random.default_rng(10).normal(size=(5, 2))
    told = field.covariance_and_input_noise(now, lower, SHAPE, SCALES, prior, weights)
    found = field.covariance_and_input_noise(now, before, SHAPE, moved, prior, weights)
    assert found[0] == pytest.approx(told[0]) and found[1] == pytest.approx(told[1])
    mean = field.prior_mean(before, SHAPE, moved, prior)
    assert mean == pytest.approx(field.prior_mean(lower, SHAPE, SCALES, prior))
    cross = field.covariance(now, before, SHAPE, moved, kept)
    assert cross == pytest.approx(0.8 * told[0])
    own = field.covariance(before, before, SHAPE, moved, kept)
    assert own == pytest.approx(field.covariance(lower, lower, SHAPE, SCALES, prior))
    # Settings of today stay where they are.
    assert field.variance(now, SHAPE, moved, kept) == pytest.approx(
        field.variance(now, SHAPE, SCALES, prior)
    )


def test_hotter_stands_for_longer_as_far_as_the_dose_goes() -> None:
    """All by dose: hot and short is the same as the middle.  None by dose: it is a place of its
    own.  In between nothing is lost of the variance along one setting."""
    middle, traded = np.zeros((1, 4, 1)), np.zeros((1, 4, 1))
    traded[0, :2, 0] = 0.4, -0.4
    both = Points(np.concatenate([middle, traded]), np.ones(1), np.zeros(2, dtype=int))
    apart = {}
    for dose in (0.0, 0.5, 1.0):
        scales = replace(SCALES, dose_share=dose)
        cov = field.covariance(both, both, SHAPE, scales, Prior())
        apart[dose] = float(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])
        mean = field.prior_mean(both, SHAPE, scales, Prior())
        fall = 2 * 0.4**2 * SCALES.amplitude * Prior().mean_curvature * (1.0 - dose)
        assert mean[0] - mean[1] == pytest.approx(fall)
    assert apart[1.0] == pytest.approx(0.0, abs=1e-9)
    assert apart[0.0] > apart[0.5] > 0.1


def test_a_dose_wanders_as_its_two_settings_do_together() -> None:
    a = _points(6, 11, nodes=5).with_doses(((0, 1), (0, 2)))
    assert a.mean[:, 4] == pytest.approx(a.mean[:, 0] + a.mean[:, 1])
    assert a.sd[:, 4] == pytest.approx(a.sd[:, 0])
    assert a.sd[:, 5] == pytest.approx(np.hypot(a.sd[:, 0], a.sd[:, 2]))
    first, at = a.levels[5]
    assert a.nodes[first][at][:, 5] == pytest.approx(a.nodes[:, 5])
