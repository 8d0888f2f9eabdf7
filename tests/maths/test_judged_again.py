"""Coupons judged again: the likelihood of both grades, and what they say of the noise.

References are rectangle probabilities of a normal distribution of two, by scipy's integration.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import multivariate_normal

from dtfexp import Factor, Outcome, Session, fit, plan
from dtfexp.dialin.encode.coding import Coding
from dtfexp.maths.field.parameters import Prior
from dtfexp.maths.inference.hyperparameters import to_hyperparameters
from dtfexp.maths.inference.observations import BY_PICTURE, EYE_AGAIN, FIRST, Data
from dtfexp.maths.inference.site_fitting import (
    PICTURE_BIAS_SD,
    data_batch_covariance,
    data_covariance,
    data_mean,
    fit_sites,
    observations,
    row_noise,
)
from dtfexp.show.text.fit_text import judged_again_sentences
from tests.dialin.bench import graded

SESSION = Session(
    "again", (Factor("press temperature", 140, 180, "°C", usual=160),), (Outcome("peel"),), ("a",)
)
TWO = Session(
    "two",
    (
        Factor("cure temperature", 105, 145, "°C", stage="cure", usual=125),
        Factor("press temperature", 140, 180, "°C", usual=160),
    ),
    (Outcome("peel"),),
    ("a",),
)
PRIOR = replace(Prior(), wrong_share=0.0)


def runs(first: list[float], **second: list[float]) -> pd.DataFrame:
    made = plan(SESSION, len(first), design="latin hypercube", seed=1).runs
    return made.assign(peel=first, **second)


def data_of(results: pd.DataFrame) -> Data:
    return Coding(SESSION).data(results)


def hyper(share: float | None) -> Any:
    central = to_hyperparameters(np.zeros(10), 1)
    return replace(central, ceiling=np.inf, eye_share=share)


@pytest.mark.parametrize(("first", "second"), [(4, 4), (2, 2), (3, 4)])
@pytest.mark.parametrize("share", [0.2, 0.8])
def test_both_grades_of_one_coupon_are_one_rectangle(
    first: float, second: float, share: float
) -> None:
    coding = Coding(SESSION)
    data = data_of(runs([first], peel_again=[second]))
    scales = hyper(share)
    seen = observations(data, coding.graded)
    whole = data_covariance(data, coding.shape, scales, PRIOR)
    whole += data_batch_covariance(data, scales, PRIOR)
    whole += np.diag(row_noise(data, scales) ** 2)
    nu = float(scales.noise[0])
    once = data_of(runs([first]))
    plain = data_covariance(once, coding.shape, scales, PRIOR)[0, 0]
    plain += data_batch_covariance(once, hyper(None), PRIOR)[0, 0]
    assert np.diag(whole) == pytest.approx(plain + nu**2), "each grade alone is as before"
    assert whole[0, 1] == pytest.approx(plain + (1.0 - share) * nu**2, abs=1e-6)
    normal = multivariate_normal(data_mean(data, coding.shape, scales, PRIOR), whole)
    corners = [np.clip(ends, -9, 9) for ends in (seen.upper, seen.lower)]
    exact = normal.cdf(corners[0], lower_limit=corners[1])
    sites = fit_sites(data, coding.shape, PRIOR, coding.graded, [scales])
    assert sites.log_evidence[0] == pytest.approx(np.log(exact), abs=0.03)


def test_pictures_share_a_bias_and_the_eye_does_not() -> None:
    data = data_of(runs([4, 5, 3], peel_again=[4, np.nan, np.nan], peel_picture=[np.nan, 4, 3]))
    assert data.again is not None
    assert data.again.tolist() == [FIRST] * 3 + [EYE_AGAIN] + [BY_PICTURE] * 2
    with_bias = data_batch_covariance(data, hyper(0.5), PRIOR)
    presses = data.press
    without = data_batch_covariance(
        replace(data, again=np.minimum(data.again, 1)), hyper(0.5), PRIOR
    )
    by_picture = np.array([0, 0, 0, 0, 1, 1])
    assert presses.tolist() == [0, 1, 2, 0, 1, 2]
    assert with_bias - without == pytest.approx(
        PICTURE_BIAS_SD**2 * np.outer(by_picture, by_picture)
    )


def test_a_second_grade_without_a_first_is_none() -> None:
    data = data_of(runs([4, np.nan], peel_again=[np.nan, 5]))
    assert data.n == 1 and data.again is None


@pytest.fixture(scope="module")
def fits() -> dict[str, Any]:
    results = graded(TWO, plan(TWO, 14).runs, seed=3)
    other = (results["peel"] + np.tile([2.0, -2.0], 7)).clip(1, 5)
    return {
        "once": fit(TWO, results),
        "alike": fit(TWO, results.assign(peel_again=results["peel"])),
        "apart": fit(TWO, results.assign(peel_again=other)),
        "blank": fit(TWO, results.assign(peel_again=np.nan)),
    }


def noise(fitted: Any) -> float:
    post = fitted.posterior
    return float(post.weight @ [s.noise[0] for s in post.integration_points])


def eye(fitted: Any) -> float:
    post = fitted.posterior
    return float(post.weight @ [s.eye_share for s in post.integration_points])


def test_grades_that_do_not_repeat_make_the_noise_large(fits: dict[str, Any]) -> None:
    assert fits["alike"].posterior.settled and fits["apart"].posterior.settled
    assert noise(fits["apart"]) > 1.3 * noise(fits["once"])
    assert eye(fits["alike"]) < 0.475 < eye(fits["apart"])
    lines = judged_again_sentences(fits["apart"])
    assert lines[0].startswith("Peel, judged again by eye: 14 coupons judged twice")
    assert "is the eye that grades it" in lines[1] and judged_again_sentences(fits["once"]) == []
    described = fits["apart"].describe()
    assert "14 grades and measurements in all" in described
    assert "14 grades given to the same coupons again" in described and "eye: 0." in described


def test_nothing_changes_without_second_grades(fits: dict[str, Any]) -> None:
    for name in ("weights", "mean", "log_evidence"):
        assert np.array_equal(
            getattr(fits["blank"].posterior.sites, name),
            getattr(fits["once"].posterior.sites, name),
        )
    assert fits["blank"].posterior.integration_points[0].eye_share is None


def test_checks_tell_of_each_coupon_once(fits: dict[str, Any]) -> None:
    for name in ("once", "apart"):
        assert fits[name].check_grades()["observed"].sum() == 14
    assert not fits["apart"].surprises().duplicated(["press", "outcome"]).any()


@pytest.mark.parametrize("sd", [0.2, 0.3])
def test_sites_of_two_grades_of_one_coupon_settle(sd: float) -> None:
    grades = [4.0, 3.0, 5.0, 3.0, 4.0, 4.0, 3.0, 3.0, 5.0, 5.0, 4.0, 4.0, 3.0, 3.0]
    again = [g + 1 if k % 2 == 0 and g < 5 else g for k, g in enumerate(grades)]
    coding, scales = Coding(TWO), replace(hyper(0.1), noise=np.array([sd]), ceiling=1.5)
    data = coding.data(plan(TWO, 14).runs.assign(peel=grades, peel_again=again))
    sites = fit_sites(data, coding.shape, Prior(), coding.graded, [scales])
    assert sites.converged.all()
