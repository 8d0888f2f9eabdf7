"""The text of a coupon's code."""

import numpy as np
import pytest

from dtfexp.coupon.payload import (
    CHARACTERS,
    HALVES,
    LENGTH,
    MOST_PRESSES,
    Label,
    check_character,
    session_code,
)
from dtfexp.describe.errors import CouponError


def test_check_character_of_iso_7064():
    # ISO/IEC 7064, MOD 37,36: "A12425GABC1234002" has the check character M (an example of the
    # Global Release Identifier, which uses this system; from memory).
    assert check_character("A12425GABC1234002") == "M"


@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize("press", [1, 35, 36, 1234, MOST_PRESSES])
def test_there_and_back(half, press):
    label = Label("AB12Z", press, half)
    assert len(label.text) == LENGTH
    assert Label.of(label.text) == label


def test_no_single_slip_and_hardly_a_swap_passes():
    text = Label("7QX0Z", 27, "wash").text
    for place in range(LENGTH):
        for other in set(CHARACTERS) - {text[place]}:
            with pytest.raises(CouponError):
                Label.of(text[:place] + other + text[place + 1 :])
    for place in range(LENGTH - 1):
        first, second = text[place : place + 2]
        if first != second and {first, second} != {"0", "Z"}:
            with pytest.raises(CouponError):
                Label.of(text[:place] + second + first + text[place + 2 :])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "10 capital letters"),
        ("AB12Z1001", "10 capital letters"),
        ("ab12z1001x", "10 capital letters"),
        ("https://ab", "10 capital letters"),
    ],
)
def test_another_code_is_refused(text, says):
    with pytest.raises(CouponError, match=says):
        Label.of(text)


@pytest.mark.parametrize(
    ("half", "press"), [("X", "001"), ("1", "000")], ids=["no half", "press 0"]
)
def test_a_right_check_over_a_wrong_text_is_refused(half, press):
    said = "AB12Z" + half + press
    with pytest.raises(CouponError, match=r"half|press"):
        Label.of(said + check_character(said))


@pytest.mark.parametrize(
    "wrong",
    [("AB12", 1, "one"), ("ab12z", 1, "one"), ("AB12Z", 0, "one"), ("AB12Z", True, "one"),
     ("AB12Z", MOST_PRESSES + 1, "one"), ("AB12Z", 1, "left")],
)  # fmt: skip
def test_a_label_says_what_it_may(wrong):
    with pytest.raises(CouponError, match="got"):
        Label(*wrong)


def test_session_codes_spread():
    codes = {session_code(f"book {k}") for k in range(2000)}
    # Birthday: 2000²/2 pairs over 60 million codes, 0.03 expected to meet.
    assert len(codes) >= 1998
    places = [set(column) for column in zip(*codes, strict=True)]
    assert all(place == set(CHARACTERS) for place in places)
    assert session_code("book 1") == session_code("book 1")
    assert np.all([Label(code, 1) for code in codes])
