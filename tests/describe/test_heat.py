"""The heat gate: what a fabric may meet, and what it says about itself."""

import math

import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Outcome, Session, SessionError
from dtfexp.describe.calibration import calibration_line, machine_reach
from dtfexp.describe.heat import _rounded, usual

#: Nine spots of a platen about their mean, the hottest 6.1 above it.
SPOTS = (-6.0, -3.1, -1.0, 0.0, 0.5, 1.0, 1.2, 1.3, 6.1)


def press(low=120, high=180, unit="°C", **more):
    return Factor("press temperature", low, high, unit, 1, hard_to_change=True, **more)


TIME = Factor("press time", 8, 24, "s", 1)
PRESSURE = Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press")
CURE = Factor("cure temperature", 110, 160, "°C", 5, "cure", spread=4)


def make(heat=None, *, limit=150.0, forbidden=(), strict=True, fabric=None, **more):
    heat = press(spread=3) if heat is None else heat
    fabrics = ["cotton", fabric or Fabric("nylon shell", limit, **more)]
    factors = [CURE, heat, TIME, PRESSURE]
    return Session("T", factors, [Outcome("peel")], fabrics, forbidden=forbidden, strict=strict)


def test_a_line_through_readings_by_hand():
    # (0, 1), (10, 13), (20, 22): mean 10 and 12, slope (10*11 + 10*10) / 200 = 1.05
    intercept, slope = calibration_line([(0, 1), (10, 13), (20, 22)])
    assert slope == pytest.approx(1.05) and intercept == pytest.approx(1.5)
    assert calibration_line([]) == (0.0, 1.0)
    assert calibration_line([(150, 159.9)]) == (pytest.approx(9.9), 1.0)
    assert calibration_line([(150, 158), (150, 160)]) == (pytest.approx(9.0), 1.0)


@pytest.mark.parametrize(
    ("more", "hottest"),
    [
        ({}, 150),
        ({"spread": 3}, 153),
        ({"spots": SPOTS}, 156.1),
        ({"readings": [[150, 159.9]]}, 159.9),
        ({"readings": [[150, 159.9]], "spread": 3}, 162.9),
        ({"readings": [[150, 159.9]], "spots": SPOTS}, 166.0),
        ({"readings": [[140, 150], [160, 174]], "spread": 0}, 162),
        # Steeper than the dial: a degree of the dial is 1.2 on the platen, in spots too.
        ({"readings": [[140, 150], [160, 174]], "spots": (-5, 5)}, 168),
        # Flatter: spots are not taken for smaller than they were told.
        ({"readings": [[140, 150], [160, 166]], "spots": (-5, 5)}, 163),
        ({"readings": [[150, 130]], "spread": 3}, 150),  # cooler than its dial: not trusted
        ({"spots": (-9, -5)}, 150),
    ],
)
def test_the_hottest_that_may_be_met(more, hottest):
    factor = press(**more)
    assert factor.hottest(150) == pytest.approx(hottest)
    assert factor.measured is bool(more.get("readings") or more.get("spots"))


def test_the_highest_setting_is_the_inverse_of_the_hottest():
    for found in (
        machine_reach([], (), 3.0),
        machine_reach([(140, 150), (160, 174)], SPOTS, 0.0),
        machine_reach([(150, 130)], (), 2.0),
    ):
        dial = found.highest_set(150.0)
        assert found.hottest(dial) == pytest.approx(150.0) or dial == 150.0
        assert found.hottest(dial) <= 150.0 + 1e-9 < found.hottest(dial + 0.01)


def test_the_limit_holds_for_what_the_press_reaches():
    assert make().highest("press temperature", "nylon shell") == 147
    assert make(press(spread=3)).highest("press temperature", "cotton") == 180
    measured = make(press(readings=[(150, 159.9)], spots=SPOTS))
    assert measured.highest("press temperature", "nylon shell") == 134
    assert measured.allowed(CURE, "nylon shell") == CURE.settings()
    # 302 °F, less 12.5 °F of spread; the limit itself is given in °C.
    hot = make(press(250, 340, "°F", spread=12.5))
    assert hot.highest("press temperature", "nylon shell") == 289


