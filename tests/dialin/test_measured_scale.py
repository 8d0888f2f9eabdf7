"""Measured outcomes in the fit: their scale, their unit, and no belief from their bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Outcome, Session, fit
from dtfexp.dialin.encode.measured_scale import latent_of_value, transformed, value_of_latent
from dtfexp.dialin.explain.predictive_checks import _latent_to_grade

# Montgomery 2013, Design and Analysis of Experiments, 8th ed., Example 11.2, Table 11.6: a central
# composite design, x1 and x2 coded; yield, viscosity and molecular weight.
TABLE_11_6 = """
-1 -1 76.5 62 2940
-1 1 77.0 60 3470
1 -1 78.0 66 3680
1 1 79.5 59 3890
0 0 79.9 72 3480
0 0 80.3 69 3200
0 0 80.0 68 3410
0 0 79.7 70 3290
0 0 79.8 71 3500
1.414 0 78.4 68 3360
-1.414 0 75.6 71 3020
0 1.414 78.5 58 3630
0 -1.414 77.0 57 3150
"""
#: Worst, best and what is accepted; the bounds are ours.
SCALES = {"yield": (70, 85, 78.5), "viscosity": (50, 80, 65), "weight": (4000, 2600, 3400)}
SHARE = Outcome("missing", worst=40, best=0, accept=2, kind="measured", unit="%")
LINE = Outcome("line", worst=2, best=0.1, accept=0.4, kind="measured", unit="mm")
PLAIN = Outcome("colour", worst=12, best=0, accept=2, kind="measured", unit="ΔE")


def composite(wide: float = 1.0) -> tuple[Session, pd.DataFrame]:
    numbers = np.array([line.split() for line in TABLE_11_6.split("\n") if line], dtype=float)
    outcomes = [
        Outcome(name, accept + wide * (worst - accept), accept + wide * (best - accept), accept,
                kind="measured")
        for name, (worst, best, accept) in SCALES.items()
    ]  # fmt: skip
    factors = [
        Factor("minutes", 75, 95, "min", stage="cure", usual=85),
        Factor("temperature", 165, 185, "°F", usual=175),
    ]
    order = np.arange(1, len(numbers) + 1)
    results = pd.DataFrame(
        {
            "press": order, "fabric": "cotton", "oven_load": order, "press_round": order,
            "minutes": (85 + 5 * numbers[:, 0]).round(1),
            "temperature": (175 + 5 * numbers[:, 1]).round(1),
            **{name: numbers[:, 2 + k] for k, name in enumerate(SCALES)},
        }
    )  # fmt: skip
    return Session("composite", factors, outcomes, ["cotton"]), results


ASKED = pd.DataFrame({"minutes": [85, 83, 80, 88], "temperature": [175, 173, 178, 172]})


def test_wider_bounds_are_no_belief():
    near, wide = (fit(*composite(by)).pass_rate(ASKED, "cotton")["pass_rate"] for by in (1, 4))
    # As long as a quarter of the scale was the unit, the first of them fell from .61 to .48.
    assert np.abs(near - wide).max() < 0.02
    assert near.iloc[0] > 0.6


def test_the_unit_follows_what_was_measured_and_one_value_decides_nothing():
    session, results = composite()
    for by in (1, 4):
        unit = fit(*composite(by)).posterior.data.unit
        nominal = [abs(best - worst) / 4 for worst, best, _ in SCALES.values()]
        told = unit * nominal * by
        if by == 1:
            first = told
    assert told == pytest.approx(first, rel=0.15)
    (alone,) = {float(u) for u in fit(session, results.head(1)).posterior.data.unit}
    assert alone == 1.0
    assert fit(session, results.head(0)).posterior.data.unit is None


def test_the_unit_is_where_the_prior_makes_the_values_likeliest():
    from scipy.stats import multivariate_normal

    from dtfexp.dialin.encode.coding import Coding
    from dtfexp.maths.field.parameters import Prior
    from dtfexp.maths.inference.hyperparameters import n_dimensions, to_hyperparameters
    from dtfexp.maths.inference.measured_units import in_fitted_units
    from dtfexp.maths.inference.site_fitting import (
        data_batch_covariance,
        data_covariance,
        data_mean,
    )

    session, results = composite()
    coding, prior = Coding(session), Prior()
    data = coding.data(results)
    rows = data.rows(np.flatnonzero(data.outcome == 0))
    hyper = to_hyperparameters(np.zeros(n_dimensions(3)), 3)
    cover = data_covariance(rows, coding.shape, hyper, prior)
    cover = cover + data_batch_covariance(rows, hyper, prior) + hyper.noise[0] ** 2 * np.eye(13)
    belief = multivariate_normal(data_mean(rows, coding.shape, hyper, prior), cover)
    units = np.exp(np.linspace(-4, 4, 4001))
    likeliest = units[np.argmax([belief.logpdf(rows.value / u) - 13 * np.log(u) for u in units])]
    found, _ = in_fitted_units(data, coding.shape, prior)
    assert found.unit[0] == pytest.approx(likeliest ** (12 / 13), rel=0.003)
    assert found.value[data.outcome == 0] == pytest.approx(rows.value / found.unit[0])


@pytest.mark.parametrize(("times", "unit"), [(1e-4, 1 / 32), (1e4, 32.0)])
def test_the_unit_stays_within_a_factor_of_32(times, unit):
    from dtfexp.dialin.encode.coding import Coding
    from dtfexp.maths.field.parameters import Prior
    from dtfexp.maths.inference.measured_units import in_fitted_units

    session, results = composite()
    coding = Coding(session)
    data = coding.data(results)
    far = replace(data, value=times * data.value)
    assert in_fitted_units(far, coding.shape, Prior())[0].unit == pytest.approx(unit)


def test_values_all_alike_or_just_acceptable_fit():
    session, results = composite()
    for value in (78.5, 80.0):
        same = results.assign(**{"yield": value})
        rate = fit(session, same).pass_rate(ASKED, "cotton")["pass_rate"]
        assert rate.between(0, 1).all()


@pytest.mark.parametrize("outcome", [SHARE, LINE, PLAIN], ids=lambda o: o.name)
def test_there_and_back(outcome):
    values = np.linspace(outcome.worst, outcome.best, 9)
    latent = latent_of_value(outcome, values, 0.7)
    assert value_of_latent(outcome, latent, 0.7) == pytest.approx(values)
    assert (np.diff(latent) > 0).all(), "better is higher"
    assert latent_of_value(outcome, outcome.accept) == 0
    assert value_of_latent(outcome, [-99.0, 99.0]) == pytest.approx([outcome.worst, outcome.best])


def test_shares_are_arcsine_roots_and_widths_logarithms():
    # sin²(30°) = 1/4.
    assert transformed(SHARE, 25) == pytest.approx(np.pi / 6)
    assert transformed(LINE, 0.5) == pytest.approx(np.log(0.5))
    assert transformed(PLAIN, 3) == 3
    short = Outcome("width", worst=2, best=0.5, accept=1, kind="measured", unit="mm")
    assert transformed(short, 0.5) == 0.5


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
def test_a_share_of_binomial_noise_gets_the_same_noise_everywhere(share):
    """A print of 400 parts, each lost with the same chance: sd of the arcsine root is 1/(2√400)."""
    rng = np.random.default_rng(5)
    seen = 100 * rng.binomial(400, share, 20_000) / 400
    # Bartlett's variance holds to first order; 4 % allows for the next one and for 20,000 draws.
    assert transformed(SHARE, seen).std() == pytest.approx(1 / 40, rel=0.04)


def test_a_predicted_value_is_told_in_the_outcomes_own_units():
    made = fit(*composite())
    for o, outcome in enumerate(made.coding.outcomes):
        latents = made.posterior.data.value[made.posterior.data.outcome == o]
        for latent, seen in zip(latents, made.results[outcome.name], strict=True):
            assert _latent_to_grade(made, o, latent) == pytest.approx(seen)


def test_a_wash_series_has_one_unit():
    outcomes = [
        Outcome(f"loss {n}", 100, 0, accept, kind="measured", unit="%", washes=n, series="loss")
        for n, accept in ((1, 10), (5, 20))
    ]
    session = Session("washed", [Factor("temperature", 140, 180, "°C")], outcomes, ["cotton"])
    order = np.arange(1, 7)
    results = pd.DataFrame(
        {
            "press": order, "fabric": "cotton", "oven_load": order, "press_round": order,
            "temperature": [140, 150, 160, 160, 170, 180],
            "loss 1": [30, 8, 2, 3, 6, 25], "loss 5": [60, 22, 9, 8, 15, 55],
        }
    )  # fmt: skip
    data = fit(session, results).posterior.data
    assert data.unit[0] == data.unit[1] != 1
    told = data.later_outcome >= 0
    expected = float(latent_of_value(outcomes[0], 20.0, data.unit[0]))
    assert data.value[told] == pytest.approx(np.full(told.sum(), expected))
