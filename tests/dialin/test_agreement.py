"""Agreement of two judgements of the same coupons."""

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor, Outcome, Session
from dtfexp.dialin.evaluate.agreement import FEWEST, agreement, agreements


def listed(table):
    """The pairs of grades that a table of counts stands for."""
    return zip(*[(i + 1, j + 1) for i, row in enumerate(table)
                 for j, count in enumerate(row) for _ in range(count)], strict=True)  # fmt: skip


def test_the_published_movie_reviewers():
    # Agresti & Winner 1997, Chance 10(2):10, two reviewers of 160 films, con / mixed / pro: kappa
    # 0.389 with a standard error of 0.06, linearly weighted 0.427 (from memory; the counts give
    # both again).
    first, second = listed([[24, 8, 13], [8, 13, 11], [10, 9, 64]])
    found = agreement(first, second, (1, 2, 3))
    assert found.pairs == 160 and found.same == pytest.approx(101 / 160)
    assert found.kappa == pytest.approx(0.427, abs=0.0005)
    assert found.low < found.kappa < found.high


def test_weighted_kappa_by_its_definition():
    """1 - mean distance seen / mean distance by chance (Cohen 1968)."""
    rng = np.random.default_rng(2)
    first = rng.integers(1, 6, 40)
    second = np.clip(first + rng.integers(-1, 2, 40), 1, 5)
    seen = np.abs(first - second).mean()
    chance = np.abs(first[:, None] - second).mean()
    found = agreement(first, second, (1, 2, 3, 4, 5))
    assert found.kappa == pytest.approx(1 - seen / chance)


def test_repeatability_of_a_known_eye():
    # Two readings with sd 0.5 each: 2,000 pairs know it to 0.5 / sqrt(2 * 2000), one sd.
    rng = np.random.default_rng(7)
    true = rng.uniform(1, 5, 2000)
    first, second = true + rng.normal(0, 0.5, (2, 2000))
    found = agreement(first, second + 0.2, np.arange(1, 5.25, 0.25))
    assert found.bias == pytest.approx(0.2, abs=4 * 0.5 * np.sqrt(2 / 2000))
    assert agreement(first, second, (1, 2, 3, 4, 5)).sd == pytest.approx(0.5, abs=0.025)


def test_few_or_all_alike_have_no_kappa():
    assert agreement([], [], (1, 2)) is None
    few = agreement([4] * (FEWEST - 2) + [3], [4] * (FEWEST - 1), (1, 2, 3, 4, 5))
    assert few.kappa is None and "kappa" not in few.sentence
    alike = agreement([4] * 20, [4] * 20, (1, 2, 3, 4, 5))
    assert (alike.same, alike.kappa, alike.sd) == (1, None, 0)
    assert alike.sentence.startswith("20 coupons judged twice: 100% got the same grade")


def test_pairs_are_needed():
    with pytest.raises(ValueError, match="got 2 first and 1 second"):
        agreement([1, 2], [1], (1, 2))


def test_second_grades_of_results_agree_by_outcome_and_by_who_gave_them() -> None:
    session = Session("s", (Factor("heat", 1, 9),), (Outcome("peel"), Outcome("wash")), ("a",))
    results = pd.DataFrame(
        {"peel": [1, 4, 5], "wash": [2, 3, np.nan], "peel_again": [1, np.nan, 4],
         "peel_picture": [np.nan, 4, np.nan], "wash_again": [np.nan, np.nan, 2]}
    )  # fmt: skip
    found = agreements(session, results)
    assert [(o, who, told.pairs) for o, who, told in found] == [
        ("peel", "eye", 2),
        ("peel", "picture", 1),
    ]
    assert found[0][2].same == 0.5
    assert agreements(session, results[["peel", "wash"]]) == []
