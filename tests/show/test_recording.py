"""What the recording form is told and what becomes of what it says, without a browser."""

from __future__ import annotations

import base64
import json
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dtfexp import Fabric, Factor, Logbook, Outcome, ResultsError, Session, plan
from dtfexp.dialin.design.plan import Plan
from dtfexp.dialin.schedule.cured import reading
from dtfexp.show.recorder.form import form_state
from dtfexp.show.recorder.recording import FormServer


@pytest.fixture
def book(tmp_path):
    session = Session(
        "A bench of this test",
        [
            Factor("cure_temperature", 110, 150, "°C", 5, "cure", True, 3, 125),
            Factor("press_temperature", 280, 350, "°F", 5, "press", True, 5, 320),
            Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press"),
        ],
        [Outcome("peel"), Outcome("wash", washes=5)],
        ["cotton jersey", Fabric("nylon shell", 310, "°F")],
    )
    with Logbook.create(tmp_path / "bench.dtfbook", session) as made:
        made.add(plan(session, 8))
        yield made


@pytest.fixture
def desk(book):
    return FormServer(book)


def say(desk: FormServer, op: str, **more: Any) -> dict[str, Any]:
    return desk.handle({"op": op, "id": more.pop("id", f"{op}-{len(more)}"), **more})


def rows(book: Logbook) -> int:
    """Entries in the file, counted by another connection."""
    with closing(sqlite3.connect(book.path)) as other:
        names = [name for (name,) in other.execute("SELECT name FROM sqlite_master")]
        (table,) = [name for name in names if name in ("entry", "entries")]
        return int(other.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_the_state_is_plain_json_and_shows_every_unit(desk):
    state = desk.state()
    assert json.loads(json.dumps(state, allow_nan=False)) == state
    assert state["next"] == state["presses"][0]["press"] and state["waiting"] == []
    for press in state["presses"]:
        cure, heat, pressure = press["settings"]
        assert cure["set"].endswith(" °C") and heat["set"].endswith(" °C")
        assert heat["also"].endswith(" °F"), "as its dial shows"
        assert cure["unit"] == "°C" and heat["unit"] == "°F"
        assert pressure["words"] == ["light", "medium", "firm"]
    assert all(grade["sentence"] for o in state["outcomes"] for grade in o["grades"])


def was(state: dict[str, Any], press: int) -> list[str | None]:
    (one,) = [p for p in state["presses"] if p["press"] == press]
    return [setting["was"] for setting in one["settings"]]


def marks(book: Logbook, press: int, before: int) -> list[str | None]:
    """What must be marked at ``press`` when the machines stood as for the press ``before``."""
    runs = book.runs().set_index("press")
    return [
        reading(book.session, f, runs.loc[before, f.name])
        if f.stage != "cure" and runs.loc[before, f.name] != runs.loc[press, f.name]
        else None
        for f in book.session.factors
    ]


def test_what_changes_is_marked_against_the_press_really_made_last(desk, book):
    order = book.runs()["press"].tolist()
    state = desk.state()
    assert all(was(state, press) == [None] * 3 for press in order), "nothing was set yet"
    say(desk, "record", id="a", press=order[0], grades={"peel": 4})
    # Two are skipped: what the plan says of them was never set.
    state = say(desk, "record", id="b", press=order[3], grades={"peel": 4})["state"]
    assert marks(book, order[1], order[3]) != marks(book, order[1], order[0]), "a telling plan"
    assert was(state, order[1]) == marks(book, order[1], order[3])
    assert was(state, order[3]) == marks(book, order[3], order[0])
    assert was(state, order[0]) == [None] * 3
    # A wash grade days later is no press.
    state = say(desk, "record", id="c", press=order[0], grades={"wash": 4})["state"]
    assert was(state, order[1]) == marks(book, order[1], order[3])


def test_a_spoiled_press_was_set_and_one_taken_back_was_not(desk, book):
    one, two, three = book.runs()["press"].tolist()[:3]
    say(desk, "record", id="a", press=one, grades={"peel": 4})
    state = say(desk, "exclude", press=two, reason="film upside down")["state"]
    assert was(state, three) == marks(book, three, two)
    state = say(desk, "undo", press=two)["state"]
    assert was(state, three) == marks(book, three, one)
    say(desk, "record", id="b", press=two, grades={"peel": 1})
    state = say(desk, "redo", press=two, reason="slipped")["state"]
    assert was(state, two) == [None] * 3, "the machines still stand as for this press"
    assert was(state, three) == marks(book, three, two)


def test_a_save_carries_every_field_and_moves_on(desk, book):
    answer = say(
        desk,
        "record",
        id="one",
        press=1,
        grades={"peel": 4},
        actual={"press_temperature": "139,5 C", "pressure": "Firm"},
        defects=["bubbles"],
        note="left corner",
        by="Ro",
    )
    assert answer["ok"] and answer["id"] == "one" and "peel 4" in answer["text"]
    held = book.results().set_index("press").loc[1]
    # 139.5 * 9 / 5 + 32, by hand
    assert held["press_temperature_actual"] == pytest.approx(283.1)
    assert (held["pressure_actual"], held["defects"], held["note"]) == (
        "firm",
        "bubbles",
        "left corner",
    )
    assert answer["state"]["next"] == book.runs()["press"].iloc[1]
    assert answer["state"]["waiting"] == [1] and answer["state"]["recent"] == ["one"]
    assert book.history(1)["by"].tolist() == ["Ro"]


def test_the_same_message_again_makes_no_second_entry(desk, book):
    for _ in range(3):
        assert say(desk, "record", id="same", press=2, grades={"peel": 5})["ok"]
    assert rows(book) == 1


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ({"op": "record", "press": 1, "grades": {"peel": 6}}, "6"),
        ({"op": "record", "press": 1, "grades": {"peel": "4,4"}}, "peel"),
        ({"op": "record", "press": 99, "grades": {"peel": 4}}, "99"),
        ({"op": "record", "press": 1, "grades": {}}, "nothing to record"),
        (
            {
                "op": "record",
                "press": 1,
                "grades": {"peel": 4},
                "actual": {"press_temperature": "3,0,5"},
            },
            "3,0,5",
        ),
        (
            {
                "op": "record",
                "press": 1,
                "grades": {"peel": 4},
                "actual": {"press_temperature": "3 bar"},
            },
            "3 bar",
        ),
        ({"op": "exclude", "press": 1, "reason": "  "}, "reason"),
        ({"op": "undo", "press": 1}, "nothing"),
        ({"op": "grades", "entries": []}, "no grade"),
        ({"op": "no such thing"}, "no such thing"),
        ("not a message", "not a message"),
        (None, "None"),
    ],
)
def test_a_mistake_is_told_and_nothing_is_written(desk, book, message, told):
    answer = desk.handle({"id": "x", **message} if isinstance(message, dict) else message)
    assert not answer["ok"] and told in answer["text"] and "\n" not in answer["text"]
    assert rows(book) == 0


