"""What a press would teach, against what it does teach once made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from dtfexp.maths.acquisition import probit_margin
from dtfexp.maths.acquisition.batch_acquisition import (
    BatchAcquisition,
    Candidates,
    _effective_grade_noise,
)
from dtfexp.maths.field import batch_effects, field
from dtfexp.maths.field.ceiling import quality
from dtfexp.maths.field.parameters import Hyperparameters, Prior
from dtfexp.maths.field.points import CURE, PRESS, FieldShape, Points
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.inference.site_fitting import fit_sites

SHAPE = FieldShape((CURE, PRESS), (False, False), (), 1)
SCALES = Hyperparameters(1.0, 0.6, 0.8, 0.2, 0.15, 0.5, np.array([0.3]))


def points(values: list[list[float]]) -> Points:
    nodes = np.array(values, dtype=float)[:, :, None]
    return Points(nodes, np.ones(1), np.zeros(len(nodes), dtype=int))


def posterior(at: Points, value: np.ndarray) -> Posterior:
    """A measured outcome: exactly Gaussian, so the look-ahead must be exact too."""
    n = at.n
    alone = np.arange(n)
    data = Data(
        at, np.zeros(n, int), alone, alone, np.full(n, -1), alone, np.full(n, -1), value
    )  # fmt: skip
    sites = fit_sites(data, SHAPE, Prior(), (None,), [SCALES])
    return Posterior(data, SHAPE, Prior(), (None,), (SCALES,), np.ones(1), sites)


def test_the_variance_it_foretells_is_the_variance_that_comes() -> None:
    seen, value = [[0.0, 0.0], [0.5, -0.2]], np.array([0.6, -0.1])
    cells = points([[0.1, 0.1], [0.8, 0.0], [-0.6, 0.4]])
    new = [[0.3, 0.3], [-0.5, 0.5]]
    now = posterior(points(seen), value)
    pool = Candidates(points(new), np.array([0, 1]), np.array([0, 1]))
    zero = (np.zeros(3), np.zeros(3))
    outlook = BatchAcquisition(now, cells, pool, np.ones(3), 0.9, zero)
    before = outlook.variance.copy()
    outlook.add_press(0)
    outlook.add_press(1)
    # The values that come do not matter for a Gaussian outcome.
    after = posterior(points(seen + new), np.concatenate([value, [0.2, 0.9]]))
    shrink = (
        predict(after, cells).covariance[0, :, 0, 0] / predict(now, cells).covariance[0, :, 0, 0]
    )
    assert outlook.variance / before == pytest.approx(shrink, rel=2e-3)


def test_one_press_moves_its_outcomes_together() -> None:
    """Two measured outcomes of two presses to come, each of a load and round of its own, against a
    fit that has them: what one press does to both outcomes is shared."""
    shape, zero = replace(SHAPE, n_outcomes=2), (np.zeros(2), np.zeros(2))
    prior = replace(Prior(), press_effect_sd=0.5)
    scales = replace(SCALES, noise=np.array([0.2, 0.3]))

    def known(settings: list[list[float]], values: list[float]) -> Posterior:
        press = np.repeat(np.arange(len(settings)), 2)
        n, group = len(press), press
        data = Data(
            points(settings).take(press), np.tile([0, 1], len(settings)), group, group,
            np.full(n, -1), press, np.full(n, -1), np.array(values),
        )  # fmt: skip
        sites = fit_sites(data, shape, prior, (None, None), [scales])
        return Posterior(data, shape, prior, (None, None), (scales,), np.ones(1), sites)

    seen, new = [[0.0, 0.0]], [[0.3, 0.3], [-0.5, 0.5]]
    cells = points([[0.1, 0.1], [-0.6, 0.4]])
    now = known(seen, [0.6, 0.2])
    pool = Candidates(points(new), np.array([1, 2]), np.array([1, 2]))
    outlook = BatchAcquisition(now, cells, pool, np.ones(2), 0.9, zero)
    for press in (0, 1):
        outlook.add_press(press)
    slope, _ = probit_margin.slopes(now, cells)
    after = known(seen + new, [0.6, 0.2, 0.1, 0.9, -0.3, 0.2])
    left = np.einsum("eo,eop,ep->e", slope, predict(after, cells).covariance[0], slope)
    assert outlook.variance == pytest.approx(left, rel=2e-3)


def test_presses_of_one_load_teach_less_than_of_two() -> None:
    now = posterior(points([[0.9, 0.9]]), np.array([0.1]))
    cells, twins = points([[0.0, 0.0]]), points([[0.0, 0.0], [0.0, 0.0]])
    left = []
    for load in (np.array([0, 0]), np.array([0, 1])):
        outlook = BatchAcquisition(
            now, cells, Candidates(twins, load, load), np.ones(1), 0.9, (np.zeros(1), np.zeros(1))
        )
        outlook.add_press(0)
        outlook.add_press(1)
        left.append(float(outlook.variance[0]))
    assert left[1] < left[0]


@pytest.mark.parametrize("predictive", [None, np.full(3, 1.28), np.array([1.28, np.nan, 1.28])])
def test_a_branch_leaves_its_stem_alone(predictive: np.ndarray | None) -> None:
    now = posterior(points([[0.0, 0.0]]), np.array([0.3]))
    pool = Candidates(points([[0.3, 0.3], [-0.5, 0.5]]), np.array([0, 1]), np.array([0, 1]))
    cells = points([[0.2, 0.2], [-0.4, 0.1], [0.7, -0.3]])
    margin = (np.array([0.4, -0.1, 0.2]), np.array([0.1, 0.0, 0.3]))
    weight = np.array([0.5, 0.2, 0.3])
    outlook = BatchAcquisition(now, cells, pool, weight, 0.9, margin, predictive)
    before = outlook.value
    scores = outlook.scores(np.array([0, 1]))
    branch = outlook.restricted_copy(np.array([1]))
    branch.add_press(0)
    assert branch.value == pytest.approx(scores[1])
    assert outlook.value == before


def test_luck_split_adds_up_to_what_a_new_press_meets() -> None:
    shared, own = batch_effects.new_press_variance(SCALES, Prior(), False)
    total = SCALES.load_sd**2 + SCALES.round_sd**2 + SCALES.noise[0] ** 2
    assert shared + own[0] == pytest.approx(total + Prior().press_effect_sd ** 2)


def test_the_chance_to_be_confirmed_by_hand() -> None:
    """Margin 0.5, variance 0.36 now, 0.2 left and 0.1 from the scales, which stays: confirmed
    when the coming mean, of sd sqrt(0.36 - 0.2) = 0.4, is above 1.2816 sqrt(0.2 + 0.1)."""
    now = posterior(points([[0.0, 0.0]]), np.array([0.3]))
    pool = Candidates(points([[0.3, 0.3]]), np.array([0]), np.array([0]))
    told = (np.array([0.5]), np.array([0.1]))
    outlook = BatchAcquisition(now, points([[0.2, 0.2]]), pool, np.ones(1), 0.9, told)
    outlook.sd_now = np.array([0.6])
    by_hand = norm.cdf((0.5 - 1.281552 * np.sqrt(0.3)) / 0.4)
    assert outlook.confirmation_probability(np.array([0.2])) == pytest.approx([by_hand], abs=1e-6)
    assert by_hand == pytest.approx(0.3069, abs=1e-4)


def test_the_chance_to_stand_in_the_window_by_hand() -> None:
    """Margin 0.05, variance 0.36 now, 0.35 left and 0.1 from the scales: a new press passes at
    probit 1.2816 when the coming mean, of sd sqrt(0.36 - 0.35) = 0.1, is above
    1.2816 (sqrt(1.45) - 1) = 0.26165: 2.1165 sds.  With 0.04 left: sd sqrt(0.32), above
    1.2816 (sqrt(1.14) - 1) = 0.08678, 0.06502 sds."""
    now = posterior(points([[0.0, 0.0]]), np.array([0.3]))
    pool = Candidates(points([[0.3, 0.3]]), np.array([0]), np.array([0]))
    told, rate = (np.array([0.05]), np.array([0.1])), np.array([1.281552])
    outlook = BatchAcquisition(now, points([[0.2, 0.2]]), pool, np.ones(1), 0.9, told, rate)
    outlook.sd_now = np.array([0.6])
    for left, sds in ((0.35, 2.1165), (0.04, 0.06502)):
        chance = outlook.window_probability(np.array([left]))
        assert chance == pytest.approx([norm.sf(sds)], abs=1e-4)
        assert outlook._worth(np.array([left])) == pytest.approx(chance)


def test_two_outcomes_share_most_of_the_luck_of_their_load_and_round() -> None:
    """Far from all that was pressed the covariance is that of the prior, by the model's own words:
    the fields' and, of one load or round, all of its variance alike and three quarters across
    outcomes."""
    shape = replace(SHAPE, n_outcomes=2)
    scales = replace(SCALES, noise=np.array([0.3, 0.3]))
    at = points([[0.0, 0.0]])
    n = np.zeros(1, int)
    data = Data(at, n, n, n, n - 1, n, n - 1, np.array([0.3]))
    sites = fit_sites(data, shape, Prior(), (None, None), [scales])
    post = Posterior(data, shape, Prior(), (None, None), (scales,), np.ones(1), sites)
    # Two presses at one far place, of one load and two rounds.
    far = points([[0.9, -0.9], [0.9, -0.9]])
    pool = Candidates(far, np.array([0, 0]), np.array([0, 1]))
    zero = (np.zeros(1), np.zeros(1))
    outlook = BatchAcquisition(post, points([[0.2, 0.2]]), pool, np.ones(1), 0.9, zero)
    cov = outlook.cov.reshape(2, 2, 2, 2)
    fields = predict(post, far).covariance[0, 0]
    load, round_ = 0.2**2, 0.15**2
    assert cov[0, 0, 0, 0] - fields[0, 0] == pytest.approx(load + round_, rel=1e-6)
    assert cov[0, 0, 0, 1] - fields[0, 1] == pytest.approx(0.75 * (load + round_), rel=1e-6)
    assert cov[0, 0, 1, 0] - fields[0, 0] == pytest.approx(load, rel=1e-6)
    assert cov[0, 0, 1, 1] - fields[0, 1] == pytest.approx(0.75 * load, rel=1e-6)
    # The second outcome of the second press alone: the last row of all.
    towards, noise = outlook.cross[0, 3], outlook.noise[1, 1, 1]
    left = outlook.variance[0] - towards**2 / (outlook.cov[3, 3] + noise)
    outlook.add_press(1, (1,))
    assert outlook.variance[0] == pytest.approx(left)


def test_what_a_grade_tells_is_fishers_information_less_a_discount_far_below() -> None:
    """One over the information of a grade, by numerical integration over the field and numerical
    slopes of the chances; a place two grades below acceptance is discounted by (1.5 x 2)^2."""
    graded = GradeScale(np.array([-2.0, -1.0, 0.0, 1.0]), False)
    post = replace(posterior(points([[0.0, 0.0]]), np.array([0.3])), grade_scales=(graded,))
    top, noise = post.ceiling[0][0], 0.3
    edges = np.array([-np.inf, -2, -1, 0, 1, np.inf])

    def information(f: float) -> float:
        def chances(at: float) -> np.ndarray:
            return np.diff(norm.cdf((edges - quality(np.array(at), top)) / noise))

        slope = (chances(f + 1e-4) - chances(f - 1e-4)) / 2e-4
        return float(np.sum(slope**2 / np.maximum(chances(f), 1e-12))) * noise**2

    for mean, discount in ((0.4, 0.0), (1.2, 0.0), (-2.0, 9.0)):
        known, _ = quad(lambda f, m=mean: information(f) * norm.pdf(f, m, 0.2), mean - 1, mean + 1)
        found = _effective_grade_noise(post, np.array([[mean]]), np.array([[0.04]]))
        assert found[0, 0] == pytest.approx(noise**2 / min(known, 1.0) + discount, rel=0.03)


def test_the_machine_spread_blurs_what_a_press_shows() -> None:
    """Beside the noise of the grade: the squares of what one sd of each setting does to the mean
    of the field, half of the change from one sd below to one above."""
    now = posterior(points([[0.0, 0.0], [0.5, -0.2]]), np.array([0.6, -0.4]))
    at, sd = [0.25, -0.1], [0.1, 0.05]
    told = (np.zeros(1), np.zeros(1))

    def noise(spread: np.ndarray | None) -> float:
        pool = Candidates(points([at]), np.array([0]), np.array([0]), spread)
        return float(
            BatchAcquisition(now, points([[0.2, 0.2]]), pool, np.ones(1), 0.9, told).noise[0, 0, 0]
        )

    def mean(step: list[float]) -> float:
        return float(predict(now, points([np.add(at, step).tolist()])).mean[0, 0, 0])

    moved = [
        0.5 * (mean([sd[0], 0]) - mean([-sd[0], 0])), 0.5 * (mean([0, sd[1]]) - mean([0, -sd[1]])),
    ]  # fmt: skip
    blur = noise(np.array([sd])) - noise(None)
    assert blur == pytest.approx(float(np.sum(np.square(moved))), rel=1e-3) and blur > 1e-4


def test_a_block_has_the_luck_of_a_press_round() -> None:
    """Shared by choice: in the likelihood and for a new press alike."""
    zero, off, same = np.zeros(2, dtype=int), np.full(2, -1), np.arange(2)
    without = batch_effects.batch_covariance(zero, off, off, off, same, SCALES, Prior())
    within = batch_effects.batch_covariance(zero, off, off, zero, same, SCALES, Prior())
    assert within - without == pytest.approx(np.full((2, 2), SCALES.round_sd**2))
    (shared, own), (more, each) = (
        batch_effects.new_press_variance(SCALES, Prior(), b) for b in (False, True)
    )
    assert more - shared + each - own == pytest.approx(SCALES.round_sd**2 + 0.0 * own)


def test_the_value_of_a_batch_is_what_making_it_would_prove() -> None:
    """By brute force: 250 times the field and the luck are drawn at two presses of one load from
    the posterior of what was seen, all is fitted again, and the cells are counted that are then
    confirmed, at the chance asked of each, and those that then stand in the window."""
    seen, value = [[0.0, 0.0], [0.5, -0.2], [-0.4, 0.5]], np.array([0.6, -0.1, 0.4])
    cells = points([[0.1, 0.1], [0.8, 0.0], [-0.6, 0.4]])
    new = points([[0.3, 0.3], [-0.5, 0.1]])
    now = posterior(points(seen), value)
    weight, asked = np.array([0.5, 0.2, 0.3]), np.array([0.9, 0.6, 0.9])
    load = np.array([7, 7])
    slope = probit_margin.slopes(now, cells)[0][:, 0]
    mean_now = predict(now, cells).mean[0, :, 0]
    # The margin is taken as linear in the field: its mean moves by slope times the field's.
    margin = slope * mean_now
    pool = Candidates(new, load, np.array([1, 2]))
    outlook = BatchAcquisition(now, cells, pool, weight, asked, (margin, np.zeros(3)))
    outlook.add_press(0)
    outlook.add_press(1)
    at_new = predict(now, new)
    links = probit_margin.slopes(now, new)[1][0]
    prior = field.covariance(new, new, SHAPE, SCALES, Prior())
    cov = prior - links @ links.T + SCALES.load_sd**2
    cov += (SCALES.round_sd**2 + SCALES.noise[0] ** 2 + Prior().press_effect_sd ** 2) * np.eye(2)
    rng = np.random.default_rng(1)
    proven, standing = [], []
    rate = np.full(3, norm.ppf(0.9))
    edges = BatchAcquisition(
        now,
        cells,
        Candidates(new, load, np.array([1, 2])),
        weight,
        0.9,
        (margin, np.zeros(3)),
        rate,
    )
    edges.add_press(0)
    edges.add_press(1)
    both = points([*seen, [0.3, 0.3], [-0.5, 0.1]])
    for drawn in rng.multivariate_normal(at_new.mean[0, :, 0], cov, 250):
        n = np.arange(5)
        loads = np.array([0, 1, 2, 7, 7])
        none = np.full(5, -1)
        data = Data(both, np.zeros(5, int), loads, n, none, n, none, np.concatenate([value, drawn]))
        sites = fit_sites(data, SHAPE, Prior(), (None,), [SCALES])
        then = Posterior(data, SHAPE, Prior(), (None,), (SCALES,), np.ones(1), sites)
        told = predict(then, cells)
        sd = slope * np.sqrt(told.covariance[0, :, 0, 0])
        proven.append(slope * told.mean[0, :, 0] >= norm.ppf(asked) * sd)
        # A new press is expected to pass 90 of 100: probit of it, (z + margin) / sqrt(1 + var).
        needed = rate * (np.sqrt(1 + sd**2) - 1)
        standing.append(slope * told.mean[0, :, 0] >= needed)
    share = np.array(proven) @ weight
    error = share.std() / np.sqrt(len(share))
    assert outlook.value == pytest.approx(share.mean(), abs=4 * error)
    assert error < 0.03
    stands = np.array(standing) @ weight
    error = stands.std() / np.sqrt(len(stands))
    assert edges.value == pytest.approx(stands.mean(), abs=4 * error)
    assert error < 0.03
