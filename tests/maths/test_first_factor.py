"""The first principal factor against LAPACK's eigenvectors."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp.maths.prediction.first_factor import first_factor


def factor(matrix: np.ndarray) -> np.ndarray:
    """The factor as an outer product, which has no sign, by one eigenvalue after the other."""
    values, vectors = np.linalg.eigh(matrix)
    return max(values[-1], 0.0) * np.outer(vectors[:, -1], vectors[:, -1])


@pytest.mark.parametrize("gap", [0.9, 0.5, 0.02, 1e-4])
def test_it_is_the_eigenvector_of_the_largest_value_however_near_the_next(gap: float) -> None:
    rng = np.random.default_rng(3)
    sides = np.linalg.qr(rng.normal(size=(6, 5, 4, 4)))[0]
    values = np.array([1.0, 1.0 - gap, 0.3 * (1.0 - gap), -0.8 * (1.0 - gap)])
    matrices = (sides * values) @ sides.swapaxes(-1, -2)
    found = first_factor(matrices)
    assert found.shape == (6, 5, 4)
    for one, matrix in zip(found.reshape(-1, 4), matrices.reshape(-1, 4, 4), strict=True):
        assert np.outer(one, one) == pytest.approx(factor(matrix), abs=1e-9 / gap)


def test_a_larger_value_below_zero_is_not_taken_and_none_above_gives_zeros() -> None:
    below = np.diag([0.5, -0.9, 0.1])
    found = first_factor(np.stack([below, -np.eye(3), np.zeros((3, 3))]))
    assert np.abs(found[0]) == pytest.approx([np.sqrt(0.5), 0.0, 0.0])
    assert found[1:].tolist() == [[0.0] * 3] * 2
