"""Exchange: held to published optimal plans, to closed forms and to brute force."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from dtfexp.maths.designs import coordinate_exchange
from dtfexp.maths.linear import efficiency
from dtfexp.maths.linear.model_terms import FactorKind, Terms, category_columns, covariance

LINE = np.linspace(-1, 1, 5)[:, None]


def task(kinds, model, levels, group, *, load=None, mean_variance=False, permitted=None):
    n = len(group)
    terms = Terms.of(kinds, model)
    v = np.eye(n) if load is None else covariance(load, np.arange(n), 0.5, 0.0)
    return coordinate_exchange.Task(
        terms,
        tuple(levels),
        group,
        tuple(np.ones((n, len(level)), dtype=bool) for level in levels),
        np.linalg.inv(v),
        np.zeros((terms.size, terms.size)),
        efficiency.region_moments(terms) if mean_variance else None,
        permitted,
    )


def each_alone(n, k):
    return np.tile(np.arange(n)[:, None], (1, k))


def test_six_runs_of_a_quadratic_come_to_the_published_optimum():
    # Box & Draper (1971), Technometrics 13:731: six runs, two factors, a = (4 - sqrt 13) / 3 =
    # 0.1315 and |X'X / 6| = 0.00574 (from memory; recomputed 0.0057385378).
    fine = np.linspace(-1, 1, 401)[:, None]
    of_six = task([FactorKind(), FactorKind()], "quadratic", [fine, fine], each_alone(6, 2))
    found = coordinate_exchange.search(of_six, 20, np.random.default_rng(0))
    det = np.exp(found.value) / 6.0**6
    assert det == pytest.approx(0.0057385378, rel=1e-3)
    assert det < 0.0057385379  # and no better than the optimum over all points
    points = np.round(fine[found.index, 0], 2)
    inner = sorted(float(np.abs(row).min()) for row in points)
    a = (4 - 13**0.5) / 3
    assert inner == pytest.approx([a, 3 * a, 3 * a, 1, 1, 1], abs=0.03)


def test_two_level_plans_come_out_orthogonal():
    """Twelve runs, eleven factors: |X'X| = 12^12 is the most there can be (Hadamard's bound)."""
    ends = np.array([[-1.0], [1.0]])
    many = task([FactorKind(has_quadratic=False)] * 11, "linear", [ends] * 11, each_alone(12, 11))
    found = coordinate_exchange.search(many, 40, np.random.default_rng(1))
    assert found.value == pytest.approx(12 * np.log(12.0))


def test_a_load_counts_once_and_is_set_once():
    load = np.repeat(np.arange(4), 3)
    group = np.column_stack([load, np.arange(12)])
    shared = task([FactorKind(), FactorKind()], "linear", [LINE, LINE], group, load=load)
    found = coordinate_exchange.search(shared, 5, np.random.default_rng(2))
    cure = found.index[:, 0].reshape(4, 3)
    assert (cure == cure[:, :1]).all()
    # Half the loads at each end; their luck in the variance: 12 / (1 + 3 * 0.5), by hand.
    assert sorted(cure[:, 0]) == [0, 0, 4, 4]
    x = coordinate_exchange.model_matrix(shared, found.index)
    m = x.T @ shared.precision @ x
    assert m[1, 1] == pytest.approx(12 / 2.5)


@pytest.mark.parametrize("mean_variance", [False, True])
def test_the_worth_of_a_change_is_what_working_it_out_in_full_gives(mean_variance):
    rng = np.random.default_rng(3)
    load = np.repeat(np.arange(4), 3)
    group = np.column_stack([load, np.arange(12), np.arange(12)])
    words = category_columns(3)
    kinds = [FactorKind(), FactorKind(), FactorKind(2, number=False, has_quadratic=False)]
    made = task(
        kinds, "quadratic", [LINE, LINE, words], group, load=load, mean_variance=mean_variance
    )
    start = coordinate_exchange._random(made, 1, rng)
    chunk = coordinate_exchange._Chunk(made, start)
    part = coordinate_exchange._Pass(made, chunk.index, chunk.span)
    before = part.score()
    for f, members, choices in chunk.moves:
        changed = []
        for choice in choices:
            index = chunk.index.copy()
            index[:, members, f] = choice
            changed.append(coordinate_exchange._Pass(made, index, chunk.span).score()[0])
        base = np.repeat(part.base[:, None, members], len(choices), axis=1)
        base[..., chunk.span[f]] = made.levels[f][choices][None, :, None, :]
        change = made.terms.expand(base) - part.x[:, None, members]
        for gain in (
            part._gain_of_many(members, change),
            *([part._gain_of_one(members[0], change[:, :, 0])] if len(members) == 1 else []),
        ):
            np.testing.assert_allclose(before[0] + gain[0], changed, rtol=1e-5)


def test_a_small_plan_is_as_good_as_any_there_is():
    """Against every choice of 7 of 9 points with repeats, both criteria."""
    nine = np.array(list(product([-1.0, 0.0, 1.0], repeat=2)))
    three = np.array([[-1.0], [0.0], [1.0]])
    for mean_variance in (False, True):
        made = task(
            [FactorKind(), FactorKind()], "quadratic", [three, three], each_alone(7, 2),
            mean_variance=mean_variance,
        )  # fmt: skip
        found = coordinate_exchange.search(made, 20, np.random.default_rng(4))
        x = made.terms.expand(nine)
        best = -np.inf
        for counts in product(range(3), repeat=9):
            if sum(counts) == 7 and np.count_nonzero(counts) >= 6:
                m = x.T @ (np.array(counts)[:, None] * x)
                if np.linalg.cond(m) < 1e10:
                    worth = (
                        -np.trace(np.linalg.solve(m, made.moments))
                        if mean_variance
                        else np.linalg.slogdet(m)[1]
                    )
                    best = max(best, worth)
        assert found.value == pytest.approx(best, rel=1e-9)


def test_presses_made_already_are_not_made_again():
    """Own effects of two settings, one known already: the new presses spend themselves on both,
    and nothing known before is lost."""
    made = task([FactorKind(), FactorKind()], "linear", [LINE, LINE], each_alone(4, 2))
    known = np.diag([40.0, 40.0, 0.0])
    both = coordinate_exchange.Task(
        made.terms, made.levels, made.group, made.allowed, made.precision, known
    )  # fmt: skip
    found = coordinate_exchange.search(both, 5, np.random.default_rng(5))
    assert found.value == pytest.approx(np.log(44.0 * 44.0 * 4.0))


def test_what_must_not_meet_does_not_meet():
    permitted = np.ones((5, 5), dtype=bool)
    permitted[3:, 3:] = False  # both settings high
    made = task(
        [FactorKind(), FactorKind()], "quadratic", [LINE, LINE], each_alone(10, 2),
        permitted=permitted,
    )  # fmt: skip
    found = coordinate_exchange.search(made, 10, np.random.default_rng(6), kicks=2)
    assert found.violations == 0
    assert permitted[found.index[:, 0], found.index[:, 1]].all()
    free = coordinate_exchange.search(
        task([FactorKind(), FactorKind()], "quadratic", [LINE, LINE], each_alone(10, 2)),
        10,
        np.random.default_rng(6),
    )
    assert found.value < free.value


def test_the_same_generator_gives_the_same_plan_and_kicks_never_lose():
    made = task([FactorKind()] * 3, "quadratic", [LINE] * 3, each_alone(12, 3), mean_variance=True)
    one, two = (
        coordinate_exchange.search(made, 4, np.random.default_rng(7), kicks=3) for _ in range(2)
    )
    np.testing.assert_array_equal(one.index, two.index)
    plain = coordinate_exchange.search(made, 4, np.random.default_rng(7))
    assert one.value >= plain.value - 1e-12


def test_too_few_runs_are_worth_nothing():
    made = task([FactorKind(), FactorKind()], "quadratic", [LINE, LINE], each_alone(5, 2))
    assert coordinate_exchange.search(made, 3, np.random.default_rng(8)).value == -np.inf
