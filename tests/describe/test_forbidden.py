"""Forbidden corners: how they are written, what they hold, and what is refused."""

import sys

import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Outcome, Session, SessionError

CURE = Factor("cure temperature", 110, 150, "°C", 5, "cure")
CURE_TIME = Factor("cure time", 30, 120, "s", 10, "cure")
PRESS = Factor("press temperature", 280, 340, "°F", 5, hard_to_change=True)
PRESSURE = Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press")


def make(*forbidden, factors=(CURE, CURE_TIME, PRESS, PRESSURE)):
    return Session(
        "T", factors, [Outcome("peel")], ["cotton", Fabric("nylon", 160)], forbidden=forbidden
    )


HOT_AND_LONG = {"cure temperature": "> 140", "cure_time": "> 90 s", "note": "yellows"}


def settings(**changes):
    usual = {"cure temperature": 125.0, "cure time": 60.0, "press temperature": 310.0}
    return usual | {"pressure": "medium"} | changes


def frame(*rows):
    return pd.DataFrame([settings(**row) for row in rows])


def test_a_press_is_forbidden_only_where_every_condition_holds():
    session = make(HOT_AND_LONG)
    tried = frame(
        {"cure temperature": 145.0, "cure time": 100.0},
        {"cure temperature": 140.0, "cure time": 100.0},  # "> 140" leaves 140 itself
        {"cure temperature": 145.0, "cure time": 90.0},
        {},
    )
    assert session.permits(tried).tolist() == [False, True, True, True]
    assert make().permits(tried).tolist() == [True] * 4
    assert session.permits(tried.iloc[:0]).tolist() == []


def test_one_press_is_told_what_forbids_it():
    session = make(HOT_AND_LONG)
    found = session.clash(settings(**{"cure temperature": 150.0, "cure time": 120.0}), "cotton")
    assert str(found) == "cure temperature > 140 with cure time > 90 s: yellows"
    assert session.clash(settings(), "cotton") is None


@pytest.mark.parametrize(
    ("written", "first", "last"),
    [
        ("> 300 °F", 305, 340),
        ("> 149 °C", 305, 340),  # 149 °C is 300.2 °F
        (">= 148.8 C", 300, 340),
        ("≤ 290", 280, 290),
        ("<290", 280, 285),
        ("290 to 300", 290, 300),
        ("143 to 149 °C", 290, 300),
        ("290-300 F", 290, 300),
        ("= 300", 300, 300),
        (300, 300, 300),
    ],
)
def test_numbers_may_be_written_in_many_ways_and_either_unit(written, first, last):
    session = make({"press_temperature": written})
    tried = frame(*({"press temperature": t} for t in PRESS.settings()))
    bad = tried["press temperature"][~session.permits(tried)]
    assert (bad.min(), bad.max()) == (first, last)


def test_words_and_single_fabrics():
    session = make({"pressure": ["Light", "firm"], "fabric": "NYLON"}, {"pressure": "light"})
    tried = frame({"pressure": "light"}, {"pressure": "firm"}, {})
    assert session.permits(tried, "nylon").tolist() == [False, False, True]
    assert session.permits(tried, "cotton").tolist() == [False, True, True]
    assert session.permits(tried).tolist() == [False, True, True]
    tried.insert(0, "fabric", ["cotton", "nylon", "nylon"])
    assert session.permits(tried).tolist() == [False, False, True]
    assert session.permits(tried.assign(fabric="cotton")).tolist() == [False, True, True]


def test_with_its_unit_it_may_lie_outside_the_range():
    session = make({"cure temperature": "> 155 °C"}, {"cure time": "130 s to 150 s"})
    assert session.permits(frame({"cure temperature": 150.0, "cure time": 120.0})).all()


def test_text_and_back_keeps_them():
    session = make(HOT_AND_LONG, {"pressure": ["firm"], "fabric": "nylon"})
    assert Session.from_toml(session.to_toml()) == session
    inline = (
        make()
        .to_toml()
        .replace(
            "\n[[fabrics]]",
            'forbidden = [{cure_temperature = "> 140", cure_time = "> 90 s", note = "yellows"},'
            ' {pressure = "firm", fabric = "nylon"}]\n\n[[fabrics]]',
            1,
        )
    )
    assert Session.from_toml(inline) == session
    assert "yellows" in session._repr_html_()
    assert "forbidden" not in make().to_toml()


@pytest.mark.parametrize(
    ("corner", "said"),
    [
        ({}, "name at least one factor"),
        ({"note": "no"}, "name at least one factor"),
        ({"cure tim": "> 140"}, "did you mean 'cure time'"),
        ({"cure temperature": "> 140", "fabric": "wool"}, "fabric 'wool' is not in this session"),
        ({"cure temperature": "hot"}, "cure temperature is 'hot'; write such as"),
        ({"cure temperature": "> 140 s"}, "cannot convert"),
        ({"cure temperature": "> 284"}, "never happens: it is set from 110 °C to 150 °C"),
        ({"cure temperature": "150 to 140"}, "write the lower number first"),
        ({"cure temperature": ["140"]}, "write such as"),
        ({"cure temperature": None}, "cure temperature: got None"),
        ({"pressure": "> 2"}, "accepted one of light, medium, firm"),
        ({"cure_time": 30, "cure time": 40}, "is given twice"),
        (3, "forbidden: got 3; accepted a list"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_line(corner, said):
    with pytest.raises(SessionError) as caught:
        make(corner) if isinstance(corner, dict) else Session(
            "T", [CURE], [Outcome("peel")], ["cotton"], forbidden=corner
        )
    assert said in str(caught.value) and "\n" not in str(caught.value)
    assert str(caught.value).startswith(("forbidden, number 1", "session, forbidden"))


def test_corners_that_leave_nothing_name_the_fabric_and_themselves():
    with pytest.raises(SessionError) as caught:
        make(
            {"pressure": ["light", "medium"]},
            {"pressure": "firm", "press temperature": "> 300", "fabric": "cotton"},
            {"pressure": "firm", "press temperature": "<= 320", "fabric": "nylon"},
        )
    # 320 °F is the last step below nylon's 160 °C, so nylon has nothing left; cotton has.
    assert "fabric 'nylon'" in str(caught.value) and "<= 320" in str(caught.value)
    assert "> 300" not in str(caught.value)


def test_hundreds_of_corners_are_refused_and_a_hundred_are_soon_looked_through():
    """Counted, not timed: how often a corner is asked whether a press lies in it."""
    corners = [{"pressure": f"> {k}"} for k in range(101)]
    with pytest.raises(SessionError, match=r"got 101 corners; accepted are at most 100"):
        make(*corners)
    words = [Factor(f"w{k}", levels=("a", "b"), ordered=False) for k in range(18)]
    # Nothing is left, and only a look at every one of 2**18 presses would show it.
    every = [{"w0": "b"}, {"w0": "a", "w17": "a"}, {"w0": "a", "w17": "b"}]
    every += [{"w0": "a", f"w{1 + k % 16}": "ab"[k % 2], "w16": "b"} for k in range(97)]
    asked = 0

    def count(frame, event, _argument):
        nonlocal asked
        asked += event == "call" and frame.f_code.co_name == "holds"

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        Session("s", words, [Outcome("peel")], ["jersey"], forbidden=every[::-1])
    finally:
        sys.setprofile(before)
    assert 10_000 < asked < 250_000
