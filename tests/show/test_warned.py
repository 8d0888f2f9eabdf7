"""Warnings that the form shows before the mistake, and what is noted when they are overridden."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Logbook, Outcome, Plan, Session, plan
from dtfexp.book.bench import step_clocks
from dtfexp.show.recorder.form import form_state
from dtfexp.show.recorder.recording import FormServer

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


class Bench:
    """A form's desk on a book of one load after another, and a clock moved by hand."""

    def __init__(self, book: Logbook) -> None:
        self.now, self.book = START, book
        self.desk = FormServer(book, clock=lambda: self.now)
        runs = book.runs()
        self.press = int(runs["press"].iloc[0])
        self.load = int(runs["oven_load"].iloc[0])
        self.said = 0

    def say(self, op: str, **more: Any) -> dict[str, Any]:
        self.said += 1
        message = {"op": op, "id": f"m{self.said}", "shown": self.press, "by": "Ro", **more}
        answer = self.desk.handle(message)
        assert answer["ok"], answer["text"]
        return answer

    def told(self) -> list[tuple[str, bool]]:
        warnings = self.say("refresh")["warned"]["warnings"]
        return [(one["what"], one["overridden"]) for one in warnings]

    def overridden(self) -> list[tuple[int, str, str]]:
        notes = self.book.kept(step_clocks.OVERRIDDEN)
        return [(note.said["press"], note.said["warning"], note.by) for note in notes]


@pytest.fixture
def bench(tmp_path):
    session = Session(
        "A bench of this test",
        [
            Factor("cure time", 40, 120, "s", 10, "cure"),
            Factor("press temperature", 280, 350, "°F", 5, "press"),
        ],
        [Outcome("peel"), Outcome("wash", washes=5)],
        ["cotton jersey"],
    )
    with Logbook.create(tmp_path / "bench.dtfbook", session) as book:
        book.add(plan(session, 6))
        yield Bench(book)


def test_a_bench_that_nobody_told_anything_warns_of_nothing(bench):
    assert bench.told() == []
    assert bench.say("refresh", shown=None).get("warned") is None
    assert bench.say("refresh", shown=99)["warned"] is None


def test_a_step_says_how_long_ago_it_was_by_the_clock_of_the_book(bench):
    # Rest of 5 to 10 s after the cure: common practice, no source.
    bench.say("mark", step="cured", load=bench.load, ago=2.0)
    (rest,) = bench.say("refresh")["warned"]["warnings"]
    assert (rest["what"], rest["left"]) == ("rest", pytest.approx(3.0))
    bench.now += timedelta(seconds=3)
    assert bench.told() == []
    for wrong in (-1, "soon", 1e9, None):
        answer = bench.desk.handle(
            {"op": "mark", "id": "x", "step": "cured", "load": 1, "ago": wrong}
        )
        assert not answer["ok"] and "0 s to 7 days" in answer["text"]


def test_going_on_is_noted_once_with_the_save_or_by_its_button(bench):
    # 10 min of warm-up: common practice, no source.
    for _ in range(2):
        bench.say("mark", id="tap", step="oven on")
        bench.now += timedelta(minutes=3)
    steps = {step["step"]: step["at"] for step in bench.say("refresh")["warned"]["steps"]}
    assert steps == {"oven on": "09:00", "press on": "", "printed": "", "powdered": ""}
    assert bench.told() == [("oven warm-up", False)]
    (warning,) = bench.say("refresh")["warned"]["warnings"]
    for _ in range(2):
        answer = bench.say(
            "record", id="save", press=bench.press, grades={"peel": 4}, overridden=[warning]
        )
    assert "in spite of a warning" in answer["text"]
    assert bench.overridden() == [(bench.press, "oven warm-up", "Ro")]
    assert bench.told() == [("oven warm-up", True)], "seen still, and not asked again"
    bench.say("override", press=bench.press, overridden=[{"what": "dew", "says": "wet"}])
    assert len(bench.overridden()) == 2
    told = [line["said"] for line in bench.say("history", press=bench.press)["history"]]
    assert [line.split(":")[0] for line in told if "in spite" in line] == [
        "gone on in spite of"
    ] * 2
    for wrong in ({"press": 99}, {"overridden": ["x"]}, {"overridden": [{"what": "dew"}]}):
        message = {"op": "override", "id": "y", "press": 1, "overridden": [warning], **wrong}
        assert not bench.desk.handle(message)["ok"]
    assert len(bench.overridden()) == 2


