"""Power held to published values, exact strata and simulation."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from dtfexp.maths import power
from dtfexp.maths.terms import Kind, Terms


def test_two_groups():
    # R Core Team (2022), base R documentation, power of t tests, examples: n = 20 a group,
    # difference of one sigma, level 0.05: 0.8689528; 80 % needs n = 16.71477, 90 % n = 22.0211.
    # R leaves the far tail out; both tails at n = 4 give 0.22318803 (recomputed).
    def of(n):
        return power.power_t(1 / np.sqrt(2 / n), 2 * n - 2)

    assert of(20) == pytest.approx(0.8689528, abs=1e-6)
    assert of(16.71477) == pytest.approx(0.80, abs=1e-5)
    assert of(22.0211) == pytest.approx(0.90, abs=1e-5)
    assert of(4) == pytest.approx(0.22318803, abs=1e-8)


@pytest.mark.parametrize(
    ("n", "p", "delta", "expected"),
    [(16, 6, 2, 0.94883526), (16, 6, 1, 0.4396273), (8, 5, 2, 0.4900273), (32, 6, 1, 0.77717522)],
)
def test_a_two_level_effect(n, p, delta, expected):
    # N runs, p terms, effect delta sigma between the two levels: shift delta sqrt(N) / 2.
    # Recomputed with the noncentral t and F of scipy.
    shift, df = delta * np.sqrt(n) / 2, n - p
    assert power.power_t(shift, df) == pytest.approx(expected, abs=5e-8)
    assert power.power_f(shift**2, 1, df) == pytest.approx(expected, abs=5e-8)
    least = power.least_shift(df, expected)
    assert least == pytest.approx(shift, rel=1e-6)
    assert power.least_noncentrality(1, df, expected) == pytest.approx(shift**2, rel=1e-6)


def test_without_degrees_of_freedom_nothing_is_seen():
    assert power.power_t(50.0, 0) == 0.0 and power.power_f(50.0, 2, 0) == 0.0
    assert power.least_shift(0) == np.inf and power.least_noncentrality(1, 0) == np.inf


def furnace():
    """Six heats, three temperatures twice, four coatings in each heat."""
    temperature = np.repeat([0, 1, 2, 0, 1, 2], 4)
    coating = np.tile(np.arange(4), 6)
    heat = np.repeat(np.arange(6), 4)
    kinds = [Kind(2, number=False, bends=False), Kind(3, number=False, bends=False)]
    from dtfexp.maths.terms import word_columns

    base = np.hstack([word_columns(3)[temperature], word_columns(4)[coating]])
    terms = Terms.of(kinds, "interactions")
    same = (heat[:, None] == heat[None, :]).astype(float)
    return terms, terms.expand(base), same, heat


@pytest.mark.parametrize("ratio", [0.1, 1.0, 9.4])
def test_degrees_of_freedom_of_a_balanced_split_plot_are_those_of_the_strata(ratio):
    # Box, Hunter & Hunter (2005), Statistics for Experimenters, 2nd ed., ch. 9, corrosion
    # resistance of coated bars: heats 3, within heats 9 degrees of freedom (from memory).
    terms, x, same, _ = furnace()
    known = power.known(x, [np.eye(24), same], [1.0, ratio])
    for key, columns in terms.columns.items():
        for column in columns:
            unit = np.eye(terms.size)[column]
            if key:
                assert known.df(unit) == pytest.approx(3 if key == (0,) else 9)
    own = terms.columns[(0,)][0]
    # Variance of a temperature contrast of mean square 1: (1 + 4 ratio) / 24, by hand.
    assert known.covariance[own, own] == pytest.approx((1 + 4 * ratio) / 24)


def test_split_plot_power_is_what_simulated_analyses_come_to():
    """Temperature against heats, coating against the rest: share of F tests that see the effect,
    within three standard errors of 20,000 simulated sessions."""
    terms, x, same, heat = furnace()
    ratio, sessions = 0.5, 20_000
    rng = np.random.default_rng(5)
    shift = {(0,): np.array([0.9, 0.5]), (1,): np.array([0.4, 0.3, 0.2])}
    mean = sum(x[:, terms.columns[key]] @ b for key, b in shift.items())
    luck = np.sqrt(ratio) * rng.standard_normal((sessions, 6))[:, heat]
    y = mean + luck + rng.standard_normal((sessions, 24))
    known = power.known(x, [np.eye(24), same], [1.0, ratio])

    def squares(columns):
        return np.sum((y @ x[:, columns] / 24) ** 2, axis=1) * 24

    within = np.sum(y**2, axis=1) - squares(list(range(terms.size)))
    heats = np.sum(y.reshape(sessions, 6, 4).mean(axis=2) ** 2, axis=1) * 4
    between = heats - squares([0, *terms.columns[(0,)]])
    for key, error, df_error in (((0,), between, 3), ((1,), within - between, 9)):
        columns = terms.columns[key]
        f = (squares(columns) / len(columns)) / (error / df_error)
        seen = np.mean(f > f_distribution.isf(0.05, len(columns), df_error))
        covariance = known.covariance[np.ix_(columns, columns)]
        noncentrality = shift[key] @ np.linalg.solve(covariance, shift[key])
        told = power.power_f(float(noncentrality), len(columns), df_error)
        assert abs(seen - told) < 3 * np.sqrt(told * (1 - told) / sessions)


def test_luck_that_no_press_can_show_is_told_so():
    """Every load at a setting of its own and no load to spare: no degrees of freedom for it."""
    load = np.repeat(np.arange(3), 4)
    press = np.tile([-1.0, 1.0], 6)
    cure = np.array([-1.0, 0.0, 1.0])[load]
    terms = Terms.of([Kind(), Kind()], "quadratic")
    x = terms.expand(np.column_stack([cure, press]))
    x = np.delete(x, [i for i, key in enumerate(terms.key) if key == (1, 1)], axis=1)
    same = (load[:, None] == load[None, :]).astype(float)
    known = power.known(x, [np.eye(12), same], [1.0, 0.25])
    assert not known.told[1] and known.told[0]
    assert known.df(np.eye(x.shape[1])[1]) == 0.0  # cure
    assert known.df(np.eye(x.shape[1])[2]) == pytest.approx(12 - 5)  # press


def test_loads_that_are_rounds_are_not_told_apart():
    batch = np.repeat(np.arange(4), 3)
    x = np.column_stack([np.ones(12), np.repeat([-1.0, 1.0, -1.0, 1.0], 3)])
    same = (batch[:, None] == batch[None, :]).astype(float)
    known = power.known(x, [np.eye(12), same, same], [1.0, 0.25, 0.25])
    assert known.told[0] and known.told.sum() == 2
    alone = power.known(x, [np.eye(12), same], [1.0, 0.5])
    assert known.df(np.array([0.0, 1.0])) in (0.0, pytest.approx(alone.df(np.array([0.0, 1.0]))))


def test_a_full_factorial_has_what_is_left():
    terms = Terms.of([Kind(bends=False)] * 3, "interactions")
    x = terms.expand(np.array(list(product([-1.0, 1.0], repeat=3))))
    known = power.known(x, [np.eye(8)], [1.0])
    assert known.df(np.eye(7)[1]) == pytest.approx(1.0)
    assert known.covariance[1, 1] == pytest.approx(1 / 8)
