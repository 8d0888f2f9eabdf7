"""How the edges of a box are moved out between the places of its map, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from dtfexp import Factor
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.pass_map import PassMap
from dtfexp.dialin.window.window_box import _moved_out, _spots, best_box

AXIS = np.arange(11.0)
TWO = tuple(Factor(name, 0, 10, "s", 1, spread=0.5, usual=5) for name in "ab")
X, Y = np.meshgrid(AXIS, AXIS, indexing="ij")


def mapped(excess: np.ndarray, forbidden: tuple[int, int] | None = None) -> PassMap:
    allowed = np.ones(excess.shape, dtype=bool)
    if forbidden:
        allowed[forbidden] = False
    return PassMap(grids.Grid(TWO, (AXIS, AXIS), {}), excess, allowed)


@pytest.mark.parametrize("axis", [0, 1])
def test_an_edge_goes_to_where_the_excess_between_two_places_is_zero(axis: int) -> None:
    """3.25 - |x - 5| falls to zero at 1.75 and 8.25; the other setting keeps its whole range."""
    start, wanted = [[0.0, 10.0]] * 2, [[0.0, 10.0]] * 2
    start[axis], wanted[axis] = [2.0, 8.0], [1.75, 8.25]
    found = _moved_out(mapped(3.25 - abs((X, Y)[axis] - 5)), np.array(start))
    assert found == pytest.approx(np.array(wanted))


def test_edges_that_trade_off_go_the_largest_share_at_which_the_corner_holds() -> None:
    """12.5 - x - y.  From 6 and 6 each alone may go to 6.5.  Together: 6.5 + 6.5 and three quarters
    of the way, 6.375 + 6.375, are too far; half of it, 6.25 + 6.25, is just right, and nothing is
    left to go.  The lower edges are at the end of the range."""
    found = _moved_out(mapped(12.5 - X - Y), np.array([[0.0, 6.0], [0.0, 6.0]]))
    assert found == pytest.approx(np.array([[0.0, 6.25], [0.0, 6.25]]))


def test_what_is_good_as_far_as_the_range_goes_ends_with_it() -> None:
    found = _moved_out(mapped(np.ones((11, 11))), np.array([[4.0, 6.0], [5.0, 5.0]]))
    assert found == pytest.approx(np.array([[0.0, 10.0], [0.0, 10.0]]))


def test_no_edge_passes_a_place_that_is_forbidden() -> None:
    found = _moved_out(mapped(np.ones((11, 11)), (7, 5)), np.array([[4.0, 6.0], [5.0, 5.0]]))
    assert found[0, 0] < 4.0 and found[0, 1] == pytest.approx(6.0, abs=1e-6)


def test_spots_of_a_box_are_corners_middles_and_centre_or_corners_where_those_are_many() -> None:
    square = _spots(np.array([[0.0, 2.0], [10.0, 20.0]]))
    assert {tuple(spot) for spot in square} == {(x, y) for x in (0, 1, 2) for y in (10, 15, 20)}
    face = _spots(np.array([[0.0, 2.0], [10.0, 20.0]]), {0: np.array([7.0])})
    assert {tuple(spot) for spot in face} == {(7, 10), (7, 15), (7, 20)}
    # Three to the fourth is 81, to the fifth 243: of five settings the 32 corners.
    assert [len(_spots(np.array([[0.0, 1.0]] * k))) for k in (0, 4, 5)] == [1, 81, 32]


def test_a_box_is_two_spreads_wide_where_it_can_be_and_holds_a_step_off_its_edges() -> None:
    """Good from 4 to 5 in a and from 2 to 8 in b: 1 s is two spreads of 0.5.  One place of a is
    half as wide as that: it is the box only where no other is, or as wide as was asked."""
    good = mapped(np.where((X >= 4) & (X <= 5) & (Y >= 2) & (Y <= 8), 1.0, -1.0))
    box = best_box(good, {})
    assert box is not None and (box.lo, box.hi) == ((4, 2), (5, 8))
    # A long strip of one place is larger by its product of 6 / 0.5 and next to nothing: not taken.
    strip = mapped(np.where((X == 9) | ((X >= 4) & (X <= 5) & (Y >= 4) & (Y <= 5)), 1.0, -1.0))
    box = best_box(strip, {})
    assert box is not None and (box.lo, box.hi) == ((4, 4), (5, 5))
    alone = mapped(np.where(X == 9, 1.0, -1.0))
    box = best_box(alone, {})
    assert box is not None and (box.lo, box.hi) == ((9, 0), (9, 10))
    assert best_box(alone, {"a": 0.5}) is None
    assert best_box(mapped(-np.ones((11, 11))), {}) is None
