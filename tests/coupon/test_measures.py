"""Measures of a coupon as they are kept."""

import json

import pytest

from dtfexp.coupon.measures import ColourChange, CouponMeasures, Measured
from dtfexp.coupon.payload import Label
from dtfexp.describe.errors import CouponError


def example(**more):
    change = ColourChange((50, 10, -20), (55, 8, -18), Measured(5.1, 0.4))
    return CouponMeasures(
        Label("AB12Z", 12, "wash"),
        "before",
        missing=Measured(2.5, 0.6),
        line=Measured(0.3, 0.1),
        colours={"cyan": change},
        quality={"blur": 0.08},
        **more,
    )


def test_there_and_back_through_json():
    one = example()
    assert CouponMeasures.of_said(json.loads(json.dumps(one.said()))) == one
    assert one.gap is None and "gap" not in one.said()


@pytest.mark.parametrize(
    "spoil",
    [
        {"code": "AB12ZW00C0"},
        {"against": "memory"},
        {"missing": [1.0]},
        {"missing": [float("nan"), 0.1]},
        {"missing": [1.0, -0.1]},
        {"colours": {"cyan": [[1, 2], [1, 2, 3], 1, 0.1]}},
        {"colours": None},
    ],
)
def test_other_contents_are_refused(spoil):
    with pytest.raises(CouponError):
        CouponMeasures.of_said(example().said() | spoil)