def test_a_step_of_a_load_is_told_to_its_own_presses_only(bench):
    # Powder within 2 h of printing: common practice, no source.
    bench.say("mark", step="printed", load=bench.load, press=bench.press)
    bench.now += timedelta(hours=2, minutes=1)
    assert bench.told() == [("powder", False)]
    runs = bench.book.runs()
    other = int(runs.loc[runs["oven_load"] != bench.load, "press"].iloc[0])
    assert bench.say("refresh", shown=other)["warned"]["warnings"] == []


def test_a_load_is_looked_at_once_and_cured_on_when_it_is_grainy(bench: Bench) -> None:
    def load() -> dict[str, Any]:
        return bench.say("refresh")["state"]["loads"][str(bench.load)]

    assert (load()["cured"], load()["look"]) == (False, "")
    bench.say("mark", step="cured", ago=20, load=bench.load)
    assert load()["cured"] is True
    assert bench.say("look", load=bench.load, look="grainy")["text"].endswith("grainy")
    assert (load()["look"], bench.told()) == ("grainy", [("grainy", False)])
    answer = bench.say("look", load=bench.load, look="grainy", cured_on=15)
    assert answer["text"] == f"oven load {bench.load}: grainy, cured on 15 s"
    # Open again, and the rest begins when it comes out.
    assert (load()["look"], load()["cured_on"], bench.told()) == ("", 15.0, [("rest", False)])
    bench.say("forget look", load=bench.load)
    assert (load()["look"], load()["cured_on"]) == ("grainy", 0.0)
    bench.say("look", load=bench.load, look="good")
    assert load()["look"] == "good"
    told = [line["said"] for line in bench.say("history", press=bench.press)["history"]]
    assert told == ["powder side: grainy or dull", "powder side: melted, glossy"]


def test_a_look_that_cannot_be_kept_is_told(bench: Bench) -> None:
    answer = bench.desk.handle({"op": "look", "id": "x", "load": 99, "look": "good"})
    assert not answer["ok"]
    assert "oven load 99 is not in the book" in answer["text"]
    assert not bench.book.kept()


def test_the_form_warns_of_the_hottest_spot(tmp_path, monkeypatch):
    """Limit 300 °F; the platen is 4 °F cooler on average and 8 °F hotter in one corner: 290 is
    safe (298 met), 295 is not (303 met)."""
    spots = (-6.0,) * 7 + (-2.0, 8.0)
    session = Session(
        "spots",
        [Factor("press temperature", 280, 300, "°F", step=5, spots=spots)],
        [Outcome("peel")],
        [Fabric("nylon", 300, "°F")],
    )
    with Logbook.create(tmp_path / "b.dtfbook", session) as book:
        with monkeypatch.context() as older:  # a plan of before the heat gate
            older.setattr(Session, "refusal", lambda *_: "")
            run = {"fabric": "nylon", "press": [1, 2], "oven_load": [1, 2], "press_round": [1, 2]}
            runs = pd.DataFrame(run | {"press temperature": [290.0, 295.0]})
            book.add(Plan(session, runs, "auto", 0))
        cool, hot = form_state(book)["presses"]
        assert cool["refused"] == ""
        assert "303 °F" in hot["refused"] and "set 292 °F or less" in hot["refused"]
        assert [one.what for one in book.warnings(2)] == ["heat limit"] and not book.warnings(1)
