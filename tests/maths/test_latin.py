"""Latin hypercubes on steps: even in every column, far apart, out of what is not allowed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist

from dtfexp.maths.designs.latin_hypercube import latin_hypercube


@settings(max_examples=25, deadline=None)
@given(
    count=st.integers(1, 25),
    steps=st.lists(st.integers(1, 12), min_size=1, max_size=5),
    seed=st.integers(0, 2**32 - 1),
)
def test_every_step_equally_often_to_within_one(count, steps, seed):
    codes = latin_hypercube(count, steps, np.random.default_rng(seed))
    assert codes.shape == (count, len(steps))
    for column, n in enumerate(steps):
        times = np.bincount(codes[:, column], minlength=n)
        assert len(times) == n and times.max() - times.min() <= 1


def test_the_same_seed_gives_the_same_rows():
    one, two = (latin_hypercube(12, [5, 6, 3], np.random.default_rng(4)) for _ in range(2))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, latin_hypercube(12, [5, 6, 3], np.random.default_rng(5)))


def test_rows_lie_further_apart_than_in_a_random_hypercube():
    rng = np.random.default_rng(0)
    steps = np.array([12, 12, 12])
    nearest = pdist(latin_hypercube(12, steps, rng) / 11, "cityblock").min()
    random = [
        pdist(np.column_stack([rng.permutation(12) for _ in steps]) / 11, "cityblock").min()
        for _ in range(200)
    ]
    assert nearest > np.quantile(random, 0.99)


@pytest.mark.parametrize("seed", range(3))
def test_rows_that_are_not_allowed_are_exchanged_away(seed):
    def allowed(codes):
        return ~((codes[:, 0] >= 5) & (codes[:, 1] >= 5))

    codes = latin_hypercube(10, [10, 10, 4], np.random.default_rng(seed), allowed)
    assert allowed(codes).all()
    assert sorted(codes[:, 0]) == list(range(10))
