"""Readings judged: what is asked about, what is refused at a bench check, what is past a limit."""

from __future__ import annotations

import pytest

from dtfexp import (
    Fabric,
    Factor,
    Logbook,
    LogbookError,
    Outcome,
    ResultsError,
    Session,
    plan,
)
from dtfexp.book.store import plausible, typed_values

HEAT = Factor("press_temperature", 300, 350, "°F", 5, usual=320)
CELSIUS = Factor("press_temperature", 150, 170, "°C", 1, usual=160)
TIME = Factor("cure time", 30, 120, "s", 5, "cure", usual=60)
LINE = Factor("air pressure", 2, 4, "bar", 0.5, usual=3)


@pytest.mark.parametrize(
    ("factor", "setting", "typed", "question"),
    [
        (HEAT, 320, "165", "165 °F? Set is 320 °F. Did you mean 165 °C = 329 °F?"),
        (HEAT, 320, 165.0, "165 °F? Set is 320 °F. Did you mean 165 °C = 329 °F?"),
        (HEAT, 320, "165 F", "165 °F? Set is 320 °F. Did you mean 165 °C = 329 °F?"),
        (HEAT, 300, "172", "172 °F? Set is 300 °F. Did you mean 172 °C = 342 °F?"),
        (CELSIUS, 160, "320", "320 °C? Set is 160 °C. Did you mean 320 °F = 160 °C?"),
        (HEAT, 320, "3200", "3200 °F? Set is 320 °F. Did you mean 320 °F?"),
        (HEAT, 320, "32", "32 °F? Set is 320 °F. Did you mean 320 °F?"),
        (HEAT, 320, "302", "302 °F? Set is 320 °F. Did you mean 320 °F?"),
        (HEAT, 320, "270", "270 °F? Set is 320 °F. Expected here: 293 to 347 °F."),
        (CELSIUS, 160, "16.05", "16.05 °C? Set is 160 °C. Did you mean 160.5 °C?"),
        (CELSIUS, 160, "106.5", "106.5 °C? Set is 160 °C. Did you mean 160.5 °C?"),
        (CELSIUS, 160, "1605", "1605 °C? Set is 160 °C. Did you mean 160.5 °C?"),
        (CELSIUS, 160, "1660", "1660 °C? Set is 160 °C. Did you mean 160 °C?"),
        (CELSIUS, 160, "60,5", "60.5 °C? Set is 160 °C. Did you mean 160.5 °C?"),
        (CELSIUS, 160, "0", "0 °C? Set is 160 °C. Expected here: 145 to 175 °C."),
        (CELSIUS, 165, "156", "156 °C? Set is 165 °C. Did you mean 165 °C?"),
        (LINE, 3, "40", "40 bar? Set is 3 bar. Did you mean 40 psi = 2.76 bar?"),
        (LINE, 3, "300", "300 bar? Set is 3 bar. Did you mean 300 kPa = 3 bar?"),
        (TIME, 60, "1", "1 s? Set is 60 s. Did you mean 1 min = 60 s?"),
        (TIME, 60, "600", "600 s? Set is 60 s. Did you mean 60 s?"),
        (TIME, 60, "110", "110 s? Set is 60 s. Expected here: 15 to 105 s."),
    ],
)
def test_a_reading_far_off_is_asked_about(factor, setting, typed, question):
    found = plausible.reading_doubt(factor, setting, typed_values.parse_number(typed, factor.unit))
    assert found is not None and found.question == question


@pytest.mark.parametrize(
    ("factor", "setting", "typed"),
    [
        (HEAT, 320, "320"),
        (HEAT, 320, "165 C"),
        (HEAT, 320, "300"),  # a press 20 °F below its display: common enough
        (CELSIUS, 160, "146"),
        (CELSIUS, 160, "165"),
        (TIME, 60, "25"),
        (TIME, 60, "75"),  # 57 swapped, and cured on as likely
        (LINE, 3, "40 psi"),
        (LINE, 3, "3.6"),
    ],
)
def test_a_reading_that_can_be_true_is_not_asked_about(factor, setting, typed):
    assert (
        plausible.reading_doubt(factor, setting, typed_values.parse_number(typed, factor.unit))
        is None
    )


