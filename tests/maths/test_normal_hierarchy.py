"""The normal hierarchy against published examples, an exact integral and simulation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from dtfexp.maths.linear.normal_hierarchy import Groups, HierarchyPrior, fit_hierarchy
from dtfexp.maths.linear.variance_components import (
    ResidualSpaces,
    indicators,
    variance_components,
)

# Rubin 1981, J. Educ. Statist. 6:377: effect of coaching in eight schools and its standard error;
# as in Gelman et al., Bayesian Data Analysis, table 5.2. From memory.
SCHOOLS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERRORS = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
# Efron & Morris 1975, J. Am. Statist. Assoc. 70:311: hits of 18 players in their first 45 times at
# bat of 1970, and their average over the rest of the season. From memory.
HITS = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
REST = np.array([.346, .298, .276, .222, .273, .270, .263, .210, .269, .230, .264, .256, .303,
                 .264, .226, .286, .316, .200])  # fmt: skip
# Davies 1947, Statistical Methods in Research and Production; the Dyestuff data of R's lme4: yield
# of five preparations from each of six batches. From memory.
DYESTUFF = np.array([
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560], [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
])  # fmt: skip

# Davies & Goldsmith 1972, Statistical Methods in Research and Production; the Penicillin data of
# R's lme4, read from its data file: diameters (mm) on 24 plates (rows) of the same six samples.
PENICILLIN = np.array([
    [27, 23, 26, 23, 23, 21], [27, 23, 26, 23, 23, 21], [25, 21, 25, 24, 24, 20],
    [26, 23, 25, 23, 23, 20], [25, 22, 26, 22, 23, 20], [24, 22, 25, 23, 22, 19],
    [24, 20, 23, 21, 22, 19], [26, 22, 26, 24, 24, 21], [24, 21, 24, 22, 22, 20],
    [24, 21, 24, 23, 22, 19], [26, 23, 26, 24, 24, 21], [25, 22, 26, 24, 24, 20],
    [26, 24, 26, 24, 25, 22], [26, 23, 26, 23, 23, 20], [26, 23, 25, 24, 24, 22],
    [25, 22, 25, 23, 23, 20], [25, 21, 24, 23, 23, 20], [25, 22, 24, 23, 23, 19],
    [24, 21, 23, 21, 21, 19], [26, 23, 26, 24, 24, 21], [25, 21, 24, 22, 22, 18],
    [25, 22, 25, 22, 22, 20], [24, 21, 24, 22, 24, 19], [24, 21, 24, 22, 21, 18],
])  # fmt: skip


def flat(df=-1.0):
    return HierarchyPrior(np.zeros(1), np.zeros((1, 1)), np.zeros((1, 1)), df)


def one_by_one(values, errors):
    return Groups.of(values[:, None], (errors**2)[:, None, None])


def exact(values, errors, grid):
    """Posterior weights over sds of the groups, flat prior, and the effects' means given each."""
    variance = errors**2 + grid[:, None] ** 2
    weight = 1.0 / variance
    total = weight.sum(axis=1)
    middle = (weight @ values) / total
    log = -0.5 * np.log(total) - 0.5 * np.log(variance).sum(axis=1)
    log -= 0.5 * (weight * (values - middle[:, None]) ** 2).sum(axis=1)
    post = np.exp(log - log.max())
    shrunk = (grid[:, None] ** 2 * values + errors**2 * middle[:, None]) / variance
    return post / post.sum(), middle, shrunk


def test_eight_schools():
    grid = np.linspace(0.01, 80.0, 8000)
    post, middle, shrunk = exact(SCHOOLS, ERRORS, grid)
    found = fit_hierarchy(one_by_one(SCHOOLS, ERRORS), flat(), draws=12000)
    # Monte Carlo error of the sampler, whose draws hang together: about 0.25.
    assert found.mean[0] == pytest.approx(post @ middle, abs=0.6)
    assert found.effects[:, 0] == pytest.approx(post @ shrunk, abs=0.7)
    # Published posterior medians, A to H (table 5.3 of the book, whole numbers; from memory).
    published = [10, 8, 7, 8, 5, 6, 10, 8]
    medians = np.median(found.effect_draws[:, :, 0], axis=0)
    assert np.abs(medians - published).max() < 1.2
    sd = np.sqrt(found.covariance_draws[:, 0, 0])
    assert np.median(sd) == pytest.approx(np.interp(0.5, np.cumsum(post), grid), abs=0.8)


