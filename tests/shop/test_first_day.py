"""The first day of a bench ends in a session file that plans, whatever is typed on the way."""

import io

import pytest

from dtfexp import Session, SessionError, plan
from dtfexp.shop import cli
from dtfexp.shop.first_day import CHECKLIST, answers, offered, reading
from dtfexp.shop.first_day.asking import questions

ENTER = [""] * 60
#: Film, peel type and unit, which come before the fabrics.
CELSIUS, FAHRENHEIT = ["", "cold", "C"], ["", "cold", "F"]


def run(monkeypatch, capsys, path, *answers):
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{a}\n" for a in answers)))
    code = cli.main(["new", str(path)])
    return code, capsys.readouterr()


@pytest.fixture
def new(tmp_path, monkeypatch, capsys):
    """Answers in, the session and all that was said out."""

    def play(*answers):
        path = tmp_path / "s.toml"
        code, told = run(monkeypatch, capsys, path, *answers)
        assert code == 0, told.err
        session = Session.load(path)
        path.unlink()
        return session, told.out

    return play


def test_enter_all_the_way_makes_a_session_that_plans(new):
    session, told = new(*ENTER)
    assert "dtfexp plan" in told and "burn at a touch" in told
    assert all(line in told for line in CHECKLIST)
    cure = session.factor("cure temperature")
    assert (cure.bounds, cure.usual, cure.spread) == ((110.0, 140.0), 125.0, 3.0)
    assert session.factor("press time").bounds == (8.0, 30.0)
    assert session.factor("pressure").levels == ("light", "medium", "firm")
    assert session.factor("peel warmth").levels == ("warm", "cold")
    assert session.factor("peel warmth").usual == "cold"
    assert len(plan(session, 12).runs) == 12


def test_film_and_peel_are_asked_first_then_unit_then_fabrics(new):
    told = new("A4 matte", "hot", "C", *ENTER)[1].split("Now the session.")[1]
    places = [told.index(word) for word in ("Film:", "maker say", "°C or °F", "Fabric 1", "oven")]
    assert places == sorted(places)
    session, _ = new("A4 matte", "hot", "C", *ENTER)
    assert (session.film, session.film_peel) == ("A4 matte", "hot")
    assert "peel warmth" not in [factor.name for factor in session.factors]


def test_a_shop_in_fahrenheit_with_its_own_answers(new):
    session, told = new(
        "roll 7", "hot", "degF",
        "cotton", "", "nylon shell", "300F", "club shirt", "150 C", "",
        "tunnel", "no", "260 250 262", "257", "240 to 280", "60",
        "press left", "", "320", "300-340", "15", "-",
        "900", "310", "295", "285 300", "285 290", "285 295", "12",
        "290", "275 295", "12",
        "3", "4", "6", "garage", "", "",
    )  # fmt: skip
    assert "a temperature from 176 to 482 °F" in told
    assert "310 °F is too hot: nylon shell takes 300 °F at most" in told
    assert "295, which you run" not in told and "295 °F, which you run today" in told
    assert session.temperature_unit == "°F" and session.name == "garage"
    assert (session.oven, session.press) == ("tunnel", "press left")
    assert [f.heat_limit for f in session.fabrics] == [None, 300.0, 302.0]
    assert session.fabrics[1].ranges == {"press temperature": (285.0, 295.0)}
    assert session.usual("press temperature", "cotton") == 320
    assert session.usual("press temperature", "nylon shell") == 295
    assert [f.name for f in session.factors][-1] == "press time"
    assert (session.coupons_per_load, session.presses_per_round) == (4, 6)
    assert session.outcome("wash").washes == 3


@pytest.mark.parametrize(
    ("typed", "unit", "meant"), [("155", "°F", "155 °C"), ("305", "°C", "305 °F")]
)
def test_a_setting_in_the_other_unit_is_asked_about(typed, unit, meant):
    with pytest.raises(SessionError, match=f"Did you mean {meant}"):
        reading.degrees(typed, unit)
    with pytest.raises(SessionError, match=r"write a temperature from [0-9]+ to [0-9]+ °[CF]$"):
        reading.degrees("3000", unit)
    # What is offered beside the coldest and the hottest setting can be taken as it stands.
    for usual in reading.ends(unit):
        low, high = offered.temperatures("press", usual, unit, None)
        assert reading.degrees_range(f"{low} {high}", unit) == (low, high)


@pytest.mark.parametrize("typed", ["poly fleece (320)", "poly fleece <320F", "poly fleece @320",
                                   "poly fleece =320", "poly fleece 320", "poly fleece 320°F",
                                   "poly fleece max 320 F"])  # fmt: skip
