"""A grade with a slash could be half-way between two or so many out of so many: never guessed."""

import pytest

from dtfexp import Outcome
from dtfexp.book.store import typed_values
from dtfexp.describe.errors import ResultsError


@pytest.mark.parametrize("written", ["4/5", "1/2", " 3 / 4 ", "4⁄5", "4/10"])
def test_a_slash_is_refused_with_what_is_accepted(written):
    with pytest.raises(ValueError, match=r"written 4-5 or 4\.5, 4 out of 5 is written 4") as caught:
        Outcome("shade", step=0.5).check(written)
    assert written.strip() in str(caught.value)
    with pytest.raises(ValueError, match="4 out of 5 is written 4") as caught:
        Outcome("peel").check(written)
    assert "4.5" not in str(caught.value), "no half grades on this scale"
    with pytest.raises(ResultsError, match=r"accepted 1 to 5 in steps of 0.5 \(half-way"):
        typed_values.grade(Outcome("shade", step=0.5), written)


def test_a_dash_and_a_decimal_stay_half_grades():
    shade = Outcome("shade", step=0.5)
    assert [shade.check(text) for text in ("4-5", "4–5", "5 - 4", "4.5", "4,5")] == [4.5] * 5
