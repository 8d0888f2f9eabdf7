"""Several ovens and presses by name: readings, checks and lots of another machine do not count."""

import pytest

from dtfexp import Logbook, LogbookError, Session, SessionError
from dtfexp.book.bench import machine_readings, material_lots
from dtfexp.show.text.measured_conditions import MeasuredConditions

NINE = [[308, 310, 309], [311, 314, 312], [309, 311, 308]]
HOT = [[value + 30 for value in row] for row in NINE]


@pytest.fixture
def left(tmp_path, session):
    """A book of the press on the left and the second conveyor."""
    named = session.altered(oven="conveyor 2", press="Press left")
    with Logbook.create(tmp_path / "left.dtfbook", named) as book:
        yield book


def test_a_map_of_another_press_does_not_count(left):
    left.bench.map("press temperature", 320, HOT, machine="press right")
    assert left.bench.true_settings().lines == {} == left.bench.true_settings().spreads
    kept = left.bench.map("press temperature", 320, NINE)
    assert kept.machine == "Press left"
    found = left.bench.true_settings()
    assert found.lines["press temperature"].reached == (kept.summary.mean,)
    assert found.spreads["press temperature"] == kept.summary.spread == 3.0
    # Both are kept, each under its name; the papers show the session's own.
    assert [one.machine for one in left.bench.maps()] == ["press right", "Press left"]
    assert machine_readings.frame(left.bench.maps())["machine"].tolist() == [
        "press right",
        "Press left",
    ]
    assert [one.machine for one in MeasuredConditions.of(left).maps] == ["Press left"]


def test_a_check_of_another_oven_does_not_count(left):
    left.bench.check("cure time", 60, 75, machine="conveyor 1")
    assert "cure time" not in left.bench.true_settings().lines
    left.bench.check("cure time", 60, 62, machine="CONVEYOR 2")
    left.bench.check("cure time", 60, 62, machine="oven")
    assert left.bench.true_settings().lines["cure time"].reached == (62.0, 62.0)


def test_the_opening_check_is_of_this_sessions_machine(left):
    def state():
        return left.bench.checks().set_index("check").loc["platen map", "state"]

    left.bench.map("press temperature", 320, NINE, machine="press right")
    assert state() == "never done"
    left.bench.map("press temperature", 320, NINE)
    assert state() == "done"


def test_a_display_belongs_to_the_machine_named(left):
    left.bench.machine("press right", is_a="press", low=300, high=310)
    assert left.bench.what("press").high is None and left.bench.what("press").which == "Press left"
    left.bench.machine("press", low=200, high=400)
    left.bench.machine("press left", step=5, high=390)
    assert (left.bench.what("Press left").high, left.bench.what("press").step) == (390.0, 5.0)
    # Once known, its name is enough.
    left.bench.machine("Press Right", high=320)
    assert left.bench.what("press right").high == 320.0
    with pytest.raises(LogbookError, match="press right, Press left, conveyor 2, or a new name"):
        left.bench.machine("press middle", low=200)
    with pytest.raises(LogbookError, match=r"is_a: got 'printer'.*accepted one of oven, press"):
        left.bench.machine("x", is_a="printer", low=200)


def test_the_powder_of_the_other_oven_is_not_in_use_here(left):
    left.bench.lot("powder", "P-1")
    left.bench.lot("powder", "P-9", machine="conveyor 1")
    assert (
        material_lots.lots_in_use(left.kept(material_lots.KIND), left.session)["powder"].name
        == "P-1"
    )
    left.bench.lot("powder", "P-2", machine="oven")
    assert (
        material_lots.lots_in_use(left.kept(material_lots.KIND), left.session)["powder"].name
        == "P-2"
    )
    assert left.bench.lots()["machine"].tolist() == ["", "conveyor 1", "conveyor 2"]
    assert [name for _, name in MeasuredConditions.of(left).lots] == ["P-1", "P-2"]


def test_a_book_of_one_oven_and_one_press_keeps_notes_as_before(book):
    book.bench.map("press temperature", 320, NINE)
    book.bench.machine("press", low=200)
    book.bench.lot("ink", "I-1")
    for kind in ("map", "machine", "lot"):
        (note,) = book.kept(kind)
        assert "machine" not in note.said
        assert kind == "lot" or "name" not in note.said
    assert "oven =" not in book.session.to_toml() and "press =" not in book.session.to_toml()
    assert book.bench.true_settings().lines


def test_names_of_the_machines_survive_the_session_file(session):
    named = session.altered(
        oven="conveyor 2", press="press left", film="A4 matte", film_peel="Cold"
    )
    assert named.film_peel == "cold"
    back = Session.from_toml(named.to_toml())
    assert back == named and back.machine("cure") == "conveyor 2" and back.machine("peel") == ""
    with pytest.raises(SessionError, match="oven and press are both"):
        session.altered(oven="one", press="One")
    with pytest.raises(
        SessionError, match="film_peel: got 'tepid'; accepted one of hot, warm, cold"
    ):
        session.altered(film_peel="tepid")