def test_digits_in_a_name_are_asked_about_and_never_swallowed(new, typed):
    session, told = new(*FAHRENHEIT, typed, "yes", "", *ENTER)
    assert "Is 320 °F its heat limit" in told
    (fabric,) = session.fabrics
    assert fabric.heat_limit == 320 and fabric.name.startswith("poly fleece")
    assert "320" not in fabric.name and not set(fabric.name) & set("<>=@()")
    assert session.refusal({"press temperature": 335.0}, fabric)


@pytest.mark.parametrize("typed", ["(320)", "<320F", "@320", "=320"])
def test_a_temperature_alone_is_no_fabric(new, typed):
    session, told = new(*FAHRENHEIT, typed, "fleece", "320", *ENTER)
    assert "a temperature and no fabric" in told
    assert [(f.name, f.heat_limit) for f in session.fabrics] == [("fleece", 320.0)]


def test_digits_that_are_no_limit_stay_in_the_name_and_the_limit_is_still_asked(new):
    session, told = new(*CELSIUS, "tee 180 gsm", "no", "none", "fleece 65/35", "150", *ENTER)
    assert "Is 180 °C its heat limit" in told and "Is 65" not in told
    assert [(f.name, f.heat_limit) for f in session.fabrics] == [
        ("tee 180 gsm", None),
        ("fleece 65/35", 150.0),
    ]


@pytest.mark.parametrize(
    ("typed", "unit", "limit"),
    [
        ("150", "°C", 150), ("150 C", "°C", 150), ("302F", "°C", 150), ("302", "°F", 302),
        ("150 °C", "°F", 302), ("none", "°C", None), ("", "°C", None), ("-", "°C", None),
        # ISO 3758 (from memory): one dot 110 °C, two 150 °C, three 200 °C.
        ("1 dot", "°C", 110), ("two dots", "°C", 150), ("•••", "°C", 200), ("..", "°F", 302),
        ("one dot iron", "°F", 230), ("iron 3 dots", "°C", 200),
    ],
)  # fmt: skip
def test_a_limit_is_understood(typed, unit, limit):
    found = reading.limit(typed, unit)
    assert found is None if limit is None else found == pytest.approx(limit)


@pytest.mark.parametrize(
    ("typed", "unit", "said"),
    [
        ("32", "°C", "32 °C is no heat limit of a fabric"), ("3200", "°C", "3200 °C is no"),
        ("32", "°F", "32 °F is no"), ("150", "°F", "Did you mean 150 °C?"),
        ("320", "°C", "Did you mean 320 °F?"), ("do not iron", "°C", "crossed iron"),
        ("4 dots", "°C", "accepted a number"), ("hot", "°C", "accepted a number"),
    ],
)  # fmt: skip
def test_a_limit_that_is_none_is_refused_with_a_reason(typed, unit, said):
    with pytest.raises(SessionError) as caught:
        reading.limit(typed, unit)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_a_limit_of_32_is_asked_again_at_once_and_traps_nobody(new):
    session, told = new(*CELSIUS, "nylon", "32", "155", *ENTER)
    assert "32 °C is no heat limit" in told
    assert session.fabrics[0].heat_limit == 155


def test_no_limit_known_says_where_to_ask(new):
    _, told = new(*CELSIUS, "nylon", "none", *ENTER)
    assert "No limit known for nylon: look at its care label" in told and "maker" in told


def test_one_dot_is_taken_with_a_plain_line_and_left_out(new):
    session, told = new(*CELSIUS, "nylon", "one dot", "out", "cotton", "", *ENTER)
    assert "Common powders do not bond at 110 °C" in told and "another method" in told
    assert [fabric.name for fabric in session.fabrics] == ["cotton"]
    assert "nylon is left out: it takes 110 °C at most" in session.notes


def test_one_dot_may_be_planned_under_and_no_plan_goes_above(new):
    session, _ = new(*CELSIUS, "nylon", "•", "under", *ENTER)
    assert session.fabrics[0].heat_limit == 110
    hottest = plan(session, 8).runs["press temperature"].max()
    # Not measured: 3 °C are allowed for.
    assert hottest <= 107


def test_a_session_without_a_pressed_fabric_asks_for_one(new):
    session, told = new(*CELSIUS, "nylon", "110", "out", "", "cotton", *ENTER)
    assert "at least one fabric is pressed" in told and session.fabrics[0].name == "cotton"


