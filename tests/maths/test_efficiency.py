"""Efficiencies and prediction variance held to published values; bounds held to brute force."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from dtfexp.maths.designs import classical
from dtfexp.maths.linear import efficiency
from dtfexp.maths.linear.model_terms import FactorKind, Terms, category_columns

TWO = (FactorKind(), FactorKind())


def quadratic(k, points):
    terms = Terms.of([FactorKind()] * k, "quadratic")
    return terms, terms.expand(np.asarray(points, dtype=float))


def grid(k, per_axis=21):
    return np.array(list(product(np.linspace(-1, 1, per_axis), repeat=k)))


@pytest.mark.parametrize(
    ("centres", "d", "g"),
    [(None, 0.9739716, 0.8275862), (2, 0.9435604, 0.7522388), (5, 0.8194793, 0.5840559)],
)
def test_efficiencies_on_the_square(centres, d, g):
    # Farrell, Kiefer & Walbran (1967), Proc. 5th Berkeley Symposium 1:113, and Atkinson & Donev
    # (1992), Optimum Experimental Designs, quadratic in two factors: the 3 x 3 factorial has
    # D-efficiency 0.974 and G-efficiency 0.828 (from memory; more digits and the face-centred
    # plans recomputed from the continuous optimum).
    points = (
        np.array(list(product([-1, 0, 1], repeat=2)))
        if centres is None
        else classical.central_composite(2, "faced", centres)
    )
    terms, x = quadratic(2, points)
    m, n = efficiency.information(x), len(x)
    ideal = efficiency.continuous_optimum(TWO, "quadratic")
    assert efficiency.d_efficiency(m, n, ideal) == pytest.approx(d, abs=1e-7)
    assert efficiency.g_efficiency(m, n, terms.expand(grid(2))) == pytest.approx(g, abs=5e-8)
    assert 0 < efficiency.i_efficiency(m, n, efficiency.region_moments(terms), ideal) <= 1


def test_the_continuous_optimum_on_the_square():
    # As above: weights 0.1458 per corner, 0.0802 per edge middle, 0.0962 centre (from memory);
    # |M| = 0.011427 recomputed. By the equivalence theorem (Kiefer & Wolfowitz 1960) the greatest
    # variance under these weights is the number of terms.
    points = np.array(list(product([-1, 0, 1], repeat=2)))
    ends = np.abs(points).sum(axis=1)
    weight = np.choose(ends, [0.096193, 0.080161, 0.145791])
    terms, x = quadratic(2, points)
    m = x.T @ (weight[:, None] * x)
    ideal = efficiency.continuous_optimum(TWO, "quadratic")
    assert np.exp(ideal.d) == pytest.approx(0.011427, abs=5e-7)
    assert np.linalg.slogdet(m)[1] == pytest.approx(ideal.d, abs=1e-5)
    assert efficiency.prediction_variance(terms.expand(grid(2)), m).max() == pytest.approx(
        6.0, abs=1e-4
    )


@pytest.mark.parametrize(
    ("kinds", "model"),
    [
        (TWO, "quadratic"),
        (
            (FactorKind(), FactorKind(), FactorKind(2, number=False, has_quadratic=False)),
            "quadratic",
        ),
        (
            (
                FactorKind(),
                FactorKind(has_quadratic=False),
                FactorKind(number=False, has_quadratic=False),
            ),
            "quadratic",
        ),
        (
            (FactorKind(), FactorKind(2, number=False, has_quadratic=False, interacts=False)),
            "quadratic",
        ),
        ((FactorKind(), FactorKind(2, number=False, has_quadratic=False)), "interactions"),
    ],
)
def test_the_bounds_are_what_weights_on_all_points_come_to(kinds, model):
    """Multiplicative algorithm over a grid (Silvey, Titterington & Torsney 1978; from memory)."""
    axes = [
        np.linspace(-1, 1, 3 if k.number else 2)[:, None]
        if k.columns == 1
        else category_columns(k.columns + 1)
        for k in kinds
    ]
    index = list(product(*(range(len(a)) for a in axes)))
    base = np.array([np.concatenate([a[i] for a, i in zip(axes, at, strict=True)]) for at in index])
    terms = Terms.of(kinds, model)
    x = terms.expand(base)
    w = efficiency.region_moments(terms)
    for criterion in ("d", "i"):
        weight = np.full(len(x), 1 / len(x))
        for _ in range(3000):
            m = x.T @ (weight[:, None] * x)
            if criterion == "d":
                weight *= efficiency.prediction_variance(x, m) / len(m)
            else:
                pull = np.sqrt(
                    np.sum((x @ np.linalg.solve(m, np.linalg.solve(m, w).T)) * x, axis=1)
                )
                weight *= pull
                weight /= weight.sum()
        m = x.T @ (weight[:, None] * x)
        ideal = efficiency.continuous_optimum(tuple(kinds), model)
        if criterion == "d":
            assert np.linalg.slogdet(m)[1] == pytest.approx(ideal.d, abs=2e-4)
        else:
            assert np.trace(np.linalg.solve(m, w)) == pytest.approx(ideal.i, rel=2e-4)


def test_prediction_variance_of_central_composites():
    # Montgomery (2013), Design and Analysis of Experiments, 8th ed., ch. 11: rotatable, two
    # factors, five centres: 0.2 at the centre, 0.625 at corners and star (seen); the others
    # recomputed.
    terms, x = quadratic(2, classical.central_composite(2, "rotatable", 5))
    m = efficiency.information(x)
    at = terms.expand(np.array([[0, 0], [1, 1], [2**0.5, 0], [1, 0]]))
    np.testing.assert_allclose(
        efficiency.prediction_variance(at, m), [0.2, 0.625, 0.625, 0.26875], atol=1e-9
    )
    terms, x = quadratic(3, classical.central_composite(3, "faced", 1))
    m = efficiency.information(x)
    at = terms.expand(np.array([[0, 0, 0], [1, 0, 0], [1, 1, 1]]))
    np.testing.assert_allclose(
        efficiency.prediction_variance(at, m), [0.2888889, 0.5555556, 0.7972222], atol=5e-8
    )
    assert efficiency.g_efficiency(m, len(x), terms.expand(grid(3))) == pytest.approx(
        0.8362369, abs=5e-8
    )
    terms, x = quadratic(3, classical.central_composite(3, "rotatable", 6))
    at = terms.expand(np.array([[0, 0, 0], [1, 0, 0], [8**0.25, 0, 0]]))
    scaled = len(x) * efficiency.prediction_variance(at, efficiency.information(x))
    np.testing.assert_allclose(scaled, [3.3268, 3.9074, 12.1461], atol=5e-5)


def test_moments_are_means_over_the_range():
    words = FactorKind(2, number=False, has_quadratic=False)
    kinds = (
        FactorKind(),
        FactorKind(has_quadratic=False),
        words,
        FactorKind(number=False, has_quadratic=False),
    )
    terms = Terms.of(kinds, "quadratic")
    levels = [None, None, category_columns(3), category_columns(2)]
    x = terms.expand(efficiency.coded_range(levels, points=2**13))
    np.testing.assert_allclose(x.T @ x / len(x), efficiency.region_moments(terms), atol=3e-3)


def test_inflation_and_correlation_by_hand():
    # Two columns with correlation r inflate one another by 1 / (1 - r^2).
    x = np.array([[-1.0, -1], [-1, 1], [1, 1], [1, 1]])
    r = efficiency.correlation(x)[0, 1]
    assert r == pytest.approx(1 / 3**0.5)
    np.testing.assert_allclose(efficiency.inflation(x), 1 / (1 - r**2))
    twice = np.column_stack([x, x[:, 0]])
    np.testing.assert_allclose(efficiency.inflation(twice)[[0, 2]], np.inf)
    assert np.isfinite(efficiency.inflation(twice)[1])
    assert np.isfinite(efficiency.correlation(np.ones((4, 2)))).all()


def test_words_are_orthogonal_columns():
    for levels in (2, 3, 5):
        c = category_columns(levels)
        np.testing.assert_allclose(c.T @ c / levels, np.eye(levels - 1), atol=1e-12)
        np.testing.assert_allclose(c.sum(axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(category_columns(2)[:, 0], [-1, 1])
