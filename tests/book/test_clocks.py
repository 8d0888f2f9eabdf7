"""The clocks at the press: told before the mistake, silent without a reason, kept if overridden.

All limits are common practice on transfer benches, no source.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Logbook, LogbookError, Outcome, ResultsError, Session, plan
from dtfexp.book.bench import material_lots
from dtfexp.dialin.design.plan import Plan

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


class Clock:
    """A clock that a test moves by hand."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now

    def go(self, **span: float) -> datetime:
        self.now += timedelta(**span)
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def book(tmp_path, session, plan_of, clock):
    """Presses 1 to 8, peeled hot, warm, cold in turn; loads of four."""
    with Logbook.create(tmp_path / "a.dtfbook", session, clock=clock) as made:
        made.add(plan_of(session))
        yield made


def told(book: Logbook, press: int = 1) -> list[str]:
    return [warning.what for warning in book.warnings(press)]


def test_a_bench_that_nobody_told_anything_warns_of_nothing(book: Logbook) -> None:
    assert book.warnings(1) == []
    with pytest.raises(LogbookError, match="press 99 is not in the book"):
        book.warnings(99)


def test_a_machine_warms_up_ten_minutes(book: Logbook, clock: Clock) -> None:
    book.bench.mark("oven on")
    book.bench.mark("press on")
    clock.go(minutes=4)
    first, second = book.warnings(1)
    assert first.what == "oven warm-up"
    assert "switched on 4 min ago" in first.says
    assert "6 min more" in first.says
    assert second.clears_at == START + timedelta(minutes=10)
    book.bench.machine("press", warm_up_minutes=20)
    clock.go(minutes=6)
    assert told(book) == ["press warm-up"], "this press takes longer"
    book.bench.mark("press off")
    assert told(book) == []


def test_powder_goes_on_within_two_hours_of_printing(book: Logbook, clock: Clock) -> None:
    book.bench.mark("printed", load=1)
    clock.go(hours=1, minutes=44)
    assert told(book) == []
    clock.go(minutes=6)
    (soon,) = book.warnings(1)
    assert (soon.what, "within 10 min" in soon.says) == ("powder soon", True)
    clock.go(minutes=11)
    (late,) = book.warnings(1)
    assert (late.what, "2 h 1 min ago" in late.says) == ("powder", True)
    assert told(book, 5) == [], "press 5 is in another oven load"
    book.bench.mark("powdered", press=1)
    assert "2 h 1 min after printing" in book.warnings(1)[0].says
    book.bench.mark("printed", load=1)
    assert told(book) == [], "printed again"
    book.bench.mark("powdered", load=1, at=clock.now + timedelta(minutes=30))
    clock.go(hours=5)
    assert told(book) == [], "powdered in time"


def test_a_cured_film_rests_and_a_hot_peel_waits(book: Logbook, clock: Clock) -> None:
    book.bench.mark("cured", load=1)
    (rest,) = book.warnings(1)
    assert (rest.what, rest.clears_at) == ("rest", START + timedelta(seconds=5))
    clock.go(seconds=5)
    assert told(book) == []
    book.bench.mark("pressed", press=1)
    book.bench.mark("pressed", press=2)
    clock.go(seconds=2.9)
    assert told(book, 1) == ["hot peel"]
    assert told(book, 2) == [], "press 2 is peeled warm"
    clock.go(seconds=0.1)
    assert told(book, 1) == []


def test_old_powder_and_old_film_are_told_at_the_press(book: Logbook, clock: Clock) -> None:
    book.bench.lot("powder", "P-12", opened="2025-11-04")
    book.bench.lot("film", "F-3", opened=date(2025, 6, 1), printed=date(2025, 11, 4))
    book.bench.lot("ink", "I-1", opened="2020-01-01")
    assert told(book) == [], "six months to the day"
    clock.go(days=1)
    assert told(book) == ["old powder", "old film"]
    assert "P-12 was opened 2025-11-04" in book.warnings(1)[0].says
    book.bench.lot("powder", "P-13", opened="2026-05-05")
    assert told(book) == ["old film"]
    frame = book.bench.lots()
    assert frame["use_by"].tolist() == [date(2026, 5, 4), date(2026, 5, 4), None, date(2026, 11, 5)]