@pytest.mark.parametrize("again", ["Cotton", "cotton (320F)"])
def test_a_fabric_twice_is_refused_at_once(new, again):
    session, told = new(*CELSIUS, "cotton", "", again, "nylon", "155", *ENTER)
    assert "in the list already" in told
    assert [fabric.name for fabric in session.fabrics] == ["cotton", "nylon"]


def test_several_fabrics_in_one_line_are_asked_for_one_by_one(new):
    session, told = new(*CELSIUS, "cotton, nylon 150", "cotton", *ENTER)
    assert "one fabric, the next is asked for" in told and len(session.fabrics) == 1


def test_the_reading_of_a_machine_is_kept_and_holds_the_limit(new):
    session, told = new(
        *CELSIUS, "nylon", "150", "", "", "no", "125 108 114", "", "", "", "", "160, 166, 172",
        *ENTER,
    )  # fmt: skip
    cure, press = session.factor("cure temperature"), session.factor("press temperature")
    assert cure.readings == ((125.0, 111.0),) and cure.spread == 3.0
    assert press.readings == ((160.0, 169.0),) and press.spread == 3.0
    assert "-14 °C off its display" in told and "+9 °C off its display" in told
    # 9 °C above its display and 3 °C from spot to spot: 150 - 12.
    assert offered.highest_dial((160.0, 166.0, 172.0), "°C", 150.0) == 138
    assert max(session.allowed("press temperature", "nylon")) == 135
    assert "set 138 °C or less" in told


@pytest.mark.parametrize(
    ("typed", "unit"),
    [("1 3", "°F"), ("255 1 3", "°F"), ("125 114 108", "°C"), ("125 250 256", "°C"),
     ("320 150 160", "°F"), ("125", "°C"), ("a b c", "°C")],
)  # fmt: skip
def test_an_implausible_reading_is_refused(typed, unit):
    with pytest.raises(SessionError):
        reading.machine_reading(typed, unit)
    assert reading.machine_reading("", unit) is None


def test_nylon_is_offered_no_firm_pressure_and_cotton_is(new):
    session, _ = new(*CELSIUS, "cotton", "", "nylon shell", "155", *ENTER)
    assert session.allowed("pressure", "nylon shell") == ("light", "medium")
    assert session.allowed("pressure", "cotton") == ("light", "medium", "firm")
    runs = plan(session, 24).runs
    assert "firm" not in set(runs.loc[runs["fabric"] == "nylon shell", "pressure"])
    assert session.usual("press temperature", "cotton") == 160
    assert session.usual("press temperature", "nylon shell") == 150


def test_firm_on_nylon_is_taken_with_a_warning(new):
    answers = [*CELSIUS, "nylon", "155", "", *[""] * 11, "firm"]
    session, told = new(*answers, *ENTER)
    assert "Firm pressure squeezes white ink out" in told
    assert session.usual("pressure", "nylon") == "firm"


@pytest.mark.parametrize(
    ("name", "cotton"),
    [("cotton jersey", True), ("Denim", True), ("cotton/poly", False), ("poly-cotton", False),
     ("nylon", False), ("coated canvas", False), ("softshell", False), ("club tee", False)],
)  # fmt: skip
def test_only_plain_cotton_counts_as_cotton(name, cotton):
    assert offered.is_cotton(name) is cotton
    assert offered.press_temperature(name, "°C", None) == (160 if cotton else 150)
    # A multiple of 5, as dials are set, and never past the highest.
    assert offered.press_temperature(name, "°F", 292.0) == 290
    assert offered.temperatures("press", 290.0, "°F", 292.0) == (255.0, 290.0)


def test_a_belt_is_set_by_its_speed(new):
    session, _ = new(
        *CELSIUS, "cotton", "", "", "conveyor 2", "yes", "120 cm", "", "", "", "0.8", *ENTER
    )
    belt = session.factor("belt speed")
    assert (belt.unit, belt.usual, belt.stage, session.oven) == ("m/min", 0.8, "cure", "conveyor 2")
    assert session.pace.dwell_seconds(0.8, "m/min") == pytest.approx(90)


def test_back_goes_to_the_question_before_and_help_explains(new):
    session, told = new("matte", "b", "glossy", "hot", "b", "?", "warm", *ENTER)
    assert (session.film, session.film_peel) == ("glossy", "warm")
    assert "It stands on the packet" in told
    _, told = new("b", *ENTER)
    assert "This is the first question" in told