def test_the_limit_as_a_person_reads_it():
    assert make().limit_note("cotton") == ""
    assert make(press(readings=[(150, 159.9)], spots=SPOTS)).limit_note("nylon shell") == (
        "nylon shell takes 150 °C at most. The heat press reaches up to 16 °C above its dial "
        "(measured): set 134 °C or less."
    )
    assert make().limit_note("nylon shell") == (
        "nylon shell takes 150 °C at most. The heat press may run hotter than its dial "
        "(not measured: allowance 3 °C): set 147 °C or less."
    )
    # Rounded to the safe side: 147 °C is 296.6 °F, 3 °C wide is 5.4 °F.
    assert make().limit_note("nylon shell", unit="°F") == (
        "nylon shell takes 302 °F (150 °C) at most. The heat press may run hotter than its dial "
        "(not measured: allowance 6 °F): set 296 °F or less."
    )
    assert "(not measured, no allowance): set 150 °C or less" in (
        make(press()).limit_note("nylon shell")
    )
    cool = make(press(readings=[(150, 140)])).limit_note("nylon shell")
    assert "reaches no more than its dial (measured): set 150 °C or less" in cool


def test_a_press_past_the_limit_is_refused_with_what_it_meets():
    session = make(press(readings=[(150, 159.9)], spots=SPOTS))
    assert session.refusal({"press temperature": 134}, "nylon shell") == ""
    assert session.refusal({"press temperature": 150}, "cotton") == ""
    assert session.refusal({"press temperature": 150.0}, "nylon shell") == (
        "nylon shell takes 150 °C at most: press temperature 150 °C reaches up to 166 °C "
        "(measured), 16 °C too hot; set 134 °C or less"
    )
    line = make().refusal({"press temperature": 148, "press time": 90}, "nylon shell")
    assert line == (
        "nylon shell takes 150 °C at most: press temperature 148 °C may reach 151 °C "
        "(not measured: allowance 3 °C), 1 °C too hot; set 147 °C or less"
    )


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"press time": 25}, "cotton, press time: got 25 s; accepted 8 s to 24 s"),
        ({"press time": "long"}, "cotton, press time: got 'long'; accepted 8 s to 24 s"),
        ({"press time": float("nan"), "pressure": None, "by": "me"}, ""),
        ({"press time": 8.5, "pressure": "Firm"}, ""),
        ({"pressure": "hard"}, "cotton, pressure: got 'hard'; accepted light or medium or firm"),
        ({"cure temperature": 100}, "cotton, cure temperature: got 100 °C; accepted 110 °C to"),
    ],
)
def test_a_press_outside_the_ranges_is_refused(settings, said):
    line = make().refusal(settings, "cotton")
    assert line.startswith(said) and bool(line) is bool(said) and "\n" not in line


NYLON = Fabric(
    "nylon shell",
    150,
    usual={"press_time": 10, "Pressure": "Light"},
    ranges={"press_time": [8, 14], "pressure": ["medium", "light"], "cure temperature": (115, 130)},
)


def test_a_fabric_has_its_own_ranges_and_usual():
    session = make(fabric=NYLON)
    own = session.fabric("nylon shell")
    assert own.ranges["pressure"] == ("light", "medium") and own.usual["pressure"] == "light"
    assert session.allowed("pressure", "nylon shell") == ("light", "medium")
    assert session.allowed("pressure", "cotton") == PRESSURE.levels
    assert session.allowed("press time", "nylon shell") == tuple(range(8, 15))
    assert session.allowed("cure temperature", "nylon shell") == (115, 120, 125, 130)
    assert session.usual("press time", "nylon shell") == 10
    assert session.usual("pressure", "nylon shell") == "light"
    assert session.usual("press time", "cotton") == 16
    # Without its own, the factor's usual, moved to the nearest that is allowed.
    assert session.usual("press temperature", "nylon shell") == 147
    assert session.usual("cure temperature", "nylon shell") == 130
    assert "accepted light or medium" in session.refusal({"pressure": "firm"}, "nylon shell")
    assert "accepted 8 s to 14 s" in session.refusal({"press time": 15}, "nylon shell")
    assert Session.from_toml(session.to_toml()) == session


def test_an_ordered_usual_word_moves_to_the_nearest():
    fabric = Fabric("nylon shell", ranges={"pressure": "light"})
    assert make(fabric=fabric).usual("pressure", "nylon shell") == "light"