def test_six_months_from_the_end_of_august() -> None:
    assert material_lots.months_later(date(2025, 8, 31), 6) == date(2026, 2, 28)


def test_a_film_colder_than_the_dew_point_is_told(book: Logbook, clock: Clock) -> None:
    # 25 °C and 60 % have a dew point of 16.69 °C (WMO-No. 8, annex 4.B, recomputed).
    book.bench.room(temperature="25 C", humidity=60, film_temperature="16 C", altitude="5280 ft")
    (dew,) = book.warnings(1)
    assert "at 61 °F, the air's dew point is 62 °F" in dew.says
    book.bench.room(film_temperature="17 C")
    assert told(book) == []
    book.bench.room(film_temperature="16 C")
    clock.go(hours=13)
    assert told(book) == [], "another day, another air"
    frame = book.bench.rooms()
    assert frame["temperature"].iloc[0] == pytest.approx(77)
    assert frame["dew_point"].iloc[0] == pytest.approx(62.0477, abs=1e-4)
    # A mile up water boils at 94.6184 °C (IF97 and the 1976 atmosphere, recomputed).
    assert frame["boiling_point"].tolist() == pytest.approx([202.3131] * 3, abs=2e-4)


def test_a_setting_that_the_display_cannot_show_is_told(book: Logbook) -> None:
    book.bench.machine("press", low=200, high=320, step=10)
    assert told(book, 2) == []
    assert "325 °F is beyond the press's highest setting, 320 °F" in book.warnings(1)[0].says
    book.bench.machine("press", low=200, high=400, step=10)
    assert "between two steps" in book.warnings(1)[0].says
    book.bench.machine("oven", low=100, high=120)
    assert told(book, 2) == [], "its cure setting is a time"
    assert book.bench.what("press").high == 400


def test_an_overridden_warning_is_kept(book: Logbook) -> None:
    book.bench.mark("cured", press=1)
    (rest,) = book.warnings(1)
    book.bench.override(rest, by="Ana", reason="film was cool")
    (note,) = book.kept("overridden")
    assert note.said["press"] == 1
    assert (note.said["warning"], note.said["says"]) == ("rest", rest.says)
    assert (note.said["reason"], note.by) == ("film was cool", "Ana")


