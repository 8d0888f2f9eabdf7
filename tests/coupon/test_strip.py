"""Coupons on a strip of film."""

import itertools

import numpy as np
import pytest

from dtfexp.coupon.layout import WIDTH, coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.raster import coupon_picture
from dtfexp.coupon.strip import LEADER, ink_areas, strip_of, white_layer
from dtfexp.describe.errors import CouponError

LABELS = [Label("AB12Z", number, half) for number in (1, 2) for half in ("wash", "keep")]


@pytest.mark.parametrize(("width", "across"), [(90, 1), (184.9, 1), (185, 2), (300, 3), (600, 6)])
def test_as_many_side_by_side_as_fit(width, across):
    labels = [Label("AB12Z", number) for number in range(1, 8)]
    strip = strip_of(labels, width, 5)
    assert sum(y == LEADER for _, y in strip.corners) == across
    assert all(x >= 0 and x + WIDTH <= width + 1e-9 for x, _ in strip.corners)
    height = coupon_layout().height
    assert strip.length == pytest.approx(
        2 * LEADER + len(strip.rows) * height + (len(strip.rows) - 1) * 5
    )
    for (x0, y0), (x1, y1) in itertools.combinations(strip.corners, 2):
        assert max(abs(x0 - x1) - WIDTH, abs(y0 - y1) - height) >= 5 - 1e-6


def test_film_too_narrow_is_refused():
    with pytest.raises(CouponError, match="got 89 mm; a coupon needs at least 90 mm"):
        strip_of(LABELS, 89, 5)


@pytest.mark.parametrize("mirror", [False, True])
def test_the_bands_hold_every_coupon_where_it_is_said(mirror):
    per_mm = 4
    strip = strip_of(LABELS, 200, 5)
    pictures = [coupon_picture(label, per_mm) for label in strip.labels]
    whole = np.concatenate(list(strip.bands(per_mm, pictures, mirror)))
    assert whole.shape == (round(strip.length * per_mm), 200 * per_mm, 4)
    for picture, (x, y) in zip(pictures, strip.corners, strict=True):
        here = (whole[:, ::-1] if mirror else whole)[round(y * per_mm) :, round(x * per_mm) :]
        assert np.array_equal(here[: len(picture), : picture.shape[1]], picture)


def test_cut_lines_lie_between_coupons_and_round_the_last():
    strip = strip_of(LABELS, 200, 6)
    for line in strip.cut_lines():
        x0, y0, x1, y1 = line.box
        for x, y in strip.corners:
            height = coupon_layout("wash").height
            apart = max(x - x1, x0 - x - WIDTH, y - y1, y0 - y - height)
            assert apart > 2.5, line
    tops = {
        round(line.box[1] + 0.15, 3) for line in strip.cut_lines() if line.box[2] - line.box[0] > 1
    }
    height = coupon_layout("wash").height
    assert tops == {round(LEADER - 3, 3), round(LEADER + height + 3, 3),
                    round(LEADER + 2 * height + 9, 3)}  # fmt: skip


@pytest.mark.parametrize("width", [90, 93, 200])
def test_no_cut_line_leaves_the_film(width):
    for line in strip_of(LABELS, width, 6).cut_lines():
        x0, _, x1, _ = line.box
        assert x0 >= 0 and x1 <= width


def test_white_lies_under_all_ink_and_nowhere_else():
    picture = coupon_picture(LABELS[0], 5)
    white = white_layer(picture)
    assert white.shape == picture.shape[:2]
    assert np.array_equal(white == 0, picture[..., 3] == 255) and set(np.unique(white)) == {0, 255}


def test_ink_is_counted_in_square_centimetres():
    picture = np.zeros((20, 30, 4), dtype=np.uint8)
    picture[:10, :10] = 255  # white only, 1 cm² at one pixel a mm
    picture[10:, :10] = (0, 0, 0, 255)
    assert ink_areas([picture, picture], 1) == (2, 4)