def test_a_closed_book_is_told_and_not_raised(desk, book):
    book.close()
    answer = say(desk, "record", press=1, grades={"peel": 4})
    assert not answer["ok"] and answer["text"]


def test_wash_grades_are_kept_coupon_by_coupon(desk, book):
    for press in (1, 2, 3):
        say(desk, "record", id=f"p{press}", press=press, grades={"peel": 4})
    answer = say(
        desk,
        "grades",
        by="Ro",
        entries=[
            {"id": "w1", "press": 1, "grades": {"wash": 5}},
            {"id": "w2", "press": 2, "grades": {"wash": 9}},
            {"id": "w3", "press": 3, "grades": {"wash": 2}},
        ],
    )
    assert answer["ok"] and answer["saved"] == ["w1", "w3"]
    assert [(f["id"], "9" in f["text"]) for f in answer["failed"]] == [("w2", True)]
    assert answer["state"]["waiting"] == [2]
    assert book.results().set_index("press")["wash"].loc[[1, 3]].tolist() == [5.0, 2.0]


def test_leave_out_take_in_make_again_and_undo(desk, book):
    say(desk, "record", id="r", press=1, grades={"peel": 2})
    assert say(desk, "exclude", press=1, reason="film upside down")["ok"]
    assert desk.state()["presses"][0]["excluded"]
    assert say(desk, "include", press=1)["ok"]
    assert not desk.state()["presses"][0]["excluded"]
    again = say(desk, "redo", press=1, reason="spoiled")
    assert again["ok"] and again["state"]["next"] == 1
    back = say(desk, "undo", press=1)
    assert back["state"]["presses"][0]["grades"] == {"peel": 2.0}
    told = [line["said"] for line in say(desk, "history", press=1)["history"]]
    assert len(told) == 5 and any("film upside down" in line for line in told)


def test_two_desks_on_one_file_see_each_other(desk, book):
    with Logbook.open(book.path) as other:
        assert say(FormServer(other), "record", press=1, grades={"peel": 3})["ok"]
    assert say(desk, "refresh")["state"]["presses"][0]["grades"] == {"peel": 3.0}


