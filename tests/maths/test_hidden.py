"""Drawn benches have the moments of what they are drawn from."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp.maths.field import field
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import CURE, FieldShape, Points
from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.inference.site_fitting import fit_sites
from dtfexp.maths.prediction.simulated_field import SimulatedField, posterior_draw

SHAPE = FieldShape((CURE,), (False,), (), 2)
GRADED = (GradeScale(np.array([-1.0, 0.0, 1.0])), None)
SCALES = to_hyperparameters(np.zeros(n_dimensions(2)), 2)
DRAWS = 300


def exact(codes: list[float]) -> Points:
    nodes = np.array(codes, dtype=float)[:, None, None]
    return Points(nodes, np.ones(1), np.zeros(len(codes), dtype=int))


def posterior(presses: list[float]) -> Posterior:
    """Both outcomes seen at each press: a grade, and a measured value."""
    n = len(presses)
    press = np.repeat(np.arange(n), 2)
    data = Data(
        at=exact(presses).take(press),
        outcome=np.tile([0, 1], n),
        load=press // 2,
        round_=press,
        block=np.full(2 * n, -1),
        press=press,
        grade=np.tile([2, -1], n),
        value=np.where(np.tile([0, 1], n) == 1, 0.6, np.nan),
    )
    sites = fit_sites(data, SHAPE, Prior(), GRADED, [SCALES])
    return Posterior(data, SHAPE, Prior(), GRADED, (SCALES,), np.ones(1), sites)


@pytest.mark.parametrize("presses", [[], [-0.5, 0.0, 0.7]], ids=["prior", "seen"])
def test_draws_have_the_mean_and_covariance_of_the_posterior(presses: list[float]) -> None:
    """300 draws: within 4.5 standard errors of a mean, a variance, a covariance (Anderson 2003, An
    Introduction to Multivariate Statistical Analysis, sec. 3.4: var s_ij = (s_ii s_jj + s_ij²)/n;
    from memory)."""
    post = posterior(presses)
    anchors = exact(list(np.linspace(-1.2, 1.2, 48)))
    at = exact([-0.9, 0.05, 0.6])
    rng = np.random.default_rng(4)
    drawn = np.array([posterior_draw(post, anchors, rng).fields_at(at)[0] for _ in range(DRAWS)])
    told = predict(post, at)
    for k in range(at.n):
        mean, cov = told.mean[0, k], told.covariance[0, k]
        error = np.sqrt(np.diag(cov) / DRAWS)
        assert (np.abs(drawn[:, k].mean(axis=0) - mean) < 4.5 * error).all()
        seen = np.cov(drawn[:, k].T)
        spread = np.sqrt((np.outer(np.diag(cov), np.diag(cov)) + cov**2) / DRAWS)
        assert (np.abs(seen - cov) < 4.5 * spread).all()


def test_anchors_leave_nothing_undrawn() -> None:
    """What the anchors do not settle of the field between them, at the shortest length allowed."""
    anchors = exact(list(np.linspace(-1.2, 1.2, 48)))
    at = exact(list(np.linspace(-1.0, 1.0, 17)))
    short = to_hyperparameters(np.full(n_dimensions(2), -3.0), 2)
    known = field.covariance(anchors, anchors, SHAPE, short, Prior()) + 1e-6 * np.eye(anchors.n)
    cross = field.covariance(at, anchors, SHAPE, short, Prior())
    left = field.variance(at, SHAPE, short, Prior()) - np.einsum(
        "mn,nm->m", cross, np.linalg.solve(known, cross.T)
    )
    assert np.sqrt(left.max()) < 0.02  # grades


def test_the_spread_moves_a_wash_as_it_moves_the_one_that_holds_it_down() -> None:
    """The later wash lies above the earlier one everywhere and hardly moves by itself: the pass
    rate with spread is the mean over what the machine reaches, each place exactly."""
    shape = FieldShape((CURE,), (False,), (), 2, wash_order=((0, 1, 0.0),))
    weights = np.array([[-1.5, 0.5], [0.0, 1.5], [1.5, 0.5]])
    bench = SimulatedField(
        exact([-1.0, 0.0, 1.0]), weights, shape, SCALES, Prior(), (None, None), has_blocks=False
    )
    at, weight = np.polynomial.legendre.leggauss(5)
    around = 0.2 + 0.5 * at
    wide = Points(around[None, None, :], 0.5 * weight, np.zeros(1, dtype=int))
    each = bench.pass_rate(exact(list(around)))
    assert bench.pass_rate(wide)[0] == pytest.approx(0.5 * weight @ each, abs=0.01)