def test_batting_averages():
    """Shrunken towards their mean, the early averages foretell the season three times as well."""
    angle = np.sqrt(45.0) * np.arcsin(2.0 * HITS / 45.0 - 1.0)
    truth = np.sqrt(45.0) * np.arcsin(2.0 * REST - 1.0)
    found = fit_hierarchy(one_by_one(angle, np.ones(18)), flat(), draws=4000)
    lost = [np.sum((told - truth) ** 2) for told in (angle, found.effects[:, 0])]
    # Published: 17.56 for the averages themselves, 5.01 for the James-Stein estimate, shrunk by
    # 0.209 of the distance from the mean (Efron & Morris 1975; from memory).
    assert lost[0] == pytest.approx(17.56, abs=0.1)
    stein = 1.0 - 15.0 / np.sum((angle - angle.mean()) ** 2)
    assert stein == pytest.approx(0.209, abs=0.01)
    assert lost[1] < 5.6
    kept = np.polyfit(angle, found.effects[:, 0], 1)[0]
    # A flat prior of the sd keeps more than the plug-in estimate, which is at its edge.
    assert stein < kept < 0.45


def quartiles_agree(found, grid, post, rel):
    """Assert that the draws of the sd have the quartiles of its exact posterior."""
    sd = np.sqrt(found.covariance_draws[:, 0, 0])
    for share in (0.25, 0.5, 0.75):
        exactly = np.interp(share, np.cumsum(post), grid)
        assert np.quantile(sd, share) == pytest.approx(exactly, rel=rel)


def test_dyestuff():
    """The published REML variance of batches, and the posterior about it."""
    means, within = DYESTUFF.mean(axis=1), DYESTUFF.var(axis=1, ddof=1).mean()
    assert within == pytest.approx(2451.25)
    errors = np.full(6, np.sqrt(within / 5))
    grid = np.linspace(0.5, 400.0, 8000)
    post, _, _ = exact(means, errors, grid)
    assert grid[np.argmax(post)] ** 2 == pytest.approx(1764.05, rel=0.01)
    found = fit_hierarchy(one_by_one(means, errors), flat(), draws=6000)
    assert found.mean[0] == pytest.approx(1527.5, abs=2.0)
    quartiles_agree(found, grid, post, rel=0.06)


def test_penicillin():
    """Plates and samples crossed: the published REML components, and the posterior about one."""
    plate, sample = (indicators(codes.ravel()) for codes in np.indices(PENICILLIN.shape))
    groups = {"plate": plate, "sample": sample}
    spaces = ResidualSpaces.of(np.ones((PENICILLIN.size, 1)), groups)
    found = variance_components(PENICILLIN.ravel().astype(float), spaces, groups)
    # Published standard deviations of plate, sample and residual (lme4; from memory).
    assert np.sqrt(found.component) == pytest.approx([0.8467, 1.9316, 0.5499], abs=1e-4)
    means = PENICILLIN.mean(axis=1)
    errors = np.full(24, 0.5499 / np.sqrt(6.0))
    grid = np.linspace(0.01, 3.0, 3000)
    post, _, _ = exact(means, errors, grid)
    assert grid[np.argmax(post)] == pytest.approx(0.8467, rel=0.01)
    taught = fit_hierarchy(one_by_one(means, errors), flat(), draws=4000)
    assert taught.mean[0] == pytest.approx(22.972, abs=0.02)
    quartiles_agree(taught, grid, post, rel=0.04)