@pytest.mark.parametrize(("words", "moved"), [(("hot", "cold"), "hot"), (("warm", "cold"), "warm")])
def test_a_usual_word_without_an_order_stays_or_is_the_first_there(words, moved):
    peel = Factor("peel", levels=("hot", "warm", "cold"), usual="warm")
    assert usual(peel, Fabric("nylon shell"), words) == moved


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ({"ranges": {"press tim": (8, 9)}}, "did you mean 'press time'?"),
        ({"ranges": {"press time": (4, 9)}}, "ranges: press time is 4 to 9; it must lie in 8 s"),
        ({"ranges": {"press time": (9, 8)}}, "press time is 9 to 8; write the lower number first"),
        ({"ranges": {"press time": (8.2, 8.4)}}, "no setting lies in it"),
        ({"ranges": {"press time": ("a", "b")}}, "accepted [low, high]"),
        ({"ranges": {"press time": (8,)}}, "accepted each [low, high] or a list of words"),
        ({"ranges": {"pressure": (8, 9)}}, "ranges: pressure: got 8; accepted one of light"),
        (
            {"ranges": {"pressure": ("hard",)}},
            "ranges: pressure: got 'hard'; accepted one of light",
        ),
        (
            {"ranges": [("pressure", "light")]},
            "ranges: got [('pressure', 'light')]; accepted a table",
        ),
        ({"usual": {"press time": 30}}, "usual: press time: got 30; accepted from 8 s to 24 s"),
        ({"usual": {"press time": "x"}}, "usual: press time: got 'x'; accepted from 8 s to 24 s"),
        ({"usual": {"pressure": "hard"}}, "usual: pressure: got 'hard'; accepted one of light"),
        ({"usual": {"pressure": True}}, "usual, pressure: got True; accepted a number or a word"),
        (
            {"usual": {"pressure": "firm"}, "ranges": {"pressure": ["light"]}},
            "usual: pressure: got 'firm'; accepted one of light",
        ),
        (
            {"usual": {"press time": 20}, "ranges": {"press time": (8, 12)}},
            "usual: press time: got 20; accepted from 8 s to 12 s",
        ),
    ],
)
def test_bad_settings_of_a_fabric(own, said):
    with pytest.raises(SessionError) as caught:
        make(fabric=Fabric("nylon shell", **own))
    text = str(caught.value)
    assert text.startswith("fabric 'nylon shell'") and said in text and "\n" not in text


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ("hot", "readings is 'hot'; readings are at most 500 pairs [set, reached]"),
        ([150, 159], "readings holds 150; "),
        ([[150]], "readings holds [150.0]; "),
        ([[150, "x"]], "readings: got 'x'; accepted a finite number"),
        ([[150, 159], [151, 165]], "readings rise 6 for each 1 of the dial; accepted 0.5 to 2"),
    ],
)
def test_bad_readings(readings, said):
    with pytest.raises(SessionError) as caught:
        press(readings=readings)
    assert said in str(caught.value) and "\n" not in str(caught.value)
    with pytest.raises(SessionError, match="has no unit, spread, spots or readings"):
        Factor("pressure", levels=("a", "b"), readings=[(1, 2)])


def test_nothing_left_is_refused_in_a_description_with_what_could_be_done():
    with pytest.raises(SessionError) as caught:
        make(press(140, spread=12))
    assert str(caught.value) == (
        "nylon shell takes 150 °C at most, and the lowest setting of press temperature, 140 °C, "
        "may reach 152 °C (not measured: allowance 12 °C): 2 °C too hot; measure the heat "
        "press, lower the range, take a powder that melts lower, or use another method, or leave "
        "this fabric out of the session"
    )
    with pytest.raises(SessionError, match=r"reaches up to 156 .*6 .* too hot; calibrate the heat"):
        make(press(140, readings=[(150, 166)]))
    with pytest.raises(SessionError, match="too hot; lower the range"):
        make(press(160, spread=3))


def test_a_machine_measured_later_leaves_one_fabric_out_and_not_the_session():
    session = make(press(140, spread=3))
    heat = press(140, readings=[(150, 166)])
    hot = session.altered(factors=[CURE, heat, TIME, PRESSURE])
    assert hot.allowed("press temperature", "nylon shell") == ()
    assert hot.allowed("press temperature", "cotton") == press(140).settings()
    assert hot.nothing_left("cotton") == ""
    assert "6 °C too hot; calibrate the heat press" in hot.nothing_left("nylon shell")
    for ask in (hot.highest, hot.usual):
        with pytest.raises(SessionError, match="6 °C too hot; calibrate"):
            ask("press temperature", "nylon shell")
    assert Session.from_toml(hot.to_toml(), strict=False) == hot
    with pytest.raises(SessionError, match="too hot"):
        Session.from_toml(hot.to_toml())


# A sloping limit: 160 °C for 10 s, 150 °C for 20 s, and on the line between and beyond.
LONG = {
    "above": [
        {"press temperature": 160, "press_time": 10},
        {"press temperature": 150, "press time": 20},
    ],
    "note": "shines",
}