def test_past_a_limit_says_how_far_and_what_to_look_at():
    fleece, cotton = Fabric("poly fleece", 320, "°F"), Fabric("cotton")
    session = Session("s", [HEAT, TIME], [Outcome("peel")], [fleece, cotton])
    said = plausible.past_limit(session, "poly fleece", HEAT, 400)
    assert said.startswith(
        "press temperature reached 400 °F, and poly fleece takes 320 °F at most: 80 °F too hot."
    )
    assert all(word in said for word in ("scorch", "dye", "Measure the press"))
    assert plausible.past_limit(session, "poly fleece", HEAT, 320) == ""
    assert plausible.past_limit(session, "poly fleece", HEAT, 321) != ""
    assert plausible.past_limit(session, "cotton", HEAT, 400) == ""
    assert plausible.past_limit(session, "poly fleece", TIME, 400) == "", "the oven meets no cloth"


@pytest.fixture
def book(tmp_path):
    session = Session("s", [CELSIUS, LINE, TIME], [Outcome("peel")], ["cotton"])
    with Logbook.create(tmp_path / "b.dtfbook", session) as made:
        yield made


def test_a_check_in_another_unit_is_refused_and_its_written_unit_converts(book):
    with pytest.raises(LogbookError, match=r"reached: 40 bar is far outside 1 to 5 bar .*'40 psi'"):
        book.bench.check("air pressure", 3, 40)
    with pytest.raises(LogbookError, match=r"set-point: 44 bar is far outside .*'44 psi'"):
        book.bench.check("air pressure", 44, 40)
    with pytest.raises(LogbookError, match=r"reached: 320 °C is far outside .*'320 °F'"):
        book.bench.check("press_temperature", 160, 320)
    with pytest.raises(LogbookError, match=r"reached: 165 °F is far outside .*'165 °C'"):
        book.bench.check("press_temperature", 160, "165 F")
    assert book.kept() == []
    book.bench.check("air pressure", 3, "40 psi")
    (note,) = book.kept()
    # 40 psi * 6.894757 kPa (NIST SP 811, App. B, from memory) = 275.790 kPa
    assert note.said["reached"] == pytest.approx(2.7579, abs=1e-4)


def test_a_check_far_off_is_kept_once_its_unit_is_written(book):
    with pytest.raises(LogbookError, match=r"90 °C is far outside .* write the unit with it"):
        book.bench.check("press_temperature", 160, 90)
    book.bench.check("press_temperature", 160, "90 °C")
    assert [note.said["reached"] for note in book.kept()] == [90]


def test_a_map_has_a_unit_of_its_own(book):
    fahrenheit = [310, 312, 310, 315, 320, 316, 311, 314, 309]
    with pytest.raises(LogbookError, match=r"pass 1, back left: 310 °C is far outside"):
        book.bench.map("press_temperature", 160, fahrenheit)
    kept = book.bench.map("press_temperature", 160, fahrenheit, unit="F")
    assert kept.summary.hottest == pytest.approx(160)
    with pytest.raises(LogbookError, match=r"pass 1, front right: 1600 °C is far outside"):
        book.bench.map("press_temperature", 160, [160] * 8 + [1600])


def test_a_machine_with_a_history_is_held_against_it():
    far_off, exact = [-15.0, -14.0, -16.0, -15.0], typed_values.parse_number("160", "°C")
    assert plausible.reading_doubt(CELSIUS, 160, exact) is None
    # Six of its own spreads are 6 * 1.4826 * 0.5 °C, less than a third of 15 °C, which holds.
    found = plausible.reading_doubt(CELSIUS, 160, exact, far_off)
    assert found is not None and found.span == "140 to 150 °C"
    cool = typed_values.parse_number("141", "°C")
    assert plausible.reading_doubt(CELSIUS, 160, cool) is not None
    assert plausible.reading_doubt(CELSIUS, 160, cool, far_off) is None
    # One blunder among them moves neither the middle nor the spread.
    assert plausible.reading_doubt(CELSIUS, 160, cool, [*far_off, -140.0]) is None


