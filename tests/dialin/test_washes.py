"""One quality after more and more washes: what a fit makes of it.  All grades are invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Fit, Outcome, Session, fit, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.wash_series import improvements_by_washing
from dtfexp.maths.field.monotone import monotone_fields
from dtfexp.maths.inference.design_points import DesignPoints
from dtfexp.maths.inference.infer import subsample
from dtfexp.maths.inference.prediction import predict
from dtfexp.maths.prediction.pass_probability import quality_of
from tests.dialin.bench import CURE, PRESS, graded

ONE, FIVE, TWENTY = (Outcome(f"wash {n}", washes=n, series="wash") for n in (1, 5, 20))
EASIER = Outcome("wash 20", washes=20, accept=3, series="wash")
OUT_OF_ORDER = Session("w", (CURE, PRESS), (TWENTY, ONE, FIVE), ("cotton",))


def _fitted(session: Session, seed: int = 0, **grades: list[float]) -> Fit:
    results = graded(session, plan(session, 12).runs, seed)
    for name, column in grades.items():
        results[name.replace("_", " ")] = column
    return fit(session, results)


def _everywhere(session: Session) -> pd.DataFrame:
    return plan(session, 60, design="latin hypercube").runs


def _fields(fitted: Fit, settings: pd.DataFrame) -> np.ndarray:
    """Posterior mean of each outcome's field, (M, O)."""
    at = fitted.coding.points(settings, np.zeros(len(settings), dtype=int))
    post = fitted.posterior
    return np.einsum("j,jmo->mo", post.weight, predict(post, at).mean)


def test_the_later_field_is_held_to_the_earlier_ones_through_the_whole_series() -> None:
    fields = np.array([[0.0, 1.0, 2.0], [2.0, 1.0, 0.5], [1.0, 3.0, 2.5]])
    assert monotone_fields(fields, ((0, 1, 0.0), (1, 2, 0.0))).tolist() == [
        [0.0, 0.0, 0.0],
        [2.0, 1.0, 0.5],
        [1.0, 1.0, 1.0],
    ]
    assert monotone_fields(fields, ()) is fields
    # Accepted one grade lower, the later one may lie one higher above its own acceptance.
    assert monotone_fields(fields, ((0, 1, -1.0),))[:, 1].tolist() == [1.0, 1.0, 2.0]


def test_washes_are_put_in_order_whatever_the_order_of_the_outcomes() -> None:
    assert _fitted(OUT_OF_ORDER).coding.shape.wash_order == ((1, 2, 0.0), (2, 0, 0.0))
    session = Session("w", (CURE, PRESS), (ONE, EASIER, Outcome("peel")), ("cotton",))
    assert _fitted(session).coding.shape.wash_order == ((0, 1, -1.0),)
    shrink = [
        Outcome(f"shrink {n}", 10, 0, accept, kind="measured", washes=n, series="shrink")
        for n, accept in ((1, 2.0), (5, 3.0))
    ]
    session = Session("w", (CURE, PRESS), shrink, ("cotton",))
    # Three percent may shrink after five washes: 1 % of a scale whose quarter is 2.5 %.
    assert _fitted(session).coding.shape.wash_order == ((0, 1, pytest.approx(-0.4)),)


@pytest.mark.parametrize("seed", [0, 1])
def test_no_quality_rises_with_washing_even_where_its_grades_do(seed: int) -> None:
    """Half of the presses were graded two grades better after twenty washes than after one."""
    better = [3.0, 5.0] * 6
    fitted = _fitted(OUT_OF_ORDER, seed, wash_1=[3.0] * 12, wash_5=[3.0] * 12, wash_20=better)
    assert len(improvements_by_washing(OUT_OF_ORDER, fitted.results)) == 12
    settings = _everywhere(OUT_OF_ORDER)
    fields = _fields(fitted, settings)
    twenty, one, five = fields.T
    # Told at the presses only, the fields themselves keep to it nearly everywhere.
    assert np.all(one - five > -0.05) and np.all(five - twenty > -0.05)
    for j in range(len(fitted.posterior.integration_points)):
        quality = quality_of(fitted.posterior, fields, j)
        assert np.all(quality[:, 1] >= quality[:, 2]) and np.all(quality[:, 2] >= quality[:, 0])


def test_a_failed_first_wash_dooms_the_twentieth_before_it_is_judged() -> None:
    """Nobody has seen wash 20; the first wash fails by one grade, and the twentieth is judged by
    the same acceptance."""
    session = Session("w", (CURE, PRESS), (ONE, TWENTY), ("cotton",))
    apart = Session("w", (CURE, PRESS), (ONE, Outcome("feel")), ("cotton",))
    settings = _everywhere(session)
    unseen = [float("nan")] * 12
    tied = _fields(_fitted(session, wash_1=[3.0] * 12, wash_20=unseen), settings)[:, 1]
    loose = _fields(_fitted(apart, wash_1=[3.0] * 12, feel=unseen), settings)[:, 1]
    assert np.mean(tied < 0) > 0.9
    assert np.mean(loose - tied) > 0.3


def test_what_is_known_of_washing_is_no_grade() -> None:
    fitted = _fitted(OUT_OF_ORDER)
    data = fitted.posterior.data
    assert data.is_observed.sum() == 36 and data.n == 36 + 2 * len(data.design_points.first_rows)
    assert "36 grades and measurements" in fitted.describe()
    assert data.outcome_design(3)[~data.is_observed].sum(axis=1).tolist() == [0.0] * (data.n - 36)
    assert set(fitted.press_influence()["press"]) == set(range(1, 13))
    assert not np.isnan(fitted.surprises().select_dtypes("number").to_numpy()).any()
    few = subsample(data, 20)
    assert 0 < few.is_observed.sum() <= 20
    places = {
        tuple(row) for row in few.at.nodes[few.is_observed].reshape(few.is_observed.sum(), -1)
    }
    told = {
        tuple(row) for row in few.at.nodes[~few.is_observed].reshape((~few.is_observed).sum(), -1)
    }
    assert told == places


def test_washing_makes_nothing_better_on_either_side_of_a_change() -> None:
    """What is known of washing is known where a press was made: on the dial of its own day."""
    results = graded(OUT_OF_ORDER, plan(OUT_OF_ORDER, 6).runs, 0)
    both = pd.concat([results, results.assign(press=results["press"] + 6)], ignore_index=True)
    before = np.arange(12)[:, None] < 6
    data = Coding(OUT_OF_ORDER).data(both, before)
    told = data.rows(np.flatnonzero(~data.is_observed)).at
    assert told.before_change is not None and told.n == 20
    assert told.before_change.sum() == 10 and len(DesignPoints.of(told).first_rows) == 10
    assert data.at.before_change is not None
    assert set(data.press[data.is_observed & data.at.before_change[:, 0]]) == set(range(6))


def test_a_session_without_washes_is_fitted_as_ever() -> None:
    session = Session("w", (CURE, PRESS), (Outcome("peel"), ONE), ("cotton",))
    data = _fitted(session).posterior.data
    assert data.later_outcome is None and data.is_observed.all()
