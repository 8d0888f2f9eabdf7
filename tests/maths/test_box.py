"""The largest box, held against a look at every box there is."""

import itertools
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dtfexp.maths.boxes import box_search
from dtfexp.maths.boxes.box import WIDTH_OFFSET, largest_box


def every_box(good, coords, unit, min_width, prefer):
    """(size, sum of prefer, lo, hi) of every allowed box, by the definition alone."""
    found = []
    ranges = [[(p, q) for p in range(n) for q in range(p, n)] for n in good.shape]
    for box in itertools.product(*ranges):
        part = tuple(slice(p, q + 1) for p, q in box)
        widths = [coords[a][q] - coords[a][p] for a, (p, q) in enumerate(box)]
        if good[part].all() and all(
            w >= least * (1 - 1e-9) for w, least in zip(widths, min_width, strict=True)
        ):
            size = 1.0
            for a, w in enumerate(widths):
                if good.shape[a] > 1:
                    size *= w / unit[a] + 1e-3
            lo, hi = zip(*box, strict=True)
            found.append((size, prefer[part].sum(), lo, hi))
    return found


def best_of(found):
    if not found:
        return None
    most = max(size for size, *_ in found)
    ties = [one for one in found if one[0] >= most * (1 - 1e-9)]
    return min(ties, key=lambda one: (-one[1], one[2], one[3]))


MOST_LEVELS = {1: 12, 2: 7, 3: 5, 4: 4}


@st.composite
def grids(draw):
    d = draw(st.integers(1, 4))
    shape = tuple(draw(st.integers(1, MOST_LEVELS[d])) for _ in range(d))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    good = rng.random(shape) < draw(st.sampled_from([0.0, 0.3, 0.6, 0.85, 0.95, 1.0]))
    # Few different gaps, so that equal sizes by different widths do happen.
    gap = draw(st.sampled_from([(1.0,), (0.1, 0.2), (0.5, 1.0, 2.0), (0.3, 0.37, 1.111)]))
    coords = [rng.normal() + np.cumsum(rng.choice(gap, n)) for n in shape]
    unit = rng.choice([0.5, 1.0, 3.0], d)
    least = rng.choice([0.0, 0.0, 0.2, 1.0], d)
    # Whole numbers: sums are exact, so ties are ties.
    prefer = rng.integers(0, 3, shape).astype(float)
    return good, coords, unit, least, prefer


# Batches of one make the search finish its first candidates at once, so that the bound has
# something to beat and drops most of the others, as it does on grids of real size.
BATCHES = (1, 8192)
# With no grid small enough to try every box, the search itself is looked at.
FEW = (0, box_search._FEW_BOXES)


@given(grids(), st.sampled_from(BATCHES), st.sampled_from(FEW))
@settings(max_examples=500, deadline=None)
def test_it_is_the_largest_of_all_boxes(case, batch, few):
    best = best_of(every_box(*case))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(box_search, "_BATCH", batch)
        patch.setattr(box_search, "_FEW_BOXES", few)
        found = largest_box(*case)
    if best is None:
        assert found is None
    else:
        assert (found.lo, found.hi) == best[2:]
        assert found.size == pytest.approx(best[0], rel=1e-12)


@given(grids())
@settings(max_examples=100, deadline=None)
def test_without_preference_the_lowest_corner_wins(case):
    good, coords, unit, least, prefer = case
    best = best_of(every_box(good, coords, unit, least, 0 * prefer))
    found = largest_box(good, coords, unit, least)
    assert (found and (found.lo, found.hi)) == (best and best[2:])


@given(grids())
@settings(max_examples=100, deadline=None)
def test_small_batches_and_few_held_ties_change_nothing(case):
    """The limits that keep memory small must not show in the answer."""
    whole = largest_box(*case)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(box_search, "_BATCH", 2)
        patch.setattr(box_search, "_HELD_TIES", 1)
        patch.setattr(box_search, "_FEW_BOXES", 0)
        assert largest_box(*case) == whole