@pytest.mark.parametrize("parts", [None, np.array([0, 1])])
def test_calibration_by_simulation(parts):
    """Truths drawn from the prior lie evenly among the draws of their posteriors."""
    rng, ranks = np.random.default_rng(5), []
    scale, df, p = np.array([[2.0, 0.5], [0.5, 1.0]]), 7.0, 2
    prior = HierarchyPrior(np.zeros(p), np.eye(p), scale, df, parts, 0.6)
    for k in range(90):
        wide = np.ones(p) if parts is None else np.exp(rng.normal(0.0, 0.6, p))
        spread = stats.invwishart(df, scale * np.outer(wide, wide)).rvs(random_state=rng)
        gamma = rng.normal(size=p)
        theta = rng.multivariate_normal(gamma, spread, 6)
        errors = np.array([np.diag(rng.uniform(0.05, 1.0, p)) for _ in range(6)])
        seen = theta + np.array([rng.multivariate_normal(np.zeros(p), c) for c in errors])
        # The first group has not seen the second unknown.
        groups = Groups.of(seen, errors)
        groups.precision[0, 1, 1] = groups.information[0, 1] = 0.0
        found = fit_hierarchy(groups, prior, draws=200, burn=40, seed=k)
        drawn = np.column_stack(
            [found.mean_draws, found.covariance_draws[:, 0, :], found.effect_draws[:, 0, :]]
        )
        true = np.concatenate([gamma, spread[0], theta[0]])
        ranks.append((drawn < true).mean(axis=0))
    for column in np.array(ranks).T:
        assert stats.kstest(column, "uniform").pvalue > 0.002


def test_parts_of_groups_that_are_alike_are_known_as_such_after_few():
    """The first two unknowns hardly differ between groups: one factor for both tells it."""
    rng, p = np.random.default_rng(8), 6
    true = np.array([0.15, 0.15, 1.0, 1.0, 1.0, 1.0])
    seen = true * rng.normal(size=(10, p)) + 0.1 * rng.normal(size=(10, p))
    groups = Groups.of(seen, np.tile(0.01 * np.eye(p), (10, 1, 1)))
    plain = HierarchyPrior(np.zeros(p), np.eye(p), 15.0 * np.eye(p), p + 16.0)
    parted = replace(plain, parts=np.array([0, 0, 1, 1, 1, 1]), part_sd=0.4)
    found, one = (np.sqrt(np.diag(fit_hierarchy(groups, x).covariance)) for x in (parted, plain))
    assert (one[:2] > 0.7).all() and (found[:2] < 0.5).all()
    assert (np.abs(found[2:] - 1.0) < 0.3).all()
    nothing = Groups.of(np.zeros((0, p)), np.zeros((0, p, p)))
    assert np.diag(fit_hierarchy(nothing, parted).covariance) == pytest.approx(1.0, rel=0.15)


def test_no_group_leaves_the_prior_and_repeated_groups_share_one():
    prior = HierarchyPrior(np.array([1.0, 2.0]), np.eye(2) / 0.3, 5.0 * np.eye(2), 8.0)
    none = Groups.of(np.zeros((0, 2)), np.zeros((0, 2, 2)))
    found = fit_hierarchy(none, prior)
    assert found.mean == pytest.approx(prior.mean) and found.covariance == pytest.approx(np.eye(2))
    assert found.mean_covariance == pytest.approx(0.3 * np.eye(2))
    rng = np.random.default_rng(1)
    values, errors = rng.normal(3.0, 1.0, (6, 2)), np.tile(0.01 * np.eye(2), (6, 1, 1))
    once = fit_hierarchy(Groups.of(values, errors), prior, draws=2000)
    twice = Groups.of(np.repeat(values, 2, axis=0), np.repeat(errors, 2, axis=0))
    twice = replace(twice, weight=np.full(12, 0.5))
    again = fit_hierarchy(twice, prior, draws=2000)
    assert again.mean == pytest.approx(once.mean, abs=0.05)
    assert again.mean_covariance == pytest.approx(once.mean_covariance, abs=0.02)
