"""What the machine spread does to quality: three places against the whole of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import kurtosis, skew

from dtfexp import Factor, Outcome, Session, fit, plan
from dtfexp.dialin.encode.machine_spread import spread_draws
from dtfexp.maths.field.ceiling import quality
from dtfexp.maths.field.input_noise import input_noise_moments, quality_loss_and_variance
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.pass_probability import pass_posterior
from tests.dialin.bench import graded

GAPS = np.array([[[0.3, -0.2], [0.5, 0.1], [0.0, 0.4]]])


def test_the_field_moves_by_the_sum_of_what_its_settings_do() -> None:
    """Moments of a sum of independent parts, against a million draws: one even, one lopsided."""
    rng = np.random.default_rng(1)
    parts = np.array([
        rng.uniform(-1, 1, 1_000_000) * np.sqrt(3),
        rng.exponential(1.0, 1_000_000) - 1.0,
        rng.normal(size=1_000_000),
    ])  # fmt: skip
    lean, peak = np.array([[0.0, 2.0, 0.0]]), np.array([[1.8, 9.0, 3.0]])
    found = input_noise_moments(GAPS, lean, peak)[0]
    moved = GAPS[0].T @ parts
    assert found[0, 4] == found[1, 3] == pytest.approx(np.corrcoef(moved)[0, 1], abs=0.005)
    assert found[[0, 1], [3, 4]] == pytest.approx([1.0, 1.0])
    assert found[:, 0] == pytest.approx(moved.var(axis=1), rel=0.01)
    assert found[:, 1] == pytest.approx(skew(moved, axis=1), abs=0.02)
    assert found[:, 2] == pytest.approx(kurtosis(moved, axis=1, fisher=False), rel=0.03)


def test_nothing_moves_where_no_machine_wanders() -> None:
    still = input_noise_moments(np.zeros((2, 3, 2)), np.zeros((2, 3)), np.full((2, 3), 3.0))
    lost, scattered = quality_loss_and_variance(
        lambda f: quality(f, np.array(1.5)), np.ones((2, 2)), still
    )
    assert lost.tolist() == scattered.tolist() == [[0.0, 0.0]] * 2


def test_three_places_are_exact_for_a_quality_that_is_a_quadratic_of_the_field() -> None:
    """Mean needs two moments and the variance of a quadratic four: all of them are matched."""
    moments = input_noise_moments(GAPS, np.array([[0.0, 2.0, 0.0]]), np.array([[1.8, 9.0, 3.0]]))
    v, s, k = (moments[..., i] for i in range(3))
    middle = np.array([[0.2, -0.4]])
    lost, scattered = quality_loss_and_variance(
        lambda f: 1.0 + 2.0 * f - 0.7 * f**2, middle, moments
    )
    slope = 2.0 - 1.4 * middle
    assert lost == pytest.approx(0.7 * v)
    expected = slope**2 * v + 2 * slope * -0.7 * s * v**1.5 + 0.49 * (k - 1) * v**2
    assert scattered == pytest.approx(expected)


def test_just_under_the_ceiling_a_wide_spread_costs_what_a_slope_would_not_show() -> None:
    rng = np.random.default_rng(0)
    middle, sd, top = np.linspace(0.0, 3.0, 7)[:, None], 0.6, np.array(1.5)
    moments = np.tile([sd**2, 0.0, 1.8, 1.0], (7, 1, 1))
    lost, scattered = quality_loss_and_variance(lambda f: quality(f, top), middle, moments)
    moved = quality(middle + sd * np.sqrt(3) * rng.uniform(-1, 1, 400_000), top)
    assert lost[:, 0] == pytest.approx(quality(middle, top)[:, 0] - moved.mean(axis=1), abs=0.01)
    assert np.sqrt(scattered[:, 0]) == pytest.approx(moved.std(axis=1), abs=0.02)


def test_lean_and_peak_are_those_of_the_nodes() -> None:
    nodes = np.array([[[0.0, 0.0, 0.0], [-1.0, 0.0, 1.0], [-2.0, 0.5, 0.5]]])
    lean, peak = Points(
        nodes, np.array([0.2, 0.4, 0.4]), np.zeros(1, dtype=int)
    ).skewness_and_kurtosis
    drawn = np.repeat(nodes[0], [200, 400, 400], axis=1)
    assert lean[0] == pytest.approx([0.0, *skew(drawn[1:], axis=1)])
    assert peak[0] == pytest.approx([3.0, *kurtosis(drawn[1:], axis=1, fisher=False)])


@pytest.mark.parametrize("spots", [(), (1.0,) * 7 + (-2.0, -5.0)])
def test_a_pass_rate_with_spread_against_the_mean_over_what_the_machines_do(
    spots: tuple[float, ...],
) -> None:
    """The same fit asked at 200 places around each setting, exactly, and averaged: with an even
    spread and with a cold corner.  Tolerances are what was measured."""
    press = Factor("press temperature", 140, 180, "°C", 1, spread=4, usual=160, spots=spots)
    time = Factor("press time", 8, 24, "s", 1, spread=1, usual=15)
    session = Session("s", (press, time), (Outcome("peel"), Outcome("wash")), ("cotton",))
    fitted = fit(session, graded(session, plan(session, 20).runs, width=0.6))
    asked = plan(session, 30, design="latin hypercube", seed=3).runs[
        ["press temperature", "press time"]
    ]
    told = fitted.pass_rate(asked, "cotton")["pass_rate"].to_numpy()
    rng = np.random.default_rng(5)
    around = pd.concat([
        asked.assign(
            **{f.name: asked[f.name] + spread_draws(f, len(asked), rng) for f in (press, time)}
        )
        for _ in range(200)
    ])  # fmt: skip
    at = fitted.coding.points(around, np.zeros(len(around), dtype=int), spread=False)
    each = pass_posterior(fitted.posterior, predict(fitted.posterior, at)).expected()
    off = told - each.reshape(200, -1).mean(axis=0)
    assert np.abs(off).max() < 0.05
    assert abs(off.mean()) < 0.01
