"""The cumulative likelihood against published estimates, statsmodels and plain quadrature."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from statsmodels.miscmodels.ordinal_model import OrderedModel

from dtfexp.maths.propagation.ordinal import cumulative_mode, interval_moments, log_normal_interval

# Randall 1989, Biometrical J. 31:781: 72 bitterness ratings of wine, two factors.  The data and the
# logit estimates below were read in texts that quote them (status: seen).
WINE = pd.read_csv(Path(__file__).parent / "data" / "wine.csv")
DESIGN = np.column_stack([WINE["temp"] == "warm", WINE["contact"] == "yes"]).astype(float)
GRADE = WINE["rating"].to_numpy() - 1


def test_wine_logit_agrees_with_the_published_estimates() -> None:
    mode = cumulative_mode(DESIGN, GRADE, 5, link="logit")
    assert mode.slopes == pytest.approx([2.503102, 1.527798], abs=5e-4)
    assert mode.cuts == pytest.approx([-1.344383, 1.250809, 3.466887, 5.006404], abs=5e-4)
    assert mode.log_lik == pytest.approx(-86.492, abs=5e-4)


@pytest.mark.parametrize("link", ["probit", "logit"])
def test_wine_agrees_with_statsmodels(link: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = OrderedModel(WINE["rating"], DESIGN, distr=link)
        other = model.fit(method="bfgs", disp=False, gtol=1e-8)
    mode = cumulative_mode(DESIGN, GRADE, 5, link=link)  # type: ignore[arg-type]
    cuts = model.transform_threshold_params(np.asarray(other.params))[1:-1]
    assert mode.slopes == pytest.approx(np.asarray(other.params)[:2], abs=1e-3)
    assert mode.cuts == pytest.approx(cuts, abs=1e-3)
    assert mode.log_lik == pytest.approx(other.llf, abs=1e-6)


def test_a_prior_keeps_separated_grades_finite() -> None:
    x = np.repeat([-1.0, 0.0, 1.0], 4)[:, None]
    grade = np.repeat([0, 1, 2], 4)
    mode = cumulative_mode(x, grade, 3, slope_sd=2.5, step_prior=(0.0, 1.0))
    assert 1.0 < mode.slopes[0] < 6.0
    assert np.all(np.isfinite(mode.cuts))


@pytest.mark.parametrize(
    ("lower", "upper"),
    [(-1.0, 0.5), (-np.inf, -7.0), (9.0, np.inf), (20.0, 21.0), (-30.0, -29.5), (1.0, 1.0 + 1e-9)],
)
def test_interval_probability_in_both_tails(lower: float, upper: float) -> None:
    got = log_normal_interval(np.array([lower]), np.array([upper]))[0]
    # scipy's own survival function or distribution function, whichever does not cancel
    side = norm.sf if lower > 0 else norm.cdf
    direct = abs(side(upper) - side(lower))
    assert got == pytest.approx(np.log(direct), rel=1e-5, abs=1e-6)


def test_interval_moments_against_quadrature() -> None:
    mean, variance, lower, upper, noise = 0.3, 0.8, 0.0, 1.0, 0.4

    def weight(f: float) -> float:
        chance = norm.cdf((upper - f) / noise) - norm.cdf((lower - f) / noise)
        return float(norm.pdf(f, mean, np.sqrt(variance)) * chance)

    total = quad(weight, -8, 8)[0]
    first = quad(lambda f: f * weight(f), -8, 8)[0] / total
    second = quad(lambda f: f * f * weight(f), -8, 8)[0] / total - first**2
    log_z, slope, bend = interval_moments(
        *(np.array([v]) for v in (mean, variance, lower, upper, noise))
    )
    assert log_z[0] == pytest.approx(np.log(total), abs=1e-8)
    assert mean + variance * slope[0] == pytest.approx(first, abs=1e-7)
    assert variance + variance**2 * bend[0] == pytest.approx(second, abs=1e-7)


@pytest.mark.filterwarnings("error")
def test_grades_far_from_where_the_offset_puts_them_stay_finite() -> None:
    """Chances that round to zero, as a bad start or a mistyped reading makes them."""
    offset = np.array([60.0, -60.0, 45.0, 0.0])
    found = cumulative_mode(
        np.zeros((4, 0)), np.array([0, 4, 2, 2]), 5, offset=offset, step_prior=(0.0, 0.3)
    )
    assert np.all(np.isfinite(found.cuts))
    assert np.all(np.diff(found.cuts) > 0)
