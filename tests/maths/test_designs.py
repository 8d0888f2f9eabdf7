"""Classical plans against what was published of them, and what each matrix must keep."""

import itertools

import numpy as np
import pytest

from dtfexp.maths.designs import classical

# Box, Hunter & Hunter (2005), Statistics for Experimenters, 2nd ed., chapters on fractional
# factorials; Montgomery (2013), Design and Analysis of Experiments, 8th ed., ch. 8. From memory.
ALIASES_4_1 = {"A": "BCD", "B": "ACD", "C": "ABD", "D": "ABC", "AB": "CD", "AC": "BD", "AD": "BC"}
ALIASES_5_2 = {
    "A": ("BD", "CE"), "B": ("AD",), "C": ("AE",), "D": ("AB",), "E": ("AC",), "BC": ("DE",),
    "CD": ("BE",),
}  # fmt: skip
ALIASES_7_4 = {
    "A": ("BD", "CE", "FG"), "B": ("AD", "CF", "EG"), "C": ("AE", "BF", "DG"),
    "D": ("AB", "CG", "EF"), "E": ("AC", "BG", "DF"), "F": ("AG", "BC", "DE"),
    "G": ("AF", "BE", "CD"),
}  # fmt: skip

# Fries & Hunter (1980), Technometrics 22:601; Chen, Sun & Wu (1993), Int. Stat. Rev. 61:131;
# NIST/SEMATECH e-Handbook, sec. 5.3.3.4.7. The (7, 32) row was seen in print, the others are from
# memory. (factors, runs) -> resolution, word length -> number of words.
LEAST_ABERRATION = {
    (3, 4): (3, {3: 1}),
    (4, 8): (4, {4: 1}),
    (5, 16): (5, {5: 1}),
    (6, 32): (6, {6: 1}),
    (5, 8): (3, {3: 2, 4: 1}),
    (6, 16): (4, {4: 3}),
    (6, 8): (3, {3: 4, 4: 3}),
    (7, 32): (4, {4: 1, 5: 2}),
    (7, 16): (4, {4: 7}),
    (7, 8): (3, {3: 7, 4: 7, 7: 1}),
    (8, 32): (4, {4: 3, 5: 4}),
    (8, 16): (4, {4: 14, 8: 1}),
    (9, 32): (4, {4: 6, 5: 8, 8: 1}),
    (9, 16): (3, {3: 4, 4: 14, 5: 8, 7: 4, 8: 1}),
}

# Fries & Hunter (1980), Technometrics 22:601: three fractions 2^(7-2), all of resolution IV.
# Word lengths seen; the words recomputed.
THREE_OF_7_2 = {
    ("F=ABC", "G=BCD"): ("ABCF", "ADFG", "BCDG"),
    ("F=ABC", "G=ADE"): ("ABCF", "ADEG", "BCDEFG"),
    ("F=ABCD", "G=ABCE"): ("DEFG", "ABCDF", "ABCEG"),
}
THEIR_LENGTHS = [(4, 4, 4), (4, 4, 6), (4, 5, 5)]

# Plackett & Burman (1946), Biometrika 33:305, first row of the 12-run array; from memory.
PB12_ROW = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]


def fraction_of(generators, k):
    """The fraction with these generators, such as E=ABC, in the order of the added factors."""
    products = tuple(classical.bits_of(text.split("=")[1]) for text in generators)
    return classical._built(k, products)


def effect(matrix, word):
    return np.prod([matrix[:, classical.LETTERS.index(letter)] for letter in word], axis=0)


def test_aliases_of_the_half_of_four():
    made = fraction_of(["D=ABC"], 4)
    assert made.resolution == 4
    assert made.words == ("ABCD",)
    found = made.aliases(max_order=3)
    for one, other in ALIASES_4_1.items():
        assert found[one] == (other,)
        assert one in found[other]
    # The search finds the same fraction.
    assert classical.fraction(4, runs=8).words == made.words