def test_the_review_lists_everything_and_a_number_changes_it(new):
    before = [*CELSIUS, "cotton", "", *[""] * 18]
    _, told = new(*before, "", *ENTER)
    review = told.split("This is what will be written")[1]
    number = next(line for line in review.splitlines() if "How does its maker" in line)
    assert number.strip().startswith("2.") and number.endswith(": cold")
    session, told = new(*before, "", "2", "hot", "99", "")
    assert session.film_peel == "hot"
    assert "from 1 to" in told.split("This is what will be written")[2]


def test_a_changed_unit_keeps_what_was_answered(new):
    before = [*CELSIUS, "nylon", "150", *[""] * 18]
    session, _ = new(*before, "", "3", "F", "")
    assert session.temperature_unit == "°F"
    assert session.fabrics[0].limit_in("°C") == pytest.approx(150)
    assert session.factor("cure temperature").usual == pytest.approx(257, abs=1)


def test_a_limit_that_is_lowered_at_the_review_asks_what_no_longer_fits(new):
    before = [*CELSIUS, "nylon", "170", *[""] * 18]
    session, told = new(*before, "", "5", "140", *ENTER)
    assert "is no longer possible" in told
    assert max(session.allowed("press temperature", "nylon")) <= 137


def test_a_fabric_is_taken_out_at_the_review(new):
    before = [*CELSIUS, "nylon", "155", "cotton", "", "", *[""] * 23]
    session, _ = new(*before, "4", "-", *ENTER)
    assert [fabric.name for fabric in session.fabrics] == ["cotton"]


def test_wrong_answers_are_asked_again_without_end(new):
    session, told = new("", *["x"] * 40, "cold", *ENTER)
    assert told.count("write one of hot, warm, cold") == 40 and session.film_peel == "cold"


@pytest.mark.parametrize("how", [EOFError, KeyboardInterrupt])
def test_what_was_answered_survives_and_the_next_start_goes_on(tmp_path, monkeypatch, capsys, how):
    path = tmp_path / "s.toml"
    typed = iter(["matte", "cold", "F", "nylon shell", "300"])

    def ask(prompt):
        try:
            return next(typed)
        except StopIteration:
            raise how from None

    monkeypatch.setattr("builtins.input", ask)
    assert cli.main(["new", str(path)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "5 answers are kept" in told and "s.toml.draft" in told
    assert not path.exists() and answers.draft_path(path).exists()
    monkeypatch.undo()
    code, told = run(monkeypatch, capsys, path, "yes", *ENTER)
    assert code == 0 and "holds 5 answers" in told.out and not answers.draft_path(path).exists()
    session = Session.load(path)
    assert (session.film, session.fabrics[0].name) == ("matte", "nylon shell")
    assert session.fabrics[0].heat_limit == 300 and session.temperature_unit == "°F"


def test_q_stops_and_a_change_under_way_is_kept_too(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    code, told = run(monkeypatch, capsys, path, "matte", "b", "q")
    assert code == 2 and "1 answers are kept" in told.err
    assert answers.load_draft(path) == {"film": "matte"}


def test_a_draft_may_be_left_and_a_damaged_one_stops_nobody(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    answers.save_draft(path, {"film": "matte"})
    code, told = run(monkeypatch, capsys, path, "maybe", "no", *ENTER)
    assert code == 0 and "write yes or no" in told.out
    assert answers.load_draft(tmp_path / "s.toml.draft.1") is None
    assert (tmp_path / "s.toml.draft.1").read_text(encoding="utf-8").count("matte") == 1
    assert Session.load(path).film == ""
    path.unlink()
    answers.draft_path(path).write_text("not = [toml", encoding="utf-8")
    code, told = run(monkeypatch, capsys, path, *ENTER)
    assert code == 0 and "is damaged" in told.out and path.exists()
    assert (tmp_path / "s.toml.draft.2").read_text(encoding="utf-8") == "not = [toml"


def test_stopped_before_the_first_answer_leaves_nothing(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    code, told = run(monkeypatch, capsys, path)
    assert code == 2 and "nothing was written" in told.err
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_stays(tmp_path, monkeypatch, capsys):
    path = tmp_path / "s.toml"
    path.write_text("mine", encoding="utf-8")
    code, told = run(monkeypatch, capsys, path)
    assert code == 2 and "was not changed" in told.err and path.read_text() == "mine"


def test_every_question_offers_what_it_would_accept():
    answers = {}
    for question in questions(answers):
        answers[question.key] = question.read(question.offered)
        kept = question.text(answers[question.key], question.offered)
        assert question.read(kept) == answers[question.key]


def test_the_checklist_says_what_one_dot_means():
    (line,) = [line for line in CHECKLIST if "care label of every" in line]
    assert "110 °C" in line and "bond from about 130 °C" in line and "another method" in line