@pytest.mark.parametrize("wrong", ["1e308", "-60", "700", "1200 F", 10.0**40])
def test_what_no_bench_reaches_is_refused_though_accepted(book, tmp_path, wrong):
    book.add(plan(book.session, 4))
    for accept in (False, True):
        with pytest.raises(ResultsError, match=r"press 1, .* as reached: .*-50 to"):
            book.record(1, {"peel": 4}, actual={"press_temperature": wrong}, accept=accept)
    (tmp_path / "a.csv").write_text(f"press,press_temperature_actual\n1,{wrong}\n")
    with pytest.raises(ResultsError, match=r"row 2, column 'press_temperature_actual'"):
        book.import_sheet(tmp_path / "a.csv", accept=True)
    assert not len(book.history())


def test_a_doubtful_reading_is_recorded_when_accepted_and_its_question_stays(book):
    book.add(plan(book.session, 4))
    set_to = book.runs().set_index("press").loc[1, "press_temperature"]
    slipped = {"press_temperature": (set_to + 0.5) / 10, "cure time": "60 s"}
    with pytest.raises(ResultsError, match=f"Did you mean {set_to + 0.5:g} °C") as caught:
        book.record(1, {"peel": 4}, actual=slipped)
    assert "\n" not in str(caught.value) and "accept=True" in str(caught.value)
    for accept in ([], ["air pressure"]):
        with pytest.raises(ResultsError):
            book.record(1, {"peel": 4}, actual=slipped, accept=accept)
    assert not len(book.history()) and not book.kept()
    for _ in range(2):  # said twice, asked and kept once
        book.record(1, {"peel": 4}, actual=slipped, accept=["PRESS_TEMPERATURE"], id="a", by="Bo")
    book.record(2, {"peel": 4})
    asked = book.history()["asked"].tolist()
    assert asked[0].endswith("Answer: kept") and f"{set_to + 0.5:g} °C?" in asked[0]
    assert asked[1] == "" and len(book.kept()) == 1 and book.kept()[0].by == "Bo"


def test_an_import_keeps_and_names_what_is_past_a_limit_or_hard_to_believe(tmp_path):
    session = Session(
        "s", [HEAT], [Outcome("peel")], [Fabric("poly fleece", 340, "°F"), "cotton"]
    )  # fmt: skip
    with Logbook.create(tmp_path / "b.dtfbook", session) as book:
        book.add(plan(session, 6))
        runs = book.runs()
        fleece, cotton = (
            runs.loc[runs["fabric"] == name, "press"].tolist() for name in ("poly fleece", "cotton")
        )
        sheet = tmp_path / "a.csv"
        sheet.write_text(
            "press,press_temperature_actual\n"
            f"{fleece[0]},400\n{cotton[0]},{runs.set_index('press').loc[cotton[0]].iloc[-1]}\n"
            f"{fleece[1]},165\n"
        )
        with pytest.raises(ResultsError, match="Nothing was taken in") as caught:
            book.import_sheet(sheet)
        assert "row 4" in str(caught.value) and "--accept" in str(caught.value)
        assert not len(book.history())
        past, doubtful = book.import_sheet(sheet, accept=True).remarks
        assert past.startswith(
            "a.csv: kept, and past what the fabric takes: row 2, column "
            "'press_temperature_actual': 400 °F on poly fleece, which takes 340 °F."
        )
        assert "row 4, column 'press_temperature_actual': 165 °F? Set is" in doubtful
        assert "Did you mean 165 °C" in doubtful
        assert "row 3" not in past + doubtful
        # What was accepted is not asked about again, and is told with the entry.
        assert book.import_sheet(sheet).added == 0
        assert book.history()["asked"].str.contains("accepted for all of a.csv").tolist() == [
            True,
            False,
            True,
        ]
        held = book.results().set_index("press")["press_temperature_actual"]
        assert held[fleece[0]] == 400 and held[fleece[1]] == 165
