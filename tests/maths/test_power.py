"""Power held to published values, exact strata and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from dtfexp.maths.linear import power
from dtfexp.maths.linear.model_terms import FactorKind, Terms, category_columns


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
    least = power.smallest_detectable_shift(df, expected)
    assert least == pytest.approx(shift, rel=1e-6)
    assert power.smallest_detectable_noncentrality(1, df, expected) == pytest.approx(
        shift**2, rel=1e-6
    )


def test_without_degrees_of_freedom_nothing_is_seen():
    assert power.power_t(50.0, 0) == 0.0 and power.power_f(50.0, 2, 0) == 0.0
    assert (
        power.smallest_detectable_shift(0) == np.inf
        and power.smallest_detectable_noncentrality(1, 0) == np.inf
    )


def furnace():
    """Six heats, three temperatures twice, four coatings in each heat."""
    temperature = np.repeat([0, 1, 2, 0, 1, 2], 4)
    coating = np.tile(np.arange(4), 6)
    heat = np.repeat(np.arange(6), 4)
    kinds = [
        FactorKind(2, number=False, has_quadratic=False),
        FactorKind(3, number=False, has_quadratic=False),
    ]
    base = np.hstack([category_columns(3)[temperature], category_columns(4)[coating]])
    terms = Terms.of(kinds, "interactions")
    same = (heat[:, None] == heat[None, :]).astype(float)
    return terms, terms.expand(base), same, heat


def test_degrees_of_freedom_of_a_balanced_split_plot_are_those_of_the_strata():
    # Box, Hunter & Hunter (2005), Statistics for Experimenters, 2nd ed., ch. 9, corrosion
    # resistance of coated bars: heats 3, within heats 9 degrees of freedom (from memory).
    terms, x, same, heat = furnace()
    df = power.degrees_of_freedom(x, [heat])
    for column, key in enumerate(terms.key):
        assert df[column] == (9 if 1 in key else 3)
    covariance = power.estimate_covariance(x, np.eye(24) + 0.5 * same)
    own = terms.columns[(0,)][0]
    # Variance of a temperature contrast of mean square 1: (1 + 4 ratio) / 24, by hand.
    assert covariance[own, own] == pytest.approx((1 + 4 * 0.5) / 24)


def test_a_split_plot_in_blocks_has_its_published_degrees_of_freedom():
    # Yates (1935), J. R. Statist. Soc. Suppl. 2:181, oats: 6 blocks of 3 plots of 4 subplots;
    # variety F(2, 10), nitrogen F(3, 45), both together F(6, 45) (seen).
    block, variety, nitrogen = (g.ravel() for g in np.meshgrid(*map(np.arange, (6, 3, 4)),
                                                               indexing="ij"))  # fmt: skip
    kinds = [
        FactorKind(2, number=False, has_quadratic=False),
        FactorKind(3, number=False, has_quadratic=False),
    ]
    terms = Terms.of(kinds, "interactions")
    words = np.hstack([category_columns(3)[variety], category_columns(4)[nitrogen]])
    x = np.hstack([terms.expand(words), category_columns(6)[block]])
    df = power.degrees_of_freedom(x, [3 * block + variety])
    for column, key in enumerate(terms.key):
        if key:
            assert df[column] == (45 if 1 in key else 10)


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
    told_covariance = power.estimate_covariance(x, np.eye(24) + ratio * same)
    df = power.degrees_of_freedom(x, [heat])

    def squares(columns):
        return np.sum((y @ x[:, columns] / 24) ** 2, axis=1) * 24

    within = np.sum(y**2, axis=1) - squares(list(range(terms.size)))
    heats = np.sum(y.reshape(sessions, 6, 4).mean(axis=2) ** 2, axis=1) * 4
    between = heats - squares([0, *terms.columns[(0,)]])
    for key, error in (((0,), between), ((1,), within - between)):
        columns = terms.columns[key]
        df_error = df[columns[0]]
        f = (squares(columns) / len(columns)) / (error / df_error)
        seen = np.mean(f > f_distribution.isf(0.05, len(columns), df_error))
        covariance = told_covariance[np.ix_(columns, columns)]
        noncentrality = shift[key] @ np.linalg.solve(covariance, shift[key])
        told = power.power_f(float(noncentrality), len(columns), df_error)
        assert abs(seen - told) < 3 * np.sqrt(told * (1 - told) / sessions)


def test_luck_that_no_press_can_show_leaves_no_degrees_of_freedom():
    """Every load at a setting of its own and no load to spare."""
    load = np.repeat(np.arange(3), 4)
    press = np.tile([-1.0, 1.0], 6)
    cure = np.array([-1.0, 0.0, 1.0])[load]
    x = np.column_stack([np.ones(12), cure, cure**2, press, cure * press])
    assert power.degrees_of_freedom(x, [load]) == [0, 0, 0, 7, 7]


def test_loads_of_one_coupon_are_the_presses_themselves():
    x = np.column_stack([np.ones(6), [-1.0, -1, -1, 1, 1, 1]])
    assert power.degrees_of_freedom(x, [np.arange(6)]) == [4, 4]
    assert power.degrees_of_freedom(x, []) == [4, 4]


def test_with_nothing_left_inside_the_groups_they_are_the_test():
    """Seven presses in six loads: one pair, and both of it at the same settings but one."""
    load = np.array([0, 0, 1, 2, 3, 4, 5])
    press = np.array([-1.0, 1, -1, 1, -1, 1, 1])
    x = np.column_stack([np.ones(7), press])
    assert power.degrees_of_freedom(x, [load]) == [5, 5]


def test_crossed_loads_and_rounds():
    """Four loads by four rounds, one setting each: 2 and 2 to spare, and 16 - 1 - 3 - 3 = 9 less
    their joint effect for what varies from press to press (strip-plot, by hand)."""
    load, round_ = np.repeat(np.arange(4), 4), np.tile(np.arange(4), 4)
    cure, press = np.array([-1.0, 1, -1, 1])[load], np.array([-1.0, -1, 1, 1])[round_]
    x = np.column_stack([np.ones(16), cure, press, cure * press])
    assert power.degrees_of_freedom(x, [load, round_])[1:] == [2, 2, 8]
