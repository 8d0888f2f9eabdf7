"""What the machine spread does to presses already made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dtfexp.maths.field import batch_effects, field
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.field.points import PRESS, FieldShape, Points
from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
from dtfexp.maths.inference.infer import infer
from dtfexp.maths.inference.observations import Data, GradeScale
from dtfexp.maths.inference.posterior import Posterior
from dtfexp.maths.inference.site_fitting import with_input_noise

SHAPE = FieldShape((PRESS,), (False,), (), 1)
SCALES = to_hyperparameters(np.zeros(n_dimensions(1)), 1)
STEEP, REACHED_SD, NOISE = 4.0, 0.15, 0.3


def exact(codes: np.ndarray) -> Points:
    return Points(codes[:, None, None], np.ones(1), np.zeros(len(codes), dtype=int))


def measured(spread: float, presses: int = 60) -> Data:
    """A measured outcome on a straight slope of 4, the machine 0.15 off from press to press."""
    rng = np.random.default_rng(3)
    at = np.linspace(-0.9, 0.9, presses)
    value = STEEP * (at + REACHED_SD * rng.normal(size=presses)) + NOISE * rng.normal(size=presses)
    alone = np.arange(presses)
    return Data(
        at=exact(at),
        outcome=np.zeros(presses, dtype=int),
        load=np.full(presses, -1),
        round_=np.full(presses, -1),
        block=np.full(presses, -1),
        press=alone,
        grade=np.full(presses, -1),
        value=value,
        spread=np.full((presses, 1), spread),
    )


def middle_noise(post: Posterior) -> float:
    return float(post.weight @ np.array([s.noise[0] for s in post.integration_points]))


def test_scatter_on_a_slope_is_the_machines_and_not_press_noise() -> None:
    """The scatter is sqrt((4 x 0.15)^2 + 0.3^2) = 0.67 grades, of which 0.30 is press noise; the
    sd of 60 squared normals puts an error of 9 % on the whole."""
    known = infer(measured(REACHED_SD), SHAPE, (None,), Prior())
    taken_as_exact = infer(measured(0.0), SHAPE, (None,), Prior())
    assert middle_noise(taken_as_exact) > 0.45
    assert middle_noise(known) < 0.36
    assert known.data.input_noise is not None
    assert np.abs(known.data.input_noise).mean() == pytest.approx(STEEP * REACHED_SD, rel=0.15)


def test_nothing_slips_where_the_machine_was_read_or_the_field_is_flat() -> None:
    data = measured(REACHED_SD)
    read = replace(data, spread=np.zeros((data.n, 1)))
    assert with_input_noise(read, SHAPE, Prior(), (None,), SCALES) is read
    graded = (GradeScale(np.array([-1.0, 0.0, 1.0])),)
    flat = replace(data, grade=np.full(data.n, 2), value=np.full(data.n, np.nan))
    slip = with_input_noise(flat, SHAPE, Prior(mean_curvature=0.0), graded, SCALES).input_noise
    assert slip is not None and np.abs(slip).max() < 0.1


def test_slips_of_one_press_go_together() -> None:
    """Two outcomes of one press, one rising and one falling with the setting; another press."""
    slip = np.array([[0.5, 0.1], [-0.3, 0.2], [0.5, 0.1]])
    cov = batch_effects.input_noise_covariance(slip, np.array([1, 1, 2]))
    expected = np.array([[0.26, -0.13, 0.0], [-0.13, 0.13, 0.0], [0.0, 0.0, 0.26]])
    assert cov == pytest.approx(expected)


def test_gaps_are_the_slope_times_the_spread() -> None:
    """Against a plain difference of the posterior mean to both sides."""
    seen, here = exact(np.array([-0.6, 0.1, 0.8])), exact(np.array([-0.4, 0.3]))
    weights = np.array([[0.7], [-0.4], [0.9]])
    sd = np.array([[0.05], [0.10]])

    def mean(at: Points) -> np.ndarray:
        cov = field.covariance(at, seen, SHAPE, SCALES, Prior())
        return np.asarray(field.prior_mean(at, SHAPE, SCALES, Prior()) + (cov @ weights)[:, 0])

    up, down = exact(np.array([-0.35, 0.40])), exact(np.array([-0.45, 0.20]))
    gaps = field.spread_effects(here, sd, seen, SHAPE, SCALES, Prior(), weights)
    assert gaps[:, 0, 0] == pytest.approx(0.5 * (mean(up) - mean(down)), rel=1e-3)
