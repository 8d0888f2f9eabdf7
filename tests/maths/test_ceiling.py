"""The ceiling of quality, and expectation propagation under it, against brute force."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import norm

from dtfexp.maths.field.ceiling import capped_moments, quality, quality_slope
from dtfexp.maths.inference.ep import Observations, propagate
from dtfexp.maths.inference.ordinal import interval_moments

TOP = np.array(1.5)


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
    found, slope, bend, resolved = capped_moments(
        *(np.array(x) for x in (mean, sd**2, *grade, noise)), TOP
    )
    assert bool(resolved)
    assert found == pytest.approx(log_z, abs=5e-3)
    assert mean + sd**2 * slope == pytest.approx(exact, abs=0.01 * width)
    # Of a belief that a grade leaves as wide or wider, the derivative is held just below zero.
    assert sd * np.sqrt(1.0 + sd**2 * bend) == pytest.approx(min(width, sd), rel=0.01)


def test_an_integral_too_fine_for_its_nodes_is_flagged() -> None:
    given = [np.array(x) for x in (0.0, 4.0, 0.0, 4.0)]
    assert not capped_moments(*given, np.array(0.03), np.array(9.0))[3]
    assert capped_moments(*given, np.array(0.6), np.array(9.0))[3]


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
    arguments = (mean, variance, lower, lower + 1.0, np.full(20, 0.4))
    for capped, open_ended in zip(
        capped_moments(*arguments, np.full(20, 60.0))[:3], interval_moments(*arguments), strict=True
    ):
        assert capped == pytest.approx(open_ended, abs=1e-3)


def test_one_grade_at_the_top_against_brute_force() -> None:
    """With one observation expectation propagation is exact: posterior mean and evidence."""
    f = np.linspace(-8, 10, 20001)
    weight = norm.pdf(f, 0.7, 1.1) * norm.sf((1.0 - quality(f, TOP)) / 0.3)
    nan = np.full(1, np.nan)
    sites = propagate(
        np.array([[[1.21]]]),
        np.array([[0.7]]),
        np.array([[0.3]]),
        Observations(np.array([1.0]), np.array([np.inf]), nan),
        ceiling=np.array([[1.5]]),
        tolerance=1e-8,
        sweeps=200,
    )
    assert sites.mean[0, 0] == pytest.approx((weight * f).sum() / weight.sum(), abs=1e-4)
    assert sites.log_evidence[0] == pytest.approx(np.log(weight.sum() * (f[1] - f[0])), abs=1e-4)