def region(shape, seed, kind):
    rng = np.random.default_rng(seed)
    at = np.stack(np.meshgrid(*[np.linspace(-1, 1, n) for n in shape], indexing="ij"))
    if kind == "blob":
        far = ((at - rng.uniform(-0.3, 0.3, len(shape)).reshape(-1, *[1] * len(shape))) ** 2).sum(0)
    else:
        slope = rng.normal(size=len(shape))
        far = np.abs(np.tensordot(slope / np.linalg.norm(slope), at, 1)) * 2
    return far + 0.05 * rng.normal(size=far.shape) < 0.8


@pytest.mark.parametrize("few", FEW)
@pytest.mark.parametrize("batch", BATCHES)
@pytest.mark.parametrize("kind", ["blob", "ridge"])
@pytest.mark.parametrize("shape", [(6, 7, 8), (12, 13), (4, 5, 4, 5)])
def test_regions_as_a_bench_gives_them(shape, kind, batch, few, monkeypatch):
    monkeypatch.setattr(box_search, "_BATCH", batch)
    monkeypatch.setattr(box_search, "_FEW_BOXES", few)
    for seed in range(3):
        good = region(shape, seed, kind)
        coords = [np.arange(float(n)) for n in shape]
        zeros = np.zeros(shape)
        best = best_of(every_box(good, coords, [1.0] * len(shape), [0.0] * len(shape), zeros))
        found = largest_box(good, coords, [1.0] * len(shape))
        assert (found.lo, found.hi) == best[2:]


@pytest.mark.parametrize("kind", ["blob", "ridge"])
def test_six_axes_in_seconds_and_nothing_larger_next_to_it(kind):
    shape = (9,) * 6
    good = region(shape, 5, kind)
    coords = [np.arange(float(n)) for n in shape]
    start = time.perf_counter()
    found = largest_box(good, coords, [1.0] * 6)
    # About 0.3 s on a quiet machine; the limit only catches a search that has lost its bound.
    assert time.perf_counter() - start < 20
    part = [slice(p, q + 1) for p, q in zip(found.lo, found.hi, strict=True)]
    assert good[tuple(part)].all()
    for a in range(6):
        for p, q in ((found.lo[a] - 1, found.hi[a]), (found.lo[a], found.hi[a] + 1)):
            wider = [*part]
            wider[a] = slice(max(p, 0), q + 1)
            if p >= 0 and q < 9:
                assert not good[tuple(wider)].all()


def test_a_box_planted_in_noise_is_found_on_a_long_axis():
    rng = np.random.default_rng(2)
    good = rng.random((300, 9, 11)) < 0.3
    good[100:260, 2:8, 3:9] = True
    good[99, 2, 3] = good[260, 2, 3] = good[100, 1, 3] = good[100, 8, 3] = False
    good[100, 2, 2] = good[100, 2, 9] = False
    coords = [np.arange(300.0), np.arange(9.0), np.arange(11.0)]
    found = largest_box(good, coords, [1.0, 1.0, 1.0])
    assert (found.lo, found.hi) == ((100, 2, 3), (259, 7, 8))
    assert found.size == pytest.approx((159 + WIDTH_OFFSET) * (5 + WIDTH_OFFSET) ** 2)


def test_by_hand():
    # Rows at 10, 20, 40; unit 10. A wide flat strip against a square.
    good = np.array([[1, 1, 1, 1], [1, 1, 0, 0], [0, 0, 0, 0]], dtype=bool)
    coords = [[10.0, 20.0, 40.0], [0.0, 1.0, 2.0, 3.0]]
    square = largest_box(good, coords, [10.0, 1.0])
    assert (square.lo, square.hi) == ((0, 0), (1, 1))
    assert square.size == pytest.approx(1.001 * 1.001)
    strip = largest_box(good, coords, [10.0, 1.0], [0.0, 2.0])
    assert (strip.lo, strip.hi) == ((0, 0), (0, 3))
    assert strip.size == pytest.approx(0.001 * 3.001)
    assert largest_box(good, coords, [10.0, 1.0], [10.0, 2.0]) is None
    # An axis of one level counts as 1, and is never narrower than nothing.
    line = largest_box(good[:1], [[10.0], coords[1]], [10.0, 1.0])
    assert line.size == pytest.approx(3.001)
    assert largest_box(good[:1], [[10.0], coords[1]], [10.0, 1.0], [1.0, 0.0]) is None


