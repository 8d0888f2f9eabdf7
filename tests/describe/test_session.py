"""A session as a whole: names, heat limits, look-ups and what is refused."""

import copy
import pickle

import pytest

from dtfexp import Fabric, Factor, Outcome, Session, SessionError

PRESS_F = Factor("press temperature", 280, 340, "F", step=5, hard_to_change=True)


def make(**changes):
    given = {
        "name": "Test",
        "factors": [PRESS_F, Factor("peel at", levels=("hot", "cold"))],
        "outcomes": [Outcome("peel"), Outcome("wash", washes=5)],
        "fabrics": ["cotton", Fabric("nylon", 155)],
    }
    return Session(**(given | changes))


def test_contract_call_and_defaults():
    session = Session("T", [PRESS_F], [Outcome("peel")], ["cotton"])
    assert session.fabrics == (Fabric("cotton"),) and session.factors == (PRESS_F,)
    assert (session.coupons_per_load, session.presses_per_round) == (6, 8)
    assert (session.warm_up_minutes, session.change_over_minutes) == (10.0, 8.0)
    assert session.temperature_unit == "°F" and session.notes == ""
    assert Session("T", [Factor("t", 1, 2)], [Outcome("p")], "cotton").temperature_unit == "°C"


def test_one_bare_item_counts_as_a_list_of_one():
    session = Session("T", PRESS_F, Outcome("peel"), "cotton jersey")
    assert [fabric.name for fabric in session.fabrics] == ["cotton jersey"]


def test_look_ups():
    session = make()
    assert session.factor("Press Temperature") is PRESS_F
    assert session.outcome("wash").washes == 5
    assert session.fabric(Fabric("nylon")) == Fabric("nylon", 155)
    with pytest.raises(SessionError, match="did you mean 'nylon'"):
        session.fabric("nylom")
    with pytest.raises(SessionError, match="outcome 'shine' is not in this session"):
        session.outcome("shine")
    with pytest.raises(SessionError, match="factor 5 is not in this session"):
        session.factor(5)


def test_heat_limit_in_celsius_holds_a_factor_in_fahrenheit():
    session = make()  # 155 °C is 311 °F, so the top setting on steps of 5 from 280 is 310
    assert session.highest("press temperature", "nylon") == 310
    assert session.highest(PRESS_F, Fabric("cotton")) == 340
    assert session.allowed("press temperature", "nylon") == (280, 285, 290, 295, 300, 305, 310)
    assert session.allowed("peel at", "nylon") == ("hot", "cold")
    with pytest.raises(SessionError, match="words have no highest"):
        session.highest("peel at", "nylon")


def test_a_limit_that_is_a_setting_is_allowed():
    session = make(fabrics=[Fabric("nylon", 160)])  # 320 °F exactly
    assert session.highest("press temperature", "nylon") == 320


def test_the_limit_is_no_matter_of_the_oven():
    cure = Factor("cure temperature", 110, 145, "C", stage="cure")
    session = make(factors=[cure, PRESS_F], fabrics=[Fabric("nylon", 140)])
    assert session.highest("cure temperature", "nylon") == 145


