"""The classical table where loads and rounds cross or divide each other, from group means."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from dtfexp import Outcome, Session
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.explain.anova import anova
from tests.dialin.bench import FOUR

FREE = Session("free", FOUR.factors, (Outcome("y", -999, 999, 0, kind="measured"),), ("cotton",))


def strip_plot(loads: int = 6, rounds: int = 6, coupons: int = 2) -> pd.DataFrame:
    """Every load meets every round, two coupons each; crossings have luck of their own."""
    rng = np.random.default_rng(5)
    load, round_, _ = (axis.ravel() for axis in np.mgrid[:loads, :rounds, :coupons])
    y = rng.normal(0, 0.6, loads)[load] + rng.normal(0, 0.4, rounds)[round_]
    y += rng.normal(0, 1.0, (loads, rounds))[load, round_] + rng.normal(0, 0.3, len(load))
    a, b = load % 2, round_ % 2
    return pd.DataFrame(
        {
            "press": np.arange(1, len(load) + 1),
            "fabric": "cotton",
            "oven_load": load + 1,
            "press_round": round_ + 1,
            "cure temperature": np.where(a, 135, 115),
            "cure time": 60,
            "press temperature": np.where(b, 330, 290),
            "press time": 15,
            "y": y + 0.5 * a + 0.5 * b + 0.9 * a * b,
        }
    )


def test_a_pair_of_load_and_round_settings_is_judged_between_crossings() -> None:
    """The strip-plot table worked out from group means, as a textbook does (Yates 1935)."""
    results = strip_plot()
    y = results["y"] - results["y"].mean()
    a, b = results["cure temperature"], results["press temperature"]
    load, round_ = results["oven_load"], results["press_round"]

    def square(*by: pd.Series) -> float:
        return float((y.groupby(list(by)).transform("mean") ** 2).sum())

    s_a, s_b, s_ab = square(a), square(b), square(a, b)
    s_load, s_round, s_cell = square(load), square(round_), square(load, round_)
    error = {
        "oven load": ((s_load - s_a) / 4, 4),
        "press round": ((s_round - s_b) / 4, 4),
        "load × round": ((s_cell - s_load - s_round - (s_ab - s_a - s_b)) / 24, 24),
        "press": (float((y**2).sum() - s_cell) / 36, 36),
    }
    table = anova(FREE, check_results(FREE, results), "y", None)
    for term, stratum, size in (
        ("cure temperature", "oven load", s_a),
        ("press temperature", "press round", s_b),
        ("cure temperature × press temperature", "load × round", s_ab - s_a - s_b),
    ):
        row = table.loc[term]
        mean_square, df = error[stratum]
        assert row["stratum"] == stratum
        assert row["F"] == pytest.approx(size / mean_square, rel=1e-9)
        assert row["df_error"] == pytest.approx(df, abs=1e-6)
    # As if single presses judged the pair it would look certain; it is not.
    naive = (s_ab - s_a - s_b) / error["press"][0]
    assert stats.f.sf(naive, 1, 36) < 1e-4 < table.iloc[-1]["p"]
    # Equating mean squares by hand: 2 coupons in a crossing, 12 in a load and in a round.
    press, cell = error["press"][0], error["load × round"][0]
    assert table.attrs["variances"] == pytest.approx(
        {
            "oven load": max((error["oven load"][0] - cell) / 12, 0),
            "press round": max((error["press round"][0] - cell) / 12, 0),
            "load × round": (cell - press) / 2,
            "press": press,
        }
    )
    assert table["variance"].iloc[-1] == table.attrs["variances"]["load × round"]


def test_rounds_that_divide_loads_leave_the_loads_to_be_judged() -> None:
    """Four loads of two rounds of two: a nested table; loads are judged by loads, 2 degrees of
    freedom, rounds by rounds within loads."""
    n = np.arange(16)
    results = strip_plot(4, 2, 2).head(16).assign(oven_load=n // 4 + 1, press_round=n // 2 + 1)
    results["cure temperature"] = np.where(results["oven_load"] % 2, 115, 135)
    results["press temperature"] = np.where(results["press_round"] % 2, 290, 330)
    results["y"] += np.repeat([0.0, 3.0, 2.5, 4.0], 4)
    table = anova(FREE, check_results(FREE, results), "y", None)
    mean = results.groupby("oven_load")["y"].mean()
    between = 8 * (
        (mean[[1, 3]].mean() - mean.mean()) ** 2 + (mean[[2, 4]].mean() - mean.mean()) ** 2
    )
    error = (4 * ((mean - mean.mean()) ** 2).sum() - between) / 2
    row = table.loc["cure temperature"]
    assert (row["stratum"], row["F"]) == ("oven load", pytest.approx(between / error, rel=1e-9))
    assert row["df_error"] == pytest.approx(2.0, abs=1e-6)
    assert table.loc["press temperature", "stratum"] == "press round"