def test_preference_decides_between_equal_boxes():
    good = np.array([True, True, False, True, True])
    coords = [np.arange(5.0)]
    assert largest_box(good, coords, [1.0]).lo == (0,)
    assert largest_box(good, coords, [1.0], prefer=np.array([0.0, 0, 9, 0, 1])).lo == (3,)
    assert largest_box(good, coords, [1.0], prefer=np.array([2.0, 0, 9, 0, 1])).lo == (0,)
    # Rounding in the coordinates does not make two steps of 0.1 differ.
    tenths = [np.array([0.0, 0.1, 0.2, 0.3, 0.4])]
    assert largest_box(good, tenths, [1.0], prefer=np.array([0.0, 0, 9, 0, 1])).lo == (3,)


def test_no_good_cell_is_no_box():
    assert largest_box(np.zeros((3, 4), bool), [np.arange(3), np.arange(4)], [1, 1]) is None


# ------------------------------------------------------------------------------ boxes that hold


@given(grids(), st.integers(0, 2**32 - 1), st.sampled_from(FEW))
@settings(max_examples=250, deadline=None)
def test_only_boxes_that_hold_a_place_count(case, seed, few):
    good, coords, unit, least, prefer = case
    rng = np.random.default_rng(seed)
    # On the grid, between its places, one alone, or none asked for.
    holding = [
        None
        if rng.random() < 0.2
        else np.sort(rng.choice([*axis, *(axis + 0.05)], rng.integers(1, 4)))
        for axis in coords
    ]

    # None asked for, or some: off the places by a little, which no sum of them rounds to.
    clear = [float(rng.choice([0.0, 0.53, 1.27])) for _ in coords]

    def holds(lo, hi):
        for axis, places, off, p, q in zip(coords, holding, clear, lo, hi, strict=True):
            if places is None:
                continue
            low = -np.inf if p == 0 and axis[0] <= places[0] else axis[p] + off
            high = np.inf if q == len(axis) - 1 and axis[-1] >= places[-1] else axis[q] - off
            inside = [v for v in places if low < v < high]
            if not inside:
                return False
        return True

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(box_search, "_FEW_BOXES", few)
        found = largest_box(good, coords, unit, least, prefer, holding, clear)
    best = best_of([b for b in every_box(good, coords, unit, least, prefer) if holds(*b[2:])])
    assert (found and (found.lo, found.hi)) == (best and best[2:])


# ------------------------------------------------------------------------------- bad arguments

OK = {"good": np.ones((2, 3), bool), "coords": [[0, 1], [0, 1, 2]], "unit": [1, 1]}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"good": np.ones((2, 3))}, "good must be a bool array"),
        ({"good": np.array(True)}, "good must be a bool array"),
        ({"coords": [[0, 1]]}, "coords must have one entry per axis (2), got 1"),
        ({"coords": [[0, 1], [0, 1]]}, "coords of axis 1 must be 3 strictly ascending"),
        ({"coords": [[1, 0], [0, 1, 2]]}, "coords of axis 0"),
        ({"coords": [[0, 1], [0, 1, np.nan]]}, "coords of axis 1"),
        ({"unit": [1, 0]}, "unit of axis 1 must be above 0, got 0"),
        ({"unit": [1]}, "unit must have one entry per axis"),
        ({"min_width": [0, -1]}, "min_width of axis 1 must be 0 or more"),
        ({"min_width": [0]}, "min_width must have one entry per axis"),
        ({"prefer": np.ones((3, 2))}, "prefer must be finite numbers of shape (2, 3)"),
        ({"prefer": np.full((2, 3), np.nan)}, "prefer must be finite"),
    ],
)
def test_arguments_that_do_not_fit(change, said):
    with pytest.raises(ValueError) as caught:
        largest_box(**(OK | change))
    assert said in str(caught.value)
