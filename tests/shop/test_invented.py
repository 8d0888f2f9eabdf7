"""The drawn photo of the demo: read back, it proposes the grades it was drawn for."""

import pytest

pytest.importorskip("skimage")
pytest.importorskip("zxingcpp")

from dtfexp.book.coupons import pictures
from dtfexp.coupon.proposals import proposals
from dtfexp.shop.demo_bench import demo_session
from dtfexp.shop.invented.washed_coupons import washed_picture

GRADES = {17: 5.0, 16: 4.0, 3: 2.0}


def test_the_drawn_coupons_propose_their_grades():
    read = washed_picture("AB3X9", GRADES)
    outcomes = demo_session().outcomes
    found = {one.measures.label.press: one.measures for one in read.coupons}
    told = {press: proposals(outcomes, one, 5)["wash"].value for press, one in found.items()}
    assert told == GRADES and not read.refused
    assert found[17].letters.value == 4


def test_without_the_libraries_the_demo_says_what_to_install(monkeypatch):
    monkeypatch.setattr(pictures, "_NEEDED", ("no_such_library",))
    assert "pip install 'dtfexp[read]'" in washed_picture("AB3X9", GRADES)
