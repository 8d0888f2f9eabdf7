"""How the edges of a box are moved out between the places of its map, by hand."""

from __future__ import annotations

from dataclasses import replace

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


def test_a_box_is_two_spreads_wide_where_it_can_be() -> None:
    """Two spreads are 2 s.  A strip 1 s wide and 10 s long, 1 x 10 spreads, is larger than a square
    of 2 x 2, and taken only where nothing is as wide in both settings; one place only where no more
    was asked for."""
    strip, square = (X >= 8) & (X <= 9), (X >= 2) & (X <= 4) & (Y >= 4) & (Y <= 6)
    factors = tuple(replace(f, spread=1.0) for f in TWO)

    def found(good: np.ndarray, **asked: float) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
        one = mapped(np.where(good, 1.0, -1.0))
        box = best_box(replace(one, grid=replace(one.grid, factors=factors)), asked)
        return None if box is None else (box.lo, box.hi)

    assert found(strip | square) == ((2, 4), (4, 6))
    assert found(strip) == ((8, 0), (9, 10))
    # Half-widths asked for: 0.5 s is 1 s wide, which the strip is; 0.6 s is more.
    assert found(strip, a=0.5) == ((8, 0), (9, 10)) and found(strip, a=0.6) is None
    assert found(X == 9) == ((9, 0), (9, 10)) and found(X == 9, a=0.5) is None
    assert found(X < 0) is None
