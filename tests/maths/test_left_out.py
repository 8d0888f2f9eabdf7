"""A press taken out, the luck of a load, joint fields: against fitting again and plain algebra."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dtfexp import Factor, Outcome, Session, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.results import check_results
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.hyperparameters import n_dimensions, normal_points, to_hyperparameters
from dtfexp.maths.inference.observations import Data
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.inference.site_fitting import (
    data_batch_covariance,
    data_covariance,
    data_mean,
    fit_sites,
)
from dtfexp.maths.prediction.batch_posterior import batch_effect_posterior, mixture_quantile
from dtfexp.maths.prediction.joint_posterior import (
    even_normals,
    field_differences,
    joint_posterior,
    posterior_deviations,
)
from dtfexp.maths.prediction.leave_one_out import LeaveOneOut, PredictionsWithout
from dtfexp.maths.prediction.sobol import PickFreeze
from tests.dialin.bench import CURE, PRESS, graded

KINDS = {
    "measured": (
        Outcome("a", 10, 0, 3, kind="measured"),
        Outcome("b", 0, 50, 30, kind="measured"),
    ),
    "graded": (Outcome("a"), Outcome("b")),
}


def _posterior(kind: str, keep: np.ndarray | None = None) -> Posterior:
    """Three fixed scale settings, so that leaving out and fitting again mean the same."""
    session = Session("t", (CURE, PRESS, Factor("dwell", 1, 9)), KINDS[kind], ("x", "y"))
    runs = plan(session, 14).runs
    results = check_results(session, graded(session, runs))
    coding = Coding(session)
    data = coding.data(results)
    if keep is not None:
        data = Data(
            data.at.take(keep), *(getattr(data, n)[keep] for n in (
                "outcome", "load", "round_", "block", "press", "grade", "value"))
        )  # fmt: skip
    shape = coding.shape
    scales = [to_hyperparameters(u, 2) for u in normal_points(4, n_dimensions(2))[:3]]
    graded_scales = coding.graded
    sites = fit_sites(data, shape, Prior(), graded_scales, scales, tolerance=1e-8, sweeps=200)
    weight = np.array([0.5, 0.3, 0.2])
    return Posterior(data, shape, Prior(), graded_scales, tuple(scales), weight, sites)


def _places(post: Posterior, m: int = 7) -> Points:
    nodes = np.random.default_rng(0).uniform(-1, 1, (m, len(post.shape.stage), 1))
    return Points(nodes, np.ones(1), np.arange(m) % 2)


@pytest.mark.parametrize(("kind", "close"), [("measured", 1e-6), ("graded", 0.1)])
def test_leaving_a_press_out_is_fitting_without_it(kind: str, close: float) -> None:
    """Exact for measured outcomes; for grades the other sites would move a little (sd units)."""
    post = _posterior(kind)
    at = _places(post)
    leave = LeaveOneOut(post)
    foretold = PredictionsWithout(post, at, leave)
    for press in (0, 5):
        rows = np.flatnonzero(post.data.press == press)
        fewer = _posterior(kind, np.flatnonzero(post.data.press != press))
        left = leave.hold_out(rows)
        # Field and batch effects at the rows' own settings, in their load and round.
        for j, scales in enumerate(post.integration_points):
            keep, sites = np.flatnonzero(post.data.press != press), fewer.sites
            prior_mean = data_mean(post.data, post.shape, scales, post.prior)[rows]
            kinds = (
                (data_covariance(post.data, post.shape, scales, post.prior),
                 sites.root[j], sites.weights[j], prior_mean, slice(0, 2)),
                (data_batch_covariance(post.data, scales, post.prior),
                 sites.batch_root[j], sites.batch_weights[j], np.zeros(2), slice(2, 4)),
            )  # fmt: skip
            for whole, root, weights, before, which in kinds:
                link = whole[np.ix_(rows, keep)] @ root
                sd = np.sqrt(np.diag(whole[np.ix_(rows, rows)] - link @ link.T))
                mean = whole[np.ix_(rows, keep)] @ weights + before
                assert np.abs(left.mean[j, which] - mean).max() < close * sd.max()
                variance = np.diag(left.covariance[j])[which]
                assert np.sqrt(variance) == pytest.approx(sd, rel=close)
        again, quick = predict(fewer, at), foretold.without(left)
        sd = np.sqrt(np.einsum("jmoo->jmo", again.covariance))
        assert np.abs((quick.mean - again.mean) / sd).max() < close
        assert np.abs(quick.covariance / again.covariance - 1.0).max() < max(close, 1e-4)
        assert (left.information_bits > 0).all()


def test_the_luck_of_a_load_is_its_gaussian_share() -> None:
    post = _posterior("measured")
    mean, sd = batch_effect_posterior(post, "load", np.array([0, 2]))
    for j, scales in enumerate(post.integration_points):
        data = post.data
        whole = data_covariance(data, post.shape, scales, post.prior) + np.diag(
            scales.noise[data.outcome] ** 2
        )
        whole += data_batch_covariance(data, scales, post.prior)
        prior_mean = data_mean(data, post.shape, scales, post.prior)
        for place, code in enumerate((0, 2)):
            # Three quarters of a load's luck are common to the outcomes, a quarter is each one's
            # own; mean of two.
            cross = scales.load_sd**2 * 0.875 * (data.load == code)
            solved = np.linalg.solve(whole, np.column_stack([data.value - prior_mean, cross]))
            assert mean[j, place] == pytest.approx(cross @ solved[:, 0], abs=1e-6)
            variance = 0.875 * scales.load_sd**2 - cross @ solved[:, 1]
            assert sd[j, place] == pytest.approx(np.sqrt(variance), abs=1e-6)


def test_a_mixture_quantile_is_where_its_distribution_says() -> None:
    mean, sd = np.array([[0.0], [3.0]]), np.array([[1.0], [0.5]])
    assert mixture_quantile(mean, sd, np.array([1.0, 0.0]), 0.95)[0] == pytest.approx(1.644854)
    # Two sd above the one and two below the other.
    assert mixture_quantile(mean, sd, np.array([0.5, 0.5]), 0.5)[0] == pytest.approx(2.0)


def test_together_agrees_with_each_alone() -> None:
    post = _posterior("graded")
    at = _places(post)
    alone = predict(post, at)
    for j in range(3):
        joint = joint_posterior(post, at, j)
        assert joint.mean == pytest.approx(alone.mean[j], abs=1e-10)
        own = np.einsum("mpmq->mpq", joint.covariance)
        assert own == pytest.approx(alone.covariance[j], abs=1e-9)


def test_drawn_departures_have_the_moments_of_the_posterior() -> None:
    post = _posterior("graded")
    at = _places(post)
    size = 2 * at.n
    joint = joint_posterior(post, at, 0).covariance.reshape(size, size)
    sd = np.sqrt(np.diag(joint))
    # Drawn at the points themselves: four Monte Carlo sd of a mean and of a covariance.
    drawn = posterior_deviations(post, at, at, 0, even_normals(4000, size)).reshape(4000, size)
    assert np.abs(drawn.mean(axis=0) / sd).max() < 4 / np.sqrt(4000)
    gap = (np.cov(drawn.T) - joint) / np.outer(sd, sd)
    assert np.abs(gap).max() < 4 * np.sqrt(2 / 4000)
    # Drawn at anchors all around: nearly all of the variance, and never more than noise adds.
    around = Points(
        np.random.default_rng(1).uniform(-1, 1, (150, 3, 1)), np.ones(1), np.arange(150) % 2
    )
    normals = even_normals(4000, 300)
    between = posterior_deviations(post, around, at, 0, normals).reshape(4000, size).var(axis=0)
    assert between.sum() / np.diag(joint).sum() > 0.95
    assert (between / np.diag(joint)).max() < 1 + 4 * np.sqrt(2 / 4000)
    assert (even_normals(5, 300) == even_normals(5, 300)).all()


def test_a_gain_is_the_difference_of_two_fields() -> None:
    post = replace(_posterior("graded"))
    here, there = _places(post), Points(_places(post).nodes + 0.1, np.ones(1), np.arange(7) % 2)
    share = np.tile([0.3, 0.7], (7, 1))
    mean, sd = field_differences(post, here, there, share)
    for j in range(3):
        both = Points(
            np.concatenate([here.nodes, there.nodes]), np.ones(1), np.tile(np.arange(7) % 2, 2)
        )
        joint = joint_posterior(post, both, j)
        contrast = np.zeros((7, 14, 2))
        for m in range(7):
            contrast[m, m], contrast[m, m + 7] = -share[m], share[m]
        assert mean[j] == pytest.approx(np.einsum("rmo,mo->r", contrast, joint.mean))
        variance = np.einsum("rmo,monp,rnp->r", contrast, joint.covariance, contrast)
        assert sd[j] ** 2 == pytest.approx(variance, abs=1e-10)


def test_shares_of_variation_agree_with_closed_forms() -> None:
    """Ishigami & Homma 1990, Proc. ISUMA '90:398, with a = 7 and b = 0.1; shares by integration of
    the formula (from memory: 0.3139, 0.4424, 0; total 0.5576, 0.4424, 0.2437).  Additive: squares
    of the slopes."""
    design = PickFreeze.of(2048, 3)
    x = np.pi * (2 * design.all_points() - 1)
    ishigami = np.sin(x[:, 0]) + 7 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])
    alone, total = design.indices(np.array([ishigami, x[:, 0] + 2 * x[:, 1], 0 * x[:, 0]]))
    assert alone[0] == pytest.approx([0.3139, 0.4424, 0.0], abs=0.01)
    assert total[0] == pytest.approx([0.5576, 0.4424, 0.2437], abs=0.01)
    assert alone[1] == pytest.approx([0.2, 0.8, 0.0], abs=1e-3)
    assert (alone[2] == 0).all()
    assert (total[2] == 0).all()
