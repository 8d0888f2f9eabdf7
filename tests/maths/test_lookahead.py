"""What a press would teach, against what it does teach once made."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp.maths import luck
from dtfexp.maths.field import Prior, Scales
from dtfexp.maths.lookahead import Candidates, Outlook
from dtfexp.maths.observed import Data
from dtfexp.maths.points import CURE, PRESS, FieldShape, Points
from dtfexp.maths.posterior import Posterior, predict, run_sites

SHAPE = FieldShape((CURE, PRESS), (False, False), (), 1)
SCALES = Scales(1.0, 0.6, 0.8, 0.2, 0.15, 0.5, np.array([0.3]))


def points(values: list[list[float]]) -> Points:
    nodes = np.array(values, dtype=float)[:, :, None]
    return Points(nodes, np.ones(1), np.zeros(len(nodes), dtype=int))


def posterior(at: Points, value: np.ndarray) -> Posterior:
    """A measured outcome: exactly Gaussian, so the look-ahead must be exact too."""
    n = at.n
    alone = np.arange(n)
    data = Data(
        at, np.zeros(n, int), alone, alone, np.full(n, -1), alone, np.full(n, -1), value
    )  # fmt: skip
    sites = run_sites(data, SHAPE, Prior(), (None,), [SCALES])
    return Posterior(data, SHAPE, Prior(), (None,), (SCALES,), np.ones(1), sites)


def test_the_variance_it_foretells_is_the_variance_that_comes() -> None:
    seen, value = [[0.0, 0.0], [0.5, -0.2]], np.array([0.6, -0.1])
    cells = points([[0.1, 0.1], [0.8, 0.0], [-0.6, 0.4]])
    new = [[0.3, 0.3], [-0.5, 0.5]]
    now = posterior(points(seen), value)
    pool = Candidates(points(new), np.array([0, 1]), np.array([0, 1]))
    zero = (np.zeros(3), np.zeros(3))
    outlook = Outlook(now, cells, pool, np.ones(3), 0.9, zero)
    before = outlook.variance.copy()
    outlook.add(0)
    outlook.add(1)
    # The values that come do not matter for a Gaussian outcome.
    after = posterior(points(seen + new), np.concatenate([value, [0.2, 0.9]]))
    shrink = (
        predict(after, cells).covariance[0, :, 0, 0] / predict(now, cells).covariance[0, :, 0, 0]
    )
    assert outlook.variance / before == pytest.approx(shrink, rel=2e-3)


def test_presses_of_one_load_teach_less_than_of_two() -> None:
    now = posterior(points([[0.9, 0.9]]), np.array([0.1]))
    cells, twins = points([[0.0, 0.0]]), points([[0.0, 0.0], [0.0, 0.0]])
    left = []
    for load in (np.array([0, 0]), np.array([0, 1])):
        outlook = Outlook(
            now, cells, Candidates(twins, load, load), np.ones(1), 0.9, (np.zeros(1), np.zeros(1))
        )
        outlook.add(0)
        outlook.add(1)
        left.append(float(outlook.variance[0]))
    assert left[1] < left[0]


def test_a_branch_leaves_its_stem_alone() -> None:
    now = posterior(points([[0.0, 0.0]]), np.array([0.3]))
    pool = Candidates(points([[0.3, 0.3], [-0.5, 0.5]]), np.array([0, 1]), np.array([0, 1]))
    outlook = Outlook(now, points([[0.2, 0.2]]), pool, np.ones(1), 0.9, (np.zeros(1), np.zeros(1)))
    before = outlook.value
    scores = outlook.scores(np.array([0, 1]))
    branch = outlook.branch(np.array([1]))
    branch.add(0)
    assert branch.value == pytest.approx(scores[1])
    assert outlook.value == before


def test_luck_split_adds_up_to_what_a_new_press_meets() -> None:
    shared, own = luck.luck_split(SCALES, Prior(), False)
    total = SCALES.load_sd**2 + SCALES.round_sd**2 + SCALES.noise[0] ** 2
    assert shared + own[0] == pytest.approx(total + Prior().press_share_sd ** 2)
