"""The ceiling of quality, and expectation propagation under it, against brute force."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import norm

from dtfexp.maths.field.ceiling import quality, quality_slope
from dtfexp.maths.propagation.ep import Observations, propagate
from dtfexp.maths.propagation.tilted import Belief, Wrong, capped_tilted, interval_tilted

TOP = np.array(1.5)


def believed(field: object, variance: object) -> Belief:
    """A belief in the field where there are no batch effects."""
    mean, wide = np.asarray(field, dtype=float), np.asarray(variance, dtype=float)
    none = np.zeros(mean.shape)
    return Belief(mean, none, wide, none, none)


def test_quality_follows_the_field_and_ends_at_the_ceiling() -> None:
    f = np.linspace(-8.0, 12.0, 201)
    q = quality(f, TOP)
    assert q[0] == pytest.approx(f[0], abs=1e-9)
    assert q[-1] == pytest.approx(1.5, abs=1e-9)
    assert np.all(np.diff(q) >= 0)
    assert quality_slope(f, TOP) == pytest.approx(np.gradient(q, f), abs=0.01)
    assert quality(f, np.array(np.inf)) == pytest.approx(f)
    assert quality_slope(f, np.array(np.inf)) == pytest.approx(np.ones(201))


def _by_quad(
    mean: float, sd: float, grade: tuple[float, float], noise: float
) -> tuple[float, float, float]:
    """log Z, mean and sd of the field given a grade: scipy's adaptive quadrature, in pieces."""

    def weight(f: float) -> float:
        q = 1.5 - 0.4 * np.logaddexp(0.0, (1.5 - f) / 0.4)
        low, high = (grade[0] - q) / noise, (grade[1] - q) / noise
        seen = ndtr(high) - ndtr(low) if low < 0 else ndtr(-low) - ndtr(-high)
        return seen * np.exp(-0.5 * ((f - mean) / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi))

    ends = np.linspace(mean - 9.0 * sd, mean + 9.0 * sd, 13)
    z, first, second = (
        sum(
            quad(lambda f, k=k: (f - mean) ** k * weight(f), a, b, epsabs=1e-12)[0]
            for a, b in pairwise(ends)
        )
        for k in range(3)
    )
    return np.log(z), mean + first / z, np.sqrt(second / z - (first / z) ** 2)


@pytest.mark.parametrize("grade", [(-np.inf, -2.0), (-1.0, 0.0), (0.0, 1.0), (1.0, np.inf)])
@pytest.mark.parametrize(
    ("mean", "sd", "noise"),
    [
        (0.3, 0.2, 0.3),
        (1.4, 1.0, 0.15),
        (-1.0, 3.5, 0.2),
        (3.5, 2.0, 0.15),
        (-2.0, 5.0, 0.12),
        (0.2, 1.5, 0.1),
    ],
)
def test_moments_under_a_ceiling_against_adaptive_quadrature(
    grade: tuple[float, float], mean: float, sd: float, noise: float
) -> None:
    """Over what fits meet (sd of the field 0.3 to 3, noise from 0.15) and beyond: the mean within a
    hundredth of the tilted sd, the sd within a hundredth."""
    log_z, exact, width = _by_quad(mean, sd, grade, noise)
    found = capped_tilted(believed(mean, sd**2), *(np.array(x) for x in (*grade, noise)), TOP)
    assert bool(found.resolved)
    assert found.log_z == pytest.approx(log_z, abs=5e-3)
    assert mean + sd**2 * found.field_gradient == pytest.approx(exact, abs=0.01 * width)
    # Of a belief that a grade leaves as wide or wider, next to nothing is taken.
    left = sd / np.sqrt(1.0 + (sd * found.field_loading) ** 2)
    assert left == pytest.approx(min(width, sd), rel=0.01)


@pytest.mark.parametrize("grade", [(-np.inf, -1.0), (-1.0, 0.0), (0.0, 1.0), (1.0, np.inf)])
@pytest.mark.parametrize("spread", [(0.9, 0.25, -0.2), (0.3, 0.3, -0.7), (2.0, 0.15, 0.3)])
def test_batch_effects_lie_beside_the_ceiling(
    grade: tuple[float, float], spread: tuple[float, float, float]
) -> None:
    """Field and batch effect given one grade by a sum over a grid of both: log Z, both means, and
    the least variance that any direction keeps of what it had."""
    (sd, batch_sd, alike), mean, noise = spread, np.array([0.8, 0.1]), 0.25
    cov = np.array([[sd**2, alike * sd * batch_sd], [alike * sd * batch_sd, batch_sd**2]])
    unit = np.linspace(-8.0, 8.0, 801)
    t, r = np.meshgrid(unit, unit, indexing="ij")
    root = np.linalg.cholesky(cov)
    f, b = (mean[k] + root[k, 0] * t + root[k, 1] * r for k in (0, 1))
    weight = norm.pdf(t) * norm.pdf(r) * (unit[1] - unit[0]) ** 2
    at = quality(f, TOP) + b
    weight *= ndtr((grade[1] - at) / noise) - ndtr((grade[0] - at) / noise)
    z = weight.sum()
    exact = np.array([(weight * x).sum() for x in (f, b)]) / z
    white = np.array([[(weight * x * y).sum() / z for x in (t, r)] for y in (t, r)])
    means = np.array([(weight * x).sum() / z for x in (t, r)])
    least = np.linalg.eigvalsh(white - np.outer(means, means))[0]
    belief = Belief(*(np.array(x) for x in (*mean, cov[0, 0], cov[0, 1], cov[1, 1])))
    found = capped_tilted(belief, *(np.array(x) for x in (*grade, noise)), TOP)
    assert found.log_z == pytest.approx(np.log(z), abs=1e-3)
    gradient = np.array([found.field_gradient, found.batch_gradient])
    assert mean + cov @ gradient == pytest.approx(exact, abs=2e-3)
    loading = np.array([found.field_loading, found.batch_loading])
    assert 1.0 / (1.0 + loading @ cov @ loading) == pytest.approx(min(least, 1.0), abs=3e-3)