@pytest.mark.parametrize(
    ("generators", "k", "expected", "words"),
    [
        (["D=AB", "E=AC"], 5, ALIASES_5_2, 3),
        (["D=AB", "E=AC", "F=BC", "G=ABC"], 7, ALIASES_7_4, 15),
    ],
)
def test_aliases_in_eight_runs(generators, k, expected, words):
    made = fraction_of(generators, k)
    assert made.resolution == 3
    assert len(made.words) == words
    found = made.aliases(max_order=2)
    assert len(found) == k + k * (k - 1) // 2
    for one, others in expected.items():
        assert found[one] == others


@pytest.mark.parametrize("k,runs", [(4, 8), (5, 8), (6, 16), (7, 32), (8, 16), (9, 32)])
def test_aliases_are_those_of_the_columns(k, runs):
    """Effects are listed together exactly when their columns are the same."""
    made = classical.fraction(k, runs=runs)
    found = made.aliases(max_order=3)
    for one, two in itertools.combinations(found, 2):
        together = np.array_equal(effect(made.matrix, one), effect(made.matrix, two))
        assert (two in found[one]) == (one in found[two]) == together


@pytest.mark.parametrize(("size", "expected"), LEAST_ABERRATION.items())
def test_minimum_aberration(size, expected):
    k, runs = size
    made = classical.fraction(k, runs=runs)
    assert (made.resolution, dict(made.word_length_pattern)) == expected
    assert made.matrix.shape == (runs, k)
    for word in made.words:
        assert np.all(effect(made.matrix, word) == 1)
    for text in made.generators:
        name, product = text.split("=")
        assert np.array_equal(effect(made.matrix, name), effect(made.matrix, product))


@pytest.mark.parametrize(
    ("generators", "words", "lengths"),
    [(g, w, n) for (g, w), n in zip(THREE_OF_7_2.items(), THEIR_LENGTHS, strict=True)],
)
def test_three_fractions_told_apart_by_word_lengths(generators, words, lengths):
    made = fraction_of(generators, 7)
    assert made.words == words
    assert tuple(map(len, made.words)) == lengths
    assert made.resolution == 4


def test_the_search_takes_the_best_of_the_three():
    assert dict(classical.fraction(7, runs=32).word_length_pattern) == {4: 1, 5: 2}


@pytest.mark.parametrize("k", range(2, 9))
def test_fewest_runs_for_a_resolution(k):
    for wanted in (3, 4, 5):
        made = classical.fraction(k, resolution=wanted)
        assert made.resolution is None or made.resolution >= wanted
        smaller = len(made.matrix) // 2
        if smaller >= 4 and smaller > k:
            assert classical.fraction(k, runs=smaller).resolution < wanted
    assert len(classical.fraction(k).matrix) == len(classical.fraction(k, resolution=4).matrix)


def test_the_full_factorial_has_no_words():
    made = classical.fraction(3, runs=8)
    assert (made.resolution, made.words, made.generators) == (None, (), ())
    assert set(made.aliases().values()) == {()}
    assert sorted(map(tuple, made.matrix)) == sorted(itertools.product((-1, 1), repeat=3))


def test_a_fraction_cannot_be_changed():
    made = classical.fraction(4, runs=8)
    with pytest.raises(ValueError, match="read-only"):
        made.matrix[0, 0] = 5
    with pytest.raises(TypeError):
        made.word_length_pattern[3] = 1


@pytest.mark.parametrize("k", range(1, 11))
def test_all_corners(k):
    assert sorted(map(tuple, classical.two_level_full(k))) == sorted(
        itertools.product((-1, 1), repeat=k)
    )


@pytest.mark.parametrize("levels", [[2], [3, 2], [4, 1, 3], [2, 5, 2, 3]])
def test_all_combinations(levels):
    codes = classical.full_factorial(levels)
    assert codes.dtype.kind == "i"
    assert sorted(map(tuple, codes)) == sorted(itertools.product(*map(range, levels)))


