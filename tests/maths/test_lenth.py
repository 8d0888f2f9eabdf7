"""Lenth's margin and half-normal places, against a published plan and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp.maths.linear.variance_components import (
    ResidualSpaces,
    half_normal,
    lenth_margin,
    pseudo_error,
)

# The fifteen effects of the 2^4 process development plan of Box, Hunter & Hunter (2005), Statistics
# for Experimenters, 2nd ed., ch. 5 (from memory).
PROCESS = np.array(
    [-8, 24, -2.25, -5.5, 1, 0.75, 0, -1.25, 4.5, -0.25, -0.75, 0.5, -0.25, -0.75, -0.25]
)


def test_the_margin_of_a_published_plan() -> None:
    """By hand: the middle size is 0.75, so 1.125 first; none of the eleven sizes below 2.8125
    moves their middle, 0.75; t of 5 degrees of freedom at 97.5 % is 2.5706 (tables)."""
    assert pseudo_error(PROCESS) == pytest.approx(1.125)
    assert lenth_margin(PROCESS) == pytest.approx(2.5706 * 1.125, abs=1e-4)
    assert (np.abs(PROCESS) > lenth_margin(PROCESS)).sum() == 4


def test_large_effects_are_kept_out_of_the_error() -> None:
    """By hand: sizes 1, 2, 3, 4, 50: the middle is 3, so 4.5; below 11.25 the middle is 2.5."""
    assert pseudo_error(np.array([1, -2, 3, -4, 50])) == pytest.approx(1.5 * 2.5)
    assert lenth_margin(np.zeros(6)) == 0.0


def test_half_normal_places() -> None:
    """Of three: the normal quantiles of 7/12, 9/12 and 11/12 (tables)."""
    assert half_normal(3) == pytest.approx([0.2104, 0.6745, 1.3830], abs=1e-4)


def test_error_degrees_of_freedom_of_nested_and_crossed_groupings_by_hand() -> None:
    """Twelve presses and a mean.  Six loads nested in three days: 2 between days, 3 between loads
    of a day, 6 left.  Three rounds that cross four loads evenly: 2, 3, and 12 - 1 - 2 - 3 = 6."""

    def indicators(labels: np.ndarray) -> np.ndarray:
        return np.equal.outer(labels, np.unique(labels)).astype(float)

    n = np.arange(12)
    mean = np.ones((12, 1))
    nested = ResidualSpaces.of(mean, {"day": indicators(n // 4), "load": indicators(n // 2)})
    assert nested.divided == {"day": (), "load": ("day",)}
    assert nested.error_df() == {"day": 2, "load": 3, "press": 6}
    crossed = ResidualSpaces.of(mean, {"round": indicators(n // 4), "load": indicators(n % 4)})
    assert crossed.divided == {"round": (), "load": ()}
    assert crossed.error_df() == {"round": 2, "load": 3, "press": 6}
