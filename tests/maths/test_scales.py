"""Integrating over scales: the weighted points against a conjugate answer in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp.maths.inference.hyperparameters import (
    integrate,
    integration_points,
    n_dimensions,
    normal_points,
    to_hyperparameters,
)


@pytest.mark.parametrize(("at", "sd"), [(0.0, 3.0), (1.0, 0.5), (-1.5, 0.4)])
def test_a_gaussian_evidence_gives_the_conjugate_posterior(at: float, sd: float) -> None:
    """Prior N(0, 1) met by N(at, sd^2): Gelman et al., Bayesian Data Analysis, sec. 2.5 (memory).

    Four dimensions, the evidence in the first one only; the 16 points kept carry mean and sd.
    """

    def log_evidence(u: np.ndarray) -> np.ndarray:
        return -0.5 * ((u[:, 0] - at) / sd) ** 2

    points, weight = integration_points(integrate(log_evidence, 4, 64)[0], 16)
    mean = weight @ points
    spread = np.sqrt(weight @ (points - mean) ** 2)
    exact_sd = 1 / np.sqrt(1 + 1 / sd**2)
    assert weight.sum() == pytest.approx(1)
    assert mean[0] == pytest.approx(at / (1 + sd**2), abs=0.03 * exact_sd)
    assert spread[0] == pytest.approx(exact_sd, rel=0.04)
    # The other three were told nothing: they keep their prior.
    assert mean[1:] == pytest.approx(0.0, abs=0.03)
    assert spread[1:] == pytest.approx(1.0, rel=0.04)


def test_directions_that_only_a_sum_is_known_of_keep_their_correlation() -> None:
    """Two scales of which data know the sum only, to 0.3: variances and covariance in closed form
    (Gaussian conditioning: Rasmussen & Williams 2006, app. A.2)."""

    def log_evidence(u: np.ndarray) -> np.ndarray:
        return -0.5 * ((u[:, 0] + u[:, 1] - 1.0) / 0.3) ** 2

    points, weight = integration_points(integrate(log_evidence, 10, 64)[0], 16)
    exact = np.linalg.inv(np.eye(2) + np.ones((2, 2)) / 0.09)
    away = points - weight @ points
    found = (weight[:, None] * away).T @ away
    assert weight @ points[:, :2] == pytest.approx(exact @ (np.ones(2) / 0.09), abs=0.03)
    assert found[:2, :2] == pytest.approx(exact, abs=0.03)


def test_scales_of_which_the_evidence_is_not_known_are_left_out() -> None:
    """Prior N(0, 1) met by N(0, 3^2), as above, though nothing is known where it is below -1.5."""

    def log_evidence(u: np.ndarray) -> np.ndarray:
        return np.where(u[:, 0] < -1.5, np.nan, -0.5 * (u[:, 0] / 3.0) ** 2)

    found, total = integrate(log_evidence, 4, 64)
    assert found.centre == pytest.approx(np.zeros(4), abs=0.05)
    assert found.covariance[0, 0] == pytest.approx(0.9, abs=0.05)
    assert total == pytest.approx(-0.5 * np.log(10.0 / 9.0), abs=0.03)


@pytest.mark.parametrize("dim", [4, 10, 15, 16])
def test_there_are_always_enough_points_for_every_direction(dim: int) -> None:
    points, weight = integration_points(integrate(lambda u: np.zeros(len(u)), dim, 64)[0], 16)
    away = points - weight @ points
    spread = (weight[:, None] * away).T @ away
    assert len(points) == (16 if dim <= 15 else 32)
    assert spread == pytest.approx(np.eye(dim), abs=0.05)


def test_points_are_the_same_every_time_and_balanced() -> None:
    points = normal_points(64, 5)
    assert np.array_equal(points, normal_points(64, 5))
    assert np.abs(points.mean(axis=0)).max() < 0.1


def test_the_middle_point_is_the_prior_centre() -> None:
    scales = to_hyperparameters(np.zeros(n_dimensions(2)), 2)
    assert scales.amplitude == pytest.approx(1.0)
    assert scales.noise == pytest.approx([0.32, 0.32])
