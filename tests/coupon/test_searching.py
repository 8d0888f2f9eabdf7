"""Coupons found without their codes: where they lie, and whose they can be."""

import numpy as np
import pytest

pytest.importorskip("skimage")
pytest.importorskip("zxingcpp")

from dtfexp.book.coupons.picture_file import picture
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import searching
from dtfexp.coupon.reading.reading import find
from tests.coupon.cases import PRESSES, SESSION, drawn_case


@pytest.mark.parametrize(
    "seed",
    [
        7231,  # the solid has lost corners, and three marks are worn
        7123,  # white cloth shows where dark print was
        7138,  # one code is read, which says but roughly where the coupon lies
    ],
)
def test_a_coupon_is_found_where_it_lies(seed):
    case = drawn_case(seed, "drawn")
    found, refused = find(picture(case.content), SESSION, PRESSES)
    assert [one.place.label for one in found] == [one.label for one in case.truths]
    assert not refused


def test_dark_modules_alone_are_never_taken_for_another_logbook_s():
    rng = np.random.default_rng(3)
    ours = [Label(SESSION, press, half) for press in PRESSES for half in ("wash", "keep")]
    for _ in range(300):
        session = "".join(rng.choice(list("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"), 5))
        drawn = np.tile(searching._data(Label(session, int(rng.choice(PRESSES)), "wash").text), 2)
        seen = drawn & (rng.random(drawn.size) > rng.uniform(0.1, 0.7))
        label, _ = searching._likeliest(ours, seen, seen, ~seen)
        assert label is None
    drawn = np.tile(searching._data(ours[7].text), 2)
    seen = drawn & (rng.random(drawn.size) > 0.5)
    assert searching._likeliest(ours, seen, seen, ~seen)[0] == ours[7]