def test_a_sloping_limit_forbids_hot_and_long():
    session = make(press(), limit=None, forbidden=[LONG])
    tried = pd.DataFrame(
        [
            (160.0, 10.0, False), (160.0, 9.0, True), (155.0, 15.0, False), (155.0, 14.0, True),
            (150.0, 19.0, True), (140.0, 24.0, True), (161.0, 9.0, False), (180.0, 24.0, False),
        ],
        columns=["press temperature", "press time", "free"],
    )  # fmt: skip
    assert session.permits(tried).tolist() == tried["free"].tolist()
    line = session.refusal({"press temperature": 160, "press time": 12}, "cotton")
    assert line == (
        "cotton: forbidden combination: press temperature and press time on or beyond the "
        "line from 160 °C and 10 s to 150 °C and 20 s: shines"
    )
    assert session.refusal({"press temperature": 160}, "cotton") == ""
    assert Session.from_toml(session.to_toml()) == session


def test_a_sloping_limit_in_other_units_with_a_word_and_for_one_fabric():
    corner = {
        "above": [
            {"press temperature": "320 °F", "press time": "10 s"},
            {"press temperature": "302 F", "press time": 20},
        ],
        "pressure": "firm",
        "fabric": "nylon shell",
    }
    session = make(press(), limit=None, forbidden=[corner])
    row = {"press temperature": 158.0, "press time": 12.0, "pressure": "firm"}
    assert session.refusal(row, "nylon shell") and not session.refusal(row, "cotton")
    assert session.refusal(row | {"pressure": "medium"}, "nylon shell") == ""
    assert session.refusal(row | {"press time": 11.0}, "nylon shell") == ""
    again = Session.from_toml(session.to_toml())
    assert again == session and again.refusal(row, "nylon shell")


def test_a_sloping_limit_that_leaves_nothing():
    above = [
        {"press temperature": 120, "press time": 8},
        {"press temperature": 121, "press time": 7},
    ]
    with pytest.raises(SessionError, match="what is forbidden leaves no setting"):
        make(press(), limit=None, forbidden=[{"above": above}])
    above[0]["press time"] = 9
    assert make(press(), limit=None, forbidden=[{"above": above}]).nothing_left("cotton") == ""


POINT = {"press temperature": 160, "press time": 10}


@pytest.mark.parametrize(
    ("above", "said"),
    [
        ([POINT], "above holds 1 points; give two points"),
        ([POINT, {"press temperature": 150}], "above holds {'press temperature': 150}; give two"),
        ([POINT, POINT], "the line does not fall"),
        ([POINT, {"press temperature": 170, "press time": 12}], "the line does not fall"),
        ([POINT, {"press temperature": 150, "cure temperature": 120}], "the same two factors"),
        ([POINT, {"press temperature": 150, "pressure": 3}], "pressure has words"),
        ([POINT, {"press temperature": "> 150", "press time": 12}], "write a number, such as"),
        ([POINT, {"press heat": 150, "press time": 12}], "factor 'press heat' is not in this"),
        (
            [
                {"press temperature": 320, "press time": 10},
                {"press temperature": 300, "press time": 20},
            ],
            "never happens in these ranges; if that is meant, write the units too",
        ),
    ],
)
def test_bad_sloping_limits(above, said):
    with pytest.raises(SessionError) as caught:
        make(press(), limit=None, forbidden=[{"above": above}])
    text = str(caught.value)
    assert text.startswith("forbidden") and said in text and "\n" not in text


def test_all_of_it_written_by_hand():
    text = """
        name = "By hand"
        [[factors]]
        name = "press temperature"
        low = 120
        high = 180
        unit = "°C"
        readings = [[150, 159.9]]
        spread = 3
        [[factors]]
        name = "press time"
        low = 8
        high = 24
        unit = "s"
        [[outcomes]]
        name = "peel"
        [[fabrics]]
        name = "nylon shell"
        heat_limit = 150
        [fabrics.usual]
        "press time" = 10
        [fabrics.ranges]
        "press time" = [8, 14]
        [[fabrics]]
        name = "cotton"
        [[forbidden]]
        above = [{"press temperature" = 170, "press time" = 10}, {"press temperature" = 160, "press time" = 20}]
    """  # noqa: E501
    session = Session.from_toml(text)
    assert session.highest("press temperature", "nylon shell") == 137
    assert session.usual("press time", "nylon shell") == 10
    assert session.refusal({"press temperature": 170, "press time": 12}, "cotton")
    assert Session.from_toml(session.to_toml()) == session


@pytest.mark.parametrize(
    ("value", "to", "said"),
    [
        # Never less than is too much: upwards in tenths, but not for the last bit of a float.
        (2.005, math.ceil, 2.1), (2.0 + 1e-9, math.ceil, 2),
        # Never more than may be set: downwards in whole steps of the dial.
        (149.95, math.floor, 149), (150.0 - 1e-9, math.floor, 150),
    ],
)  # fmt: skip
def test_what_is_said_of_heat_is_rounded_to_the_safe_side(value, to, said):
    assert _rounded(value, press(140), "°C", to, to is math.ceil) == said
