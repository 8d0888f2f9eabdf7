"""Fabrics and their heat limits."""

import math

import pytest

from dtfexp import Fabric, SessionError
from dtfexp.describe.fabric import as_fabric


def test_a_plain_string_is_a_fabric():
    assert as_fabric("cotton") == Fabric("cotton")
    assert Fabric("cotton").heat_limit is None and Fabric("cotton").limit_in("F") is None
    assert as_fabric(Fabric("nylon", 150)).heat_limit == 150
    with pytest.raises(SessionError, match="got 7; give a Fabric or its name"):
        as_fabric(7)


def test_limit_is_told_in_either_unit():
    assert Fabric("nylon", 160).limit_in("°F") == 320
    assert Fabric("nylon", 320, "F").limit_in("C") == 160
    assert repr(Fabric("nylon", 320, "F")) == "Fabric('nylon', up to 320 °F)"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"heat_limit": "hot"}, "heat_limit: got 'hot'; accepted a temperature"),
        ({"heat_limit": math.nan}, "heat_limit: got nan"),
        ({"heat_limit": True}, "heat_limit: got True"),
        ({"heat_limit": -300}, "below absolute zero"),
        ({"unit": "bar"}, "unit is 'bar'; a heat limit is in °C or °F"),
        ({"unit": "K"}, "unit 'K' is not known"),
        ({"notes": 3}, "notes: got 3; accepted text"),
        ({"notes": "\ud800"}, "accepted text"),
    ],
)
def test_a_bad_fabric(changes, said):
    with pytest.raises(SessionError) as caught:
        Fabric("nylon", **changes)
    text = str(caught.value)
    assert text.startswith("fabric 'nylon'") and said in text and "\n" not in text