def test_saves_from_many_threads_store_their_own_values(desk, book):
    def save(press: int) -> None:
        answer = desk.handle(
            {"op": "record", "id": f"t{press}", "press": press, "grades": {"peel": 1 + press % 5}}
        )
        assert answer["ok"], answer["text"]

    threads = [threading.Thread(target=save, args=(press,)) for press in range(1, 9)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    peel = book.results().set_index("press")["peel"]
    assert peel.to_dict() == {press: float(1 + press % 5) for press in range(1, 9)}


def test_a_book_without_presses_has_a_state(tmp_path, book):
    with Logbook.create(tmp_path / "empty.dtfbook", book.session) as empty:
        state = form_state(empty)
    assert state["presses"] == [] and state["next"] is None and state["waiting"] == []


def test_books_are_told_apart_in_the_browser(tmp_path, book):
    with Logbook.create(tmp_path / "other.dtfbook", book.session) as other:
        assert form_state(other)["key"] != form_state(book)["key"]


def test_a_photo_comes_with_the_message_and_is_seen_in_the_history(desk, book):
    picture = b"\xff\xd8\xff" + bytes(30)
    message = {"op": "photo", "id": "snap", "press": 2, "by": "Ro"}
    for _ in range(2):
        answer = desk.handle(message, [memoryview(picture)])
        assert answer["ok"], answer["text"]
    assert [p["photos"] for p in answer["state"]["presses"] if p["press"] == 2] == [1]
    (shown,) = say(desk, "history", press=2)["photos"]
    assert base64.b64decode(shown["picture"].split(",")[1]) == picture
    assert shown["picture"].startswith("data:image/jpeg;base64,") and shown["by"] == "Ro"
    (book.path.parent / "bench.dtfbook.photos").joinpath(shown["file"]).unlink()
    (lost,) = say(desk, "history", press=2)["photos"]
    assert not lost["picture"] and "cannot be read" in lost["trouble"]
    assert not desk.handle({**message, "id": "none"})["ok"], "no picture came along"
    assert not say(desk, "forget photo", press=1, photo="snap")["ok"], "of another press"
    assert say(desk, "forget photo", press=2, photo="snap")["ok"]
    assert say(desk, "history", press=2)["photos"] == []


def test_what_comes_before_a_press_is_told_also_of_presses_added_since(desk, book):
    first = desk.state()["stops"]
    assert first[0]["load"] and first[0]["first"][0].startswith("warm up oven at")
    runs = book.runs()
    for column in ("press", "oven_load", "press_round"):
        runs[column] += runs[column].max()
    book.add(Plan(book.session, runs, "auto", 0, "again", ()))
    later = desk.state()["stops"]
    assert len(later) == 2 * len(first)
    assert later[len(first)]["first"][0].startswith("warm up oven at")


def test_what_is_on_the_disk_is_never_called_not_saved(desk, book, monkeypatch):
    def broken(*_: object) -> None:
        raise ValueError("cannot draw")

    monkeypatch.setattr("dtfexp.show.recorder.recording.form_state", broken)
    answer = say(desk, "record", id="one", press=1, grades={"peel": 4})
    assert answer["ok"] and "peel 4 (run this page again" in answer["text"]
    assert "state" not in answer and rows(book) == 1
    wrong = say(desk, "record", id="two", press=2, grades={"peel": 4}, overridden=["no warning"])
    assert not wrong["ok"] and rows(book) == 1, "refused before anything is written"


def test_a_logbook_shows_its_own_form(tmp_path: Path) -> None:
    import dtfexp
    from dtfexp.show.recorder.recorder import Recorder

    session = dtfexp.Session("t", (dtfexp.Factor("heat", 1, 9),), (dtfexp.Outcome("peel"),), ("x",))
    with dtfexp.Logbook.create(tmp_path / "a.dtfbook", session) as book:
        assert isinstance(book.recorder(), Recorder)
    with dtfexp.Logbook.open(tmp_path / "a.dtfbook") as book:
        assert isinstance(book.recorder(), Recorder)


# Readings that are hard to believe, and readings past what the fabric takes.


def of_fabric(book: Logbook, name: str) -> int:
    runs = book.runs()
    return int(runs.loc[runs["fabric"] == name, "press"].iloc[0])


def test_a_reading_in_the_other_unit_is_asked_about_and_not_saved(desk, book):
    press = of_fabric(book, "cotton jersey")
    said = {"press": press, "grades": {"peel": 4}, "actual": {"press_temperature": "165"}}
    answer = say(desk, "record", id="one", **said)
    assert not answer["ok"] and rows(book) == 0, "nothing is saved before somebody has answered"
    (question,) = answer["ask"]
    assert question["says"].startswith("165 °F? Set is")
    assert (question["read"], question["meant"]) == ("165 °F", "165 °C")
    wrong = {**question, "says": "another question", "answer": "kept"}
    assert not say(desk, "record", id="two", answers=[wrong], **said)["ok"]
    kept = {"factor": "press_temperature", "says": question["says"], "answer": "kept"}
    for _ in range(2):  # the same message again says nothing new
        assert say(desk, "record", id="three", by="Bo", answers=[kept], **said)["ok"]
    assert book.results().set_index("press").loc[press, "press_temperature_actual"] == 165
    told = [line["said"] for line in say(desk, "history", press=press)["history"]]
    assert f"asked: {question['says']} Answer: kept" in told and len(told) == 2
    # The other answer: what was meant is saved, and that it was asked stays in the history.
    meant = {**kept, "answer": "165 °C"}
    said["actual"] = {"press_temperature": "165 °C"}
    assert say(desk, "record", id="four", answers=[meant], **said)["ok"]
    assert book.results().set_index("press").loc[press, "press_temperature_actual"] == 329
    told = [line["said"] for line in say(desk, "history", press=press)["history"]]
    assert told[-1] == f"asked: {question['says']} Answer: 165 °C"


def test_a_reading_past_the_limit_is_kept_and_never_quietly(desk, book):
    press = of_fabric(book, "nylon shell")
    keep = [{"factor": "press_temperature", "answer": "kept"}]
    said = {"grades": {"peel": 4}, "actual": {"press_temperature": 400}}
    (asked,) = say(desk, "record", press=press, **said)["ask"]
    keep[0]["says"] = asked["says"]
    answer = say(desk, "record", press=press, answers=keep, **said)
    assert answer["ok"] and rows(book) == 1
    (line,) = answer["past"]
    assert line.startswith(
        "press temperature reached 400 °F, and nylon shell takes 310 °F at most: 90 °F too hot."
    )
    shown = {one["press"]: one["past"] for one in answer["state"]["presses"]}
    assert shown.pop(press) == [line] and not any(shown.values())
    cotton = of_fabric(book, "cotton jersey")
    set_to = float(book.runs().set_index("press").loc[cotton, "press_temperature"])
    answer = say(desk, "record", id="b", press=cotton, actual={"press_temperature": set_to + 5})
    assert answer["ok"] and answer["past"] == []


def test_a_script_is_asked_as_well_and_the_form_asks_by_what_the_machine_read_so_far(desk, book):
    with pytest.raises(ResultsError, match="Did you mean 165 °C = 329 °F"):
        book.record(1, {"peel": 4}, actual={"press_temperature": 165})
    assert rows(book) == 0
    # A press that runs 30 °F cool says so three times, and is believed from then on.
    runs = book.runs().set_index("press")["press_temperature"]
    for press, more in zip(runs.index[:3], (-30, -31, -29), strict=True):
        cool = {"press_temperature": float(runs[press]) + more}
        assert not say(desk, "record", id=f"{press}", press=press, actual=cool)["ok"]
        book.record(press, actual=cool, accept=["press_temperature"])
    cool = {"press_temperature": float(runs.iloc[3]) - 30}
    assert say(desk, "record", id="d", press=runs.index[3], actual=cool)["ok"]
    hot = {"press_temperature": float(runs.iloc[4])}
    (asked,) = say(desk, "record", id="e", press=runs.index[4], actual=hot)["ask"]
    assert asked["meant"] == "" and "Expected here" in asked["says"]


def test_what_the_wash_has_shown_is_saved_with_its_grade(book, desk):
    """Signs of the wash stand beside those of the press; a grade alone leaves them."""
    assert "fading" in desk.state()["wash_defects"]
    assert "fading" not in desk.state()["defects"]
    say(desk, "record", press=1, grades={"peel": 4}, defects=["bubbles"])
    entry = {"id": "a", "press": 1, "grades": {"wash": 3}, "defects": ["bubbles", "fading"]}
    assert say(desk, "grades", entries=[entry])["ok"]
    held = book.results().set_index("press").loc[1]
    assert (held["wash"], held["defects"]) == (3, "bubbles; fading")
    assert say(desk, "grades", entries=[{"id": "b", "press": 1, "grades": {"wash": 2}}])["ok"]
    assert book.results().set_index("press").loc[1, "defects"] == "bubbles; fading"