def test_a_numeric_peel_wait_is_held_to_three_seconds(tmp_path, clock, plan_of) -> None:
    from dtfexp import plan

    session = Session(
        "waits",
        [Factor("peel wait", 0, 30, "s", step=1, stage="peel")],
        [Outcome("peel")],
        ["cotton"],
    )
    with Logbook.create(tmp_path / "b.dtfbook", session, clock=clock) as book:
        book.add(plan(session, 4))
        book.bench.mark("pressed", press=1)
        assert told(book) == ["hot peel"]


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda b: b.mark("printed"), "give a press or an oven load"),
        (lambda b: b.mark("pressed", load=1), "give a press"),
        (lambda b: b.mark("oven on", press=1), "is of the whole bench"),
        (lambda b: b.mark("printd", load=1), "did you mean 'printed'"),
        (lambda b: b.mark("cured", load=1, at=datetime(2026, 5, 4)), "a time with its zone"),
        (lambda b: b.lot("glue", "x"), "one of film, powder, ink"),
        (lambda b: b.lot("film", " "), "its name is empty"),
        (lambda b: b.lot("powder", "x", opened="tomorrow"), "year, month and day"),
        (lambda b: b.lot("powder", "x", opened="2027-01-01"), "up to today"),
        (lambda b: b.lot("powder", "x", printed="2026-01-01"), "only film is printed"),
        (lambda b: b.lot("film", "x", opened="2026-02-01", printed="2026-01-01"), "is opened"),
        (lambda b: b.room(), "nothing is told"),
        (lambda b: b.room(temperature=25, humidity=0), "accepted 1 to 100 %"),
        (lambda b: b.room(temperature=150), "accepted -4 to 140 °F"),
        (lambda b: b.room(altitude="5 kg"), "accepted m and ft"),
        (lambda b: b.machine("mixer", low=1), "one of oven, press"),
        (lambda b: b.machine("oven"), "nothing is told"),
        (lambda b: b.machine("oven", low=300, high=200), "low must be the lower"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(book: Logbook, call, says: str) -> None:
    with pytest.raises((LogbookError, ResultsError), match=says) as caught:
        call(book.bench)
    assert "\n" not in str(caught.value)
    assert book.kept() == []


def test_a_platen_hotter_than_its_display_is_held_to_the_fabric(tmp_path, clock) -> None:
    session = Session(
        "hot",
        [Factor("press temperature", 280, 300, "°F", step=5, usual=290)],
        [Outcome("peel")],
        [Fabric("nylon", 150, "°C")],  # 302 °F
    )
    with Logbook.create(tmp_path / "b.dtfbook", session, clock=clock) as book:
        book.add(plan(session, 4))
        assert book.bench.refused() == {} and told(book) == []
        # Mean 295.44, hottest spot 299: at 290 it reaches 9 °F more than the display says.
        book.bench.map("press temperature", 290, [295] * 8 + [299])
        sets = book.runs().set_index("press")["press temperature"]
        past = [press for press, at in sets.items() if at + 9 > 302]
        assert past and len(past) < len(sets), "a telling plan"
        assert list(book.bench.refused()) == past
        for press in sets.index:
            found = [one for one in book.warnings(press) if one.what == "heat limit"]
            assert bool(found) == (press in past)
            if found:
                assert found[0].says.startswith(
                    "DO NOT PRESS as planned: nylon takes 302 °F (150 °C)"
                )
                assert "(measured)" in found[0].says and "set 293 °F or less" in found[0].says
        book.record(past[0], {"peel": 2})
        assert past[0] not in book.bench.refused(), "it is made"
        assert "heat limit" not in {one.what for one in book.warnings(past[0])}
        with pytest.raises(LogbookError, match=r"press 9: nylon takes .* nothing was added"):
            book.add(Plan(session, runs_at(session, 9, 300.0), "auto", 0))
        assert book.add(plan(session, 4)) == 0, "the very same plan again is no news"


def test_an_older_plan_inside_the_dial_and_past_the_allowance_is_told(
    tmp_path, clock, monkeypatch
) -> None:
    """A book planned when the limit bound the dial alone: not measured, the spread counts."""
    session = Session(
        "hot",
        [Factor("press temperature", 280, 300, "°F", step=5, spread=5)],
        [Outcome("peel")],
        [Fabric("nylon", 300, "°F")],
    )
    with Logbook.create(tmp_path / "b.dtfbook", session, clock=clock) as book:
        with monkeypatch.context() as older:
            older.setattr(Session, "refusal", lambda *_: "")
            book.add(Plan(session, runs_at(session, 1, 300.0), "auto", 0))
        (warning,) = book.warnings(1)
        assert "may reach 305 °F (not measured: allowance 5 °F)" in warning.says
        assert "set 295 °F or less" in book.bench.refused()[1]


def runs_at(session: Session, press: int, heat: float) -> pd.DataFrame:
    run = {"press": press, "fabric": "nylon", "oven_load": press, "press_round": press}
    return pd.DataFrame([run | {"press temperature": heat}])


def test_a_room_outside_what_was_tested_is_told(book: Logbook, clock: Clock) -> None:
    assert book.bench.room_strays() == []
    book.record(1, {book.session.outcomes[0].name: 4})
    book.bench.room(temperature="20 C", humidity=40)
    clock.go(hours=2)
    book.bench.room(humidity=52)
    clock.go(days=9)
    book.record(1, {book.session.outcomes[1].name: 5})  # a wash grade, days later
    assert book.bench.room_strays() == [], "nothing is known of today"
    book.bench.room(temperature="24 C", humidity=61, altitude=900)
    assert book.bench.room_strays() == [], "near enough, and no altitude to compare with"
    book.bench.room(temperature="26 C", humidity=71)
    warm, damp = book.bench.room_strays()
    assert "temperature is 79 °F now, the presses were made at 68 °F." in warm
    assert "humidity is 71 % now, the presses were made at 40 to 52 %." in damp
    assert book.bench.rooms_pressed_in()["humidity"].tolist() == [40, 52]