@pytest.mark.parametrize("grade", [(-np.inf, -1.0), (0.0, 1.0)])
@pytest.mark.parametrize("top", [TOP, np.array(60.0)])
def test_a_grade_that_may_be_wrong_moves_a_belief_only_so_far(
    grade: tuple[float, float], top: np.ndarray
) -> None:
    """A mixture of the grade's own probability and one in five of a twentieth, by a fine sum."""
    f, share = np.linspace(-14.0, 18.0, 40001), 0.05
    for mean in (0.2, 3.0, 7.0):
        at = quality(f, top)
        chance = ndtr((grade[1] - at) / 0.3) - ndtr((grade[0] - at) / 0.3)
        weight = norm.pdf(f, mean, 0.9) * ((1.0 - share) * chance + share / 5)
        exact = (weight * f).sum() / weight.sum()
        given = believed(mean, 0.81), *(np.array(x) for x in (*grade, 0.3))
        wrong = Wrong(np.array(share), np.array(share / 5))
        for found in (
            capped_tilted(*given, top, wrong),
            *([interval_tilted(*given, wrong)] if top > 50 else []),
        ):
            assert found.log_z == pytest.approx(np.log(weight.sum() * (f[1] - f[0])), abs=1e-3)
            assert mean + 0.81 * found.field_gradient == pytest.approx(exact, abs=1e-3)
    # Seven sd away the grade is taken for wrong.
    assert abs(exact - 7.0) < 0.05


def test_an_integral_too_fine_for_its_nodes_is_flagged() -> None:
    given = believed(0.0, 4.0), np.array(0.0), np.array(4.0)
    assert not capped_tilted(*given, np.array(0.03), np.array(9.0)).resolved
    assert capped_tilted(*given, np.array(0.6), np.array(9.0)).resolved


def test_a_run_cut_short_says_that_it_has_not_settled() -> None:
    seen = Observations(np.array([1.0, -np.inf]), np.array([np.inf, -2.0]), np.full(2, np.nan))
    given = np.array([[[1.0, 0.5], [0.5, 1.0]]]), np.full((1, 2), 0.7), np.full((1, 2), 0.3), seen
    top = np.full((1, 2), 1.5)
    assert not propagate(*given, ceiling=top, sweeps=2).converged.any()
    assert propagate(*given, ceiling=top).converged.all()


def test_a_high_ceiling_is_none() -> None:
    rng = np.random.default_rng(2)
    mean, variance = rng.normal(size=20), rng.uniform(0.2, 2.0, 20)
    lower = rng.normal(size=20)
    given = believed(mean, variance), lower, lower + 1.0, np.full(20, 0.4)
    capped, plain = capped_tilted(*given, np.full(20, 60.0)), interval_tilted(*given)
    assert capped.log_z == pytest.approx(plain.log_z, abs=1e-3)
    assert capped.field_gradient == pytest.approx(plain.field_gradient, abs=1e-3)
    assert capped.field_loading == pytest.approx(plain.field_loading, abs=5e-3)


@pytest.mark.parametrize("batch_sd", [0.0, 0.4])
def test_one_grade_at_the_top_against_brute_force(batch_sd: float) -> None:
    """With one observation expectation propagation is exact: posterior mean and evidence.  A batch
    effect that nothing else shares is noise beside the ceiling."""
    f = np.linspace(-8, 10, 20001)
    noise = np.hypot(0.3, batch_sd)
    weight = norm.pdf(f, 0.7, 1.1) * norm.sf((1.0 - quality(f, TOP)) / noise)
    nan = np.full(1, np.nan)
    sites = propagate(
        np.array([[[1.21]]]),
        np.array([[0.7]]),
        np.array([[0.3]]),
        Observations(np.array([1.0]), np.array([np.inf]), nan),
        batch=np.array([[[batch_sd**2]]]),
        ceiling=np.array([[1.5]]),
        tolerance=1e-8,
        sweeps=200,
    )
    assert sites.mean[0, 0] == pytest.approx((weight * f).sum() / weight.sum(), abs=1e-4)
    assert sites.log_evidence[0] == pytest.approx(np.log(weight.sum() * (f[1] - f[0])), abs=1e-4)