def test_a_limit_below_the_lowest_press_temperature_names_both():
    with pytest.raises(SessionError) as caught:
        make(fabrics=["cotton", Fabric("nylon", 130)])
    text = str(caught.value)
    assert "nylon takes 266 °F (130 °C) at most" in text
    assert "press temperature" in text and "280 °F" in text and "\n" not in text
    # Read as 130 °F it would be refused too; read as 280 °C a limit of 150 °C would be refused.
    make(fabrics=[Fabric("nylon", 150)])


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": ""}, "session: name is ''"),
        ({"name": None}, "session: name is None"),
        ({"factors": []}, "factors has 0 entries; give at least one factor"),
        ({"outcomes": []}, "outcomes has 0 entries; give at least one outcome"),
        ({"fabrics": []}, "fabrics has 0 entries; give at least one fabric"),
        ({"factors": 3}, "factors: got 3; accepted a list"),
        ({"factors": {"a": 1}}, "factors: got {'a': 1}; accepted a list"),
        ({"factors": [Outcome("x")]}, "each must be a Factor"),
        ({"outcomes": ["peel"]}, "outcomes holds 'peel'; each must be a Outcome"),
        ({"fabrics": [3]}, "got 3; give a Fabric or its name"),
        ({"fabrics": ["cotton", " Cotton"]}, "'Cotton' is used twice; fabrics need different"),
        ({"outcomes": [Outcome("peel"), Outcome("PEEL")]}, "'PEEL' is used twice"),
        ({"outcomes": [Outcome("Peel at")]}, "'Peel at' is used twice; factors and outcomes"),
        ({"coupons_per_load": 0}, "coupons_per_load: got 0; accepted a whole number from 1"),
        ({"coupons_per_load": 2.5}, "coupons_per_load: got 2.5"),
        ({"presses_per_round": True}, "presses_per_round: got True"),
        ({"warm_up_minutes": -1}, "warm_up_minutes: got -1; accepted a number, 0 or more"),
        ({"change_over_minutes": float("nan")}, "change_over_minutes: got nan"),
        ({"temperature_unit": "bar"}, "temperature_unit: got 'bar'; accepted °C or °F"),
        ({"temperature_unit": "K"}, "temperature_unit: unit 'K' is not known"),
        ({"notes": None}, "notes: got None; accepted text"),
    ],
)
def test_a_bad_session_names_field_value_and_what_is_accepted(changes, said):
    with pytest.raises(SessionError) as caught:
        make(**changes)
    assert said.replace("a Outcome", "an Outcome") in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "name",
    ["press", "Fabric", "oven_load", "press_round", "block", "excluded", "note", "defects", "by",
     "time", "peel_actual", "X_Actual"],
)  # fmt: skip
def test_column_words_are_kept(name):
    with pytest.raises(SessionError, match="reserved for a column of the results"):
        make(outcomes=[Outcome(name)])
    with pytest.raises(SessionError, match="reserved for a column of the results"):
        make(factors=[Factor(name, 1, 2)])


def test_frozen_equal_hashable_copyable():
    session = make()
    with pytest.raises(AttributeError):
        session.name = "other"
    assert session == make() and hash(session) == hash(make())
    assert session != make(coupons_per_load=4)
    assert pickle.loads(pickle.dumps(session)) == session == copy.deepcopy(session)


def test_it_does_not_keep_the_callers_list():
    fabrics = ["cotton"]
    session = make(fabrics=fabrics)
    fabrics.append("wool")
    assert len(session.fabrics) == 1


def test_repr_and_html_are_short_and_safe():
    session = make(name="A & <b>", fabrics=[Fabric("<script>", 155, notes="a<b")])
    assert repr(session).count("\n") == 0 and "press temperature" in repr(session)
    html = session._repr_html_()
    assert "<script>" not in html and "&lt;script&gt;" in html and "A &amp; &lt;b&gt;" in html
    for shown in ("280 to 340 °F, in steps of 5", "hot / cold", "155 °C", "after 5 washes"):
        assert shown in html
    assert html == session._repr_html_()


def test_the_page_shows_a_fabrics_own_settings_and_the_bench():
    firm = Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press")
    heat = Factor("press temperature", 140, 170, "°C", 5)
    nylon = Fabric(
        "nylon", 155, usual={"press temperature": 145}, ranges={"pressure": ["light", "medium"]}
    )
    session = Session(
        "s", [heat, firm], [Outcome("peel")], [nylon], film="matte", film_peel="cold", oven="left"
    )
    html = session._repr_html_()
    assert "press temperature: usual 145 °C; pressure: light or medium" in html
    assert "matte" in html and "cold" in html and "left" in html
    plain = Session("s", [heat], [Outcome("peel")], ["cotton"])._repr_html_()
    assert "peeled" not in plain


def test_what_the_shop_runs_today_may_be_too_hot():
    factor = Factor("press temperature", 130, 180, "°C", 1, "press", spread=3, usual=160)
    nylon = Fabric("nylon shell", 150, "°C")
    session = Session("spring", [factor], [Outcome("peel")], ["cotton", nylon])
    assert session.too_hot_today("cotton") == {}
    assert session.usual("press temperature", "nylon shell") == 147
    assert session.too_hot_today("nylon shell") == {"press temperature": 160}
