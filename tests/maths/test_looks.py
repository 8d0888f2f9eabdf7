"""The look of the cure as an ordered sign of the slope, against sums by hand and quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from dtfexp.maths.field import field
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import CURE, PRESS, FieldShape, Points
from dtfexp.maths.inference import cure_looks
from dtfexp.maths.inference.infer import infer, subsample
from dtfexp.maths.inference.observations import Data
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.inference.site_fitting import data_covariance, data_mean, fit_sites
from dtfexp.maths.prediction.joint_posterior import joint_posterior

SHAPE = FieldShape((CURE, CURE, PRESS), (False, False, False), ((0, 1),), 2)
SCALES = Hyperparameters(1.1, 0.6, 0.8, 0.1, 0.1, 0.5, np.array([0.3, 0.3]))
PRIOR = Prior()
FILM = -1


def points(codes: list[list[float]], fabric: int = 0) -> Points:
    nodes = np.array(codes, dtype=float)[:, :, None]
    return Points(nodes, np.ones(1), np.full(len(codes), fabric))


def look_at(cure: list[list[float]]) -> Points:
    nodes = points([[*c, 0.0] for c in cure], FILM).nodes
    step = np.array([cure_looks.HALF_STEP, cure_looks.HALF_STEP, 0.0])[:, None]
    return Points(nodes + step, np.ones(1), np.full(len(cure), FILM), subtracted_nodes=nodes - step)


def seen(cure: list[list[float]], words: list[int]) -> Data:
    none = np.zeros(0, dtype=int)
    empty = Data(points([[0, 0, 0]]).take(none), none, none, none, none, none, none, np.zeros(0))
    return empty.with_cure_looks(look_at(cure), np.array(words))


def posterior(data: Data) -> Posterior:
    sites = fit_sites(data, SHAPE, PRIOR, (None, None), [SCALES])
    return Posterior(data, SHAPE, PRIOR, (None, None), (SCALES,), np.ones(1), sites)


def test_a_difference_of_two_places_has_the_covariance_of_a_difference() -> None:
    plain = points([[0.2, -0.4, 0.3], [-0.5, 0.1, 0.9], [0.0, 0.6, -0.2]])
    both = look_at([[0.1, 0.3], [-0.6, 0.2]])
    ends = [Points(x, np.ones(1), np.full(2, FILM)) for x in (both.nodes, both.subtracted_nodes)]

    def cov(a: Points, b: Points) -> np.ndarray:
        return field.covariance(a, b, SHAPE, SCALES, PRIOR)

    assert cov(plain, both) == pytest.approx(cov(plain, ends[0]) - cov(plain, ends[1]), abs=1e-12)
    among = sum(
        (1 - 2 * i) * (1 - 2 * k) * cov(ends[i], ends[k]) for i in range(2) for k in range(2)
    )
    assert cov(both, both) == pytest.approx(among, abs=1e-12)
    mixed = plain.joined(both)
    assert cov(mixed, mixed)[:3, 3:] == pytest.approx(cov(plain, both), abs=1e-12)
    mean = [field.prior_mean(x, SHAPE, SCALES, PRIOR) for x in ends]
    assert field.prior_mean(both, SHAPE, SCALES, PRIOR) == pytest.approx(mean[0] - mean[1])


@pytest.mark.parametrize("word", [cure_looks.GRAINY, cure_looks.GOOD, cure_looks.BROWNED])
def test_one_look_moves_the_slope_as_its_integral_says(word: int) -> None:
    """One observation is met exactly by expectation propagation: moments by plain quadrature."""
    data = seen([[0.1, -0.3]], [word])
    mean = data_mean(data, SHAPE, SCALES, PRIOR)[0]
    variance = data_covariance(data, SHAPE, SCALES, PRIOR)[0, 0]
    g = mean + np.sqrt(variance) * np.linspace(-9, 9, 200_001)
    low, high = (
        [cure_looks.CUT, -cure_looks.CUT, -np.inf][word],
        [np.inf, cure_looks.CUT, -cure_looks.CUT][word],
    )
    weight = np.exp(-0.5 * (g - mean) ** 2 / variance)
    weight *= ndtr((high - g) / cure_looks.NOISE) - ndtr((low - g) / cure_looks.NOISE)
    expected = np.average(g, weights=weight)
    spread = np.average((g - expected) ** 2, weights=weight)

    found = posterior(data)
    assert found.sites.mean[0, 0] == pytest.approx(expected, abs=1e-3)
    # Sites are left alone once they move the mean by less than 1e-3.
    assert found.sites.variance[0, 0] == pytest.approx(spread, rel=5e-3)
    # And so the mean of the outcomes' fields at the two ends; the rest is the bias of the eye.
    both = look_at([[0.1, -0.3]])
    ends = Points(np.concatenate([both.nodes, both.subtracted_nodes]), np.ones(1), np.full(2, FILM))
    joint = joint_posterior(found, ends, 0)
    moved = (expected - mean) * (variance - cure_looks.RATER_SD**2) / variance
    assert joint.mean.mean(axis=1) @ [1, -1] == pytest.approx(mean + moved, abs=1e-3)
    assert predict(found, ends).mean[0] == pytest.approx(joint.mean, abs=1e-9)


def test_a_grainy_look_favours_more_cure_and_a_browned_one_less_for_every_fabric() -> None:
    ends = {fabric: points([[0.6, 0.6, 0.2], [-0.4, -0.4, 0.2]], fabric) for fabric in (0, 1)}
    gain = {}
    for word in (cure_looks.GRAINY, cure_looks.GOOD, cure_looks.BROWNED):
        post = posterior(seen([[0.1, 0.1]], [word]))
        gain[word] = [np.subtract(*predict(post, at).mean[0].mean(axis=1)) for at in ends.values()]
    for k in ends:
        assert gain[cure_looks.GRAINY][k] > gain[cure_looks.GOOD][k] > gain[cure_looks.BROWNED][k]


def test_thinning_keeps_a_fair_share_of_the_looks() -> None:
    data = seen([[x, 0.0] for x in np.linspace(-1, 1, 50)], [1] * 50)
    kept = subsample(data, 20)
    assert kept.is_cure_look.sum() == 20
    assert kept.at.nodes[-1, 0, 0] == data.at.nodes[-1, 0, 0]


def test_the_scales_are_found_from_looks_alone() -> None:
    post = infer(seen([[0.1, -0.3], [0.5, 0.2]], [0, 2]), SHAPE, (None, None), PRIOR)
    assert np.all(np.isfinite(predict(post, points([[0.0, 0.0, 0.0]])).mean))