def test_plackett_burman_of_twelve():
    made = classical.plackett_burman(11)
    rows = [np.roll(PB12_ROW, shift) for shift in range(11)]
    published = np.vstack([rows, -np.ones(11)])
    for matrix in (made, published):
        # Orthogonal, balanced; every main effect mixed with each pair of other factors by a third.
        assert matrix.shape == (12, 11)
        assert np.array_equal(matrix.T @ matrix, 12 * np.eye(11))
        assert not matrix.sum(axis=0).any()
        for i, j in itertools.combinations(range(11), 2):
            mixed = matrix.T @ (matrix[:, i] * matrix[:, j]) / 12
            assert mixed[[i, j]].tolist() == [0, 0]
            assert np.abs(np.delete(mixed, [i, j])) == pytest.approx(1 / 3)


@pytest.mark.parametrize("k", range(1, 64))
def test_every_plackett_burman_is_orthogonal(k):
    made = classical.plackett_burman(k)
    runs = len(made)
    assert runs % 4 == 0
    assert k < runs <= (k // 4 + 1) * 4 + (16 if k >= 48 else 4)
    with_mean = np.column_stack([np.ones(runs), made])
    assert np.array_equal(with_mean.T @ with_mean, runs * np.eye(k + 1))


# Box & Behnken (1960), Technometrics 2:455: runs with three centres. 15 for three factors seen in
# NIST/SEMATECH e-Handbook, sec. 5.3.3.6; 27 is the formula 24 + 3; 40 and 48 and 56 without
# centres for five, six and seven factors are from memory.
BEHNKEN_RUNS = {3: 15, 4: 27, 5: 43, 6: 51, 7: 59}


@pytest.mark.parametrize(("k", "runs"), BEHNKEN_RUNS.items())
def test_box_behnken(k, runs):
    made = classical.box_behnken(k, centres=3)
    assert made.shape == (runs, k)
    assert set(np.unique(made)) == {-1, 0, 1}
    assert (made == 0).all(axis=1).sum() == 3
    # No corner, all points but the centres equally far out, all factors used alike.
    outer = made[(made != 0).any(axis=1)]
    assert len(set((outer != 0).sum(axis=1))) == 1
    assert (outer != 0).sum(axis=1)[0] < k
    assert len(set((outer != 0).sum(axis=0))) == 1
    assert len(np.unique(outer, axis=0)) == len(outer)
    assert len(classical.box_behnken(k, centres=6)) == runs + 3


# NIST/SEMATECH e-Handbook, sec. 5.3.3.6, Table 3.25, and Montgomery (2013), 8th ed., ch. 11,
# Tables 11.8 and 11.11; counts and star points of three factors seen.
POINTS_WITHOUT_CENTRES = {2: 8, 3: 14, 4: 24}
ROTATABLE = {2: 1.4142, 3: 1.6818, 4: 2.0}
BLOCK_CENTRES = {2: (3, 3), 3: (4, 2), 4: (4, 2)}
BLOCK_ALPHA = {2: 1.4142, 3: 1.633, 4: 2.0}
BLOCK_RUNS = {2: 14, 3: 20, 4: 30}


@pytest.mark.parametrize("k", [2, 3, 4])
def test_central_composite(k):
    made = classical.central_composite(k, "rotatable", centres=1)
    assert len(made) == POINTS_WITHOUT_CENTRES[k] + 1
    assert made.max() == pytest.approx(ROTATABLE[k], abs=5e-5)
    # Rotatable: pure fourth moments are three times the mixed ones.
    pure, mixed = (made[:, 0] ** 4).sum(), (made[:, 0] ** 2 * made[:, 1] ** 2).sum()
    assert pure == pytest.approx(3 * mixed)

    blocked = classical.central_composite(k, "blocks", BLOCK_CENTRES[k])
    assert len(blocked) == BLOCK_RUNS[k]
    assert blocked.max() == pytest.approx(BLOCK_ALPHA[k], abs=5e-5)
    first = 2**k + BLOCK_CENTRES[k][0]
    parts = [blocked[:first], blocked[first:]]
    # The block does not touch the quadratic: equal mean squares in both.
    squares = [(part[:, 0] ** 2).mean() for part in parts]
    assert squares[0] == pytest.approx(squares[1])

    assert set(np.unique(classical.central_composite(k, "faced"))) == {-1, 0, 1}
    assert classical.central_composite(k, 1.2).max() == 1.2


@pytest.mark.parametrize("k", range(5, 10))
def test_larger_composites_keep_pairs_apart(k):
    made = classical.central_composite(k, "faced", centres=2)
    corners = made[(made != 0).all(axis=1)]
    assert len(corners) < 2**k
    pairs = [corners[:, i] * corners[:, j] for i, j in itertools.combinations(range(k), 2)]
    model = np.column_stack([corners, *pairs])
    assert np.array_equal(model.T @ model, len(corners) * np.eye(model.shape[1]))


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: classical.two_level_full(0), "k: got 0; accepted a whole number from 1 to 16"),
        (lambda: classical.two_level_full(2.0), "k: got 2.0"),
        (lambda: classical.full_factorial([]), "levels is empty"),
        (lambda: classical.full_factorial([3, 0]), "levels of factor 2: got 0"),
        (lambda: classical.full_factorial([9] * 8), "make 43046721 runs"),
        (lambda: classical.fraction(1), "k: got 1"),
        (lambda: classical.fraction(5, runs=12), "runs is 12; 5 factors take 8, 16, 32 runs"),
        (lambda: classical.fraction(5, runs=4), "runs is 4"),
        (lambda: classical.fraction(5, runs=8, resolution=4), "reach resolution 3 at most"),
        (lambda: classical.fraction(5, resolution=2), "resolution: got 2"),
        (lambda: classical.plackett_burman(64), "k: got 64"),
        (lambda: classical.box_behnken(2), "k: got 2; accepted a whole number from 3 to 7"),
        (lambda: classical.box_behnken(8), "k: got 8"),
        (lambda: classical.box_behnken(3, centres=0), "centres: got 0"),
        (lambda: classical.central_composite(1), "k: got 1"),
        (lambda: classical.central_composite(3, "orthogonal"), "alpha is 'orthogonal'"),
        (lambda: classical.central_composite(3, -1.0), "alpha is -1.0"),
        (lambda: classical.central_composite(3, float("nan")), "alpha is nan"),
        (lambda: classical.central_composite(3, "blocks", 4), "needs centres as a pair"),
        (lambda: classical.central_composite(2, "rotatable", 0), "add a centre run"),
        (lambda: classical.fraction(4).aliases(0), "max_order: got 0"),
    ],
)
def test_what_cannot_be_built_is_said_in_one_line(call, said):
    with pytest.raises(ValueError) as caught:
        call()
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "table",
    [
        [[1, 1], [1, -1], [-1, 1], [-1, 1]],  # unbalanced
        [[1, 1], [1, 1], [-1, -1], [-1, -1]],  # two columns alike
        [[1, 1], [1, -1], [-1, 1], [-1, 0]],  # a third level
    ],
)
def test_a_table_that_came_out_wrong_is_caught(table, monkeypatch):
    import pyDOE3

    monkeypatch.setattr(pyDOE3, "ff2n", lambda k: np.array(table))
    with pytest.raises(ValueError, match="came out"):
        classical.two_level_full(2)


def test_a_generator_gone_wrong_is_caught(monkeypatch):
    import pyDOE3

    real = pyDOE3.fracfact
    monkeypatch.setattr(pyDOE3, "fracfact", lambda text: real("a b c -abc"))
    with pytest.raises(ValueError, match="is not the product ABC"):
        fraction_of(["D=ABC"], 4)


def test_other_columns_keep_the_fraction_and_its_words():
    base = classical.fraction(6, runs=16)
    columns = [2, 0, 5, 1, 4, 3]
    made = classical.relabelled(base, columns)
    assert made.word_length_pattern == base.word_length_pattern
    assert np.array_equal(made.matrix, base.matrix[:, columns])
    for word in made.words:
        assert abs(effect(made.matrix, word).sum()) == 16
    for text in made.generators:
        added, product = text.split("=")
        assert np.array_equal(effect(made.matrix, added), effect(made.matrix, product))
    with pytest.raises(ValueError, match="each of 0 to 5 once"):
        classical.relabelled(base, [0, 0, 1, 2, 3, 4])
