"""Where things are on a coupon, and what is drawn of them."""

import itertools

import numpy as np
import pytest

from dtfexp.coupon.glyphs import text_outlines, text_width
from dtfexp.coupon.layout import (
    BARE,
    CODE_MODULES,
    INKS,
    LETTERS,
    MODULE,
    QUIET,
    WIDTHS,
    coupon_layout,
)
from dtfexp.coupon.outlines import code_modules, coupon_shapes
from dtfexp.coupon.payload import HALVES, Label
from dtfexp.coupon.raster import coupon_picture
from dtfexp.describe.resources import Supplies

halves = pytest.mark.parametrize("half", HALVES)


def printed(half):
    return [one for one in coupon_layout(half).features if one.kind not in ("gap", "bank")]


@halves
def test_nothing_overlaps_and_the_edge_is_bare(half):
    layout = coupon_layout(half)
    for one in layout.features:
        assert one.x >= BARE - 1e-9 and one.x + one.width <= layout.width - BARE + 1e-9, one
        assert one.y >= BARE - 1e-9 and one.y + one.height <= layout.height - BARE + 1e-9, one
    for one, two in itertools.combinations(printed(half), 2):
        apart = max(
            one.x - two.x - two.width, two.x - one.x - one.width,
            one.y - two.y - two.height, two.y - one.y - one.height,
        )  # fmt: skip
        assert apart >= 1, (one.name, two.name)


@halves
def test_every_name_is_there_once(half):
    names = [one.name for one in coupon_layout(half).features]
    assert len(names) == len(set(names))
    assert ("half" in names) == (half != "one")


@halves
def test_nothing_is_drawn_outside_its_feature(half):
    layout = coupon_layout(half)
    for shape in coupon_shapes(Label("AB12Z", 46655, half)):
        x, y = shape.points.T
        inside = [
            one
            for one in layout.features
            if x.min() >= one.x - 1e-6 and x.max() <= one.x + one.width + 1e-6
            and y.min() >= one.y - 1e-6 and y.max() <= one.y + one.height + 1e-6
        ]  # fmt: skip
        assert inside, shape


def test_lines_and_gaps_go_from_a_tenth_to_two_millimetres():
    layout = coupon_layout()
    for kind in ("line", "gap"):
        found = layout.of_kind(kind)
        assert tuple(one.size for one in found) == WIDTHS
        assert [one.width for one in found] == pytest.approx(WIDTHS)
    assert (WIDTHS[0], WIDTHS[-1]) == (0.1, 2.0)
    assert sorted(one.size for one in layout.of_kind("letters")) == [4, 5, 6, 7, 8, 10, 12]


@pytest.mark.parametrize("per_mm", [300 / 25.4, 600 / 25.4], ids=["300 dpi", "600 dpi"])
def test_a_line_is_as_wide_as_whole_pixels_can(per_mm):
    layout, picture = coupon_layout("keep"), coupon_picture(Label("AB12Z", 7, "keep"), per_mm)
    for one in layout.of_kind("line", "gap"):
        row = int((one.y + one.height / 2) * per_mm)
        span = slice(int((one.x - 1) * per_mm), int((one.x + one.width + 1) * per_mm))
        wide = np.count_nonzero((picture[row, span, 3] > 0) == (one.kind == "line"))
        assert wide == max(1, np.floor(one.size * per_mm + 0.5)), one


def test_ink_is_full_or_absent_and_white_lies_under_all():
    picture = coupon_picture(Label("AB12Z", 7), 10)
    assert set(np.unique(picture[..., 3])) == {0, 255}
    colours = np.unique(picture[picture[..., 3] > 0][:, :3], axis=0)
    assert {tuple(int(v) for v in one) for one in colours} == set(INKS.values())
    assert not picture[picture[..., 3] == 0].any()


def test_the_solid_covers_its_box():
    (solid,) = coupon_layout().of_kind("solid")
    picture = coupon_picture(Label("AB12Z", 7), 10)
    teal = np.all(picture == (*INKS["teal"], 255), axis=2)
    box = teal[int(solid.y * 10) :, int(solid.x * 10) :][: int(solid.height * 10)]
    assert box[:, : int(solid.width * 10)].all()
    assert solid.width * solid.height > 1500  # mm²: what blisters is a large solid


def test_marks_are_chessboards_with_the_middle_where_it_is_said():
    picture = coupon_picture(Label("AB12Z", 7), 10)
    for x, y in coupon_layout().mark_centres:
        column, row = round(x * 10), round(y * 10)
        white = picture[row - 30 : row + 30, column - 30 : column + 30, 0] == 255
        assert not white[:30, :30].any() and not white[30:, 30:].any()
        assert white[:30, 30:].all() and white[30:, :30].all()


def test_ring_is_open_in_the_middle():
    (ring,) = coupon_layout().of_kind("ring")
    picture = coupon_picture(Label("AB12Z", 7), 20)
    alpha = picture[int(ring.y * 20) :, int(ring.x * 20) :, 3][:220, :220] > 0
    # The area of a ring 11 mm across with a stroke of 1 mm.
    assert alpha.sum() / 400 == pytest.approx(np.pi * (5.5**2 - 4.5**2), rel=0.02)  # a pixel's edge
    assert not alpha[110, 110]


@halves
def test_the_code_is_read_by_another_library_and_upside_down(half):
    zxingcpp = pytest.importorskip("zxingcpp")
    label = Label("AB12Z", 1234, half)
    picture = coupon_picture(label, 10)
    cloth = np.where(picture[..., 3:] > 0, picture[..., :3], np.uint8(30))
    for turned in (cloth, cloth[::-1, ::-1]):
        found = zxingcpp.read_barcodes(np.ascontiguousarray(turned))
        assert [one.text for one in found] == [label.text] * 2


def test_the_code_is_the_strongest_of_its_size():
    modules = code_modules(Label("AB12Z", 1).text)
    assert modules.shape == (CODE_MODULES, CODE_MODULES)
    # Format bits beside the upper left finder: level H is 10 (ISO/IEC 18004, mask 101010000010010).
    assert [int(b) for b in modules[8, :2]] == [1 ^ 1, 0 ^ 0]
    assert MODULE >= 0.8 and QUIET == 4


def test_text_is_as_wide_as_said_and_every_letter_differs():
    x0, y0, height = 3.0, 5.0, 2.0
    points = np.concatenate(text_outlines(LETTERS, x0, y0, height))
    assert points.min(axis=0) == pytest.approx([x0, y0], abs=0.02)
    far = [x0 + text_width(LETTERS, height), y0 + height]
    assert points.max(axis=0) == pytest.approx(far, abs=0.02)
    drawn = [np.concatenate(text_outlines(c, 0, 0, 1)).round(6).tobytes() for c in "0123456789"]
    assert len(set(drawn)) == 10


def test_different_presses_have_different_pictures():
    first, second = (coupon_picture(Label("AB12Z", n), 5) for n in (1, 2))
    assert first.shape == second.shape and np.any(first != second)


def test_a_plan_counts_film_and_powder_for_the_coupon_that_is_drawn() -> None:
    whole, used = coupon_layout(), Supplies()
    assert (used.coupon_width, used.coupon_height) == (whole.width, whole.height)
