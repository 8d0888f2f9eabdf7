"""Blocks: what regular ones hide, as published; and even ones for any other plan."""

import itertools
from collections import Counter

import numpy as np
import pytest

from dtfexp.maths.designs import blocking, classical

# Montgomery (2013), Design and Analysis of Experiments, 8th ed., ch. 7, suggested blocking of the
# two-level factorials; from memory. (factors, blocks) -> length of hidden effects -> how many.
HIDDEN = {
    (3, 2): {3: 1},
    (3, 4): {2: 3},
    (4, 2): {4: 1},
    (4, 4): {2: 1, 3: 2},
    (4, 8): {2: 6, 4: 1},
    (5, 2): {5: 1},
    (5, 4): {3: 2, 4: 1},
    (5, 8): {2: 2, 3: 4, 4: 1},
    (6, 2): {6: 1},
    (6, 4): {4: 3},
    (6, 8): {3: 4, 4: 3},
    (7, 2): {7: 1},
    (7, 8): {4: 7},
}


def effect(matrix, word):
    return np.prod([matrix[:, classical.LETTERS.index(letter)] for letter in word], axis=0)


@pytest.mark.parametrize(("k", "count"), HIDDEN)
def test_a_factorial_hides_what_the_tables_hide_and_nothing_else(k, count):
    made = classical.fraction(k, runs=2**k)
    found = blocking.blocks_of_fraction(made, count)
    assert Counter(map(len, found.confounded)) == HIDDEN[k, count]
    assert set(np.bincount(found.labels)) == {2**k // count}
    of_block = np.eye(count)[found.labels]
    for word in made.aliases(max_order=k):
        within = of_block.T @ effect(made.matrix, word)
        # A hidden effect is all of one sign in every block; any other one cancels in every block.
        expected = 2**k // count if word in found.confounded else 0
        assert set(np.abs(within)) == {expected}


def test_a_fraction_hides_no_effect_of_one_factor():
    made = classical.fraction(6, runs=16)
    found = blocking.blocks_of_fraction(made, 4)
    of_block = np.eye(4)[found.labels]
    assert np.array_equal(of_block.T @ made.matrix, np.zeros((4, 6)))


def test_a_pair_to_spare_is_hidden_only_when_it_must_be():
    made = classical.fraction(5, runs=16)
    assert blocking.blocks_of_fraction(made, 2).confounded == ("AB",)
    spare = ["AB", "AC", "AD", "BC", "BD"]
    (hidden,) = blocking.blocks_of_fraction(made, 2, spare).confounded
    assert len(hidden) == 2 and hidden not in spare
    every = [a + b for a, b in itertools.combinations("ABCDE", 2)]
    assert blocking.blocks_of_fraction(made, 2, every).confounded == ("AB",)
    # Sparing a pair never costs a further one.
    four = classical.fraction(4, runs=16)
    assert (
        Counter(map(len, blocking.blocks_of_fraction(four, 4, ["AB"]).confounded)) == HIDDEN[4, 4]
    )


@pytest.mark.parametrize("count", [0, 1, 3, 6, 16])
def test_a_number_of_blocks_that_does_not_divide_is_refused(count):
    with pytest.raises(ValueError, match=f"blocks is {count}; 16 runs divide into"):
        blocking.blocks_of_fraction(classical.fraction(4, runs=16), count)


def test_a_saturated_fraction_cannot_be_divided():
    with pytest.raises(ValueError, match="own effect would be hidden"):
        blocking.blocks_of_fraction(classical.fraction(7, runs=8), 2)


def test_even_blocks_of_a_factorial_are_orthogonal_to_its_factors():
    matrix = classical.two_level_full(4)
    labels = blocking.balanced_blocks(matrix, 2, np.random.default_rng(1))
    assert np.bincount(labels).tolist() == [8, 8]
    assert np.array_equal(matrix[labels == 0].sum(axis=0), np.zeros(4))


@pytest.mark.parametrize("count", [2, 3, 5])
def test_even_blocks_are_alike_in_size_and_in_the_mean(count):
    rng = np.random.default_rng(3)
    rows = rng.normal(size=(31, 4))
    labels = blocking.balanced_blocks(rows, count, rng)
    sizes = np.bincount(labels, minlength=count)
    assert sizes.max() - sizes.min() <= 1
    means = np.array([rows[labels == b].mean(axis=0) for b in range(count)])
    drawn = np.array([rows[rng.permutation(31)[:6]].mean(axis=0) for _ in range(200)])
    assert np.abs(means - rows.mean(axis=0)).max() < 0.5 * drawn.std()
    again = blocking.balanced_blocks(rows, count, np.random.default_rng(9))
    assert np.array_equal(again, blocking.balanced_blocks(rows, count, np.random.default_rng(9)))


def test_a_constant_column_and_one_row_do_no_harm():
    rows = np.ones((5, 2))
    assert sorted(blocking.balanced_blocks(rows, 2, np.random.default_rng(0))) == [0, 0, 0, 1, 1]
    assert blocking.balanced_blocks(rows[:1], 2, np.random.default_rng(0)).tolist() == [0]
