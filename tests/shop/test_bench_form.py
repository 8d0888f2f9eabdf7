"""The bench described in the form: the questions of ``dtfexp new``, its refusals, its file."""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import Any

import pytest

from dtfexp import Outcome, Session
from dtfexp.shop import steps
from dtfexp.shop.first_day.answers import load_draft
from dtfexp.shop.first_day.asking import questions
from dtfexp.shop.first_day.bench_form import BenchDesk, Planning

NUMBERS = count()


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> BenchDesk:
    monkeypatch.chdir(tmp_path)
    return steps.bench_desk("session.toml")


def say(desk: BenchDesk, op: str, **more: Any) -> dict[str, Any]:
    return desk.handle({"op": op, "id": f"m{next(NUMBERS)}", **more})


def put(desk: BenchDesk, **answers: str) -> None:
    for key, value in answers.items():
        assert say(desk, "put", key=key.replace("_", " "), value=value)["ok"]


def fields(desk: BenchDesk) -> dict[str, dict[str, Any]]:
    return {one["key"]: one for part in desk.state()["sections"] for one in part.get("fields", ())}


def section(desk: BenchDesk, title: str) -> dict[str, Any]:
    (one,) = [part for part in desk.state()["sections"] if part["title"] == title]
    return one


def test_it_asks_what_the_terminal_asks_and_offers_the_same(desk: BenchDesk) -> None:
    answers: dict[str, Any] = {}
    asked = []
    for question in questions(answers):
        answers[question.key] = question.read(question.offered)
        asked.append((question.key, question.offered))
    assert [(key, one["value"]) for key, one in fields(desk).items()] == asked


def test_two_fabrics_with_limits_in_boxes_of_their_own(desk: BenchDesk) -> None:
    put(desk, unit="°F", fabric_1="cotton tee", fabric_2="polyester", fabric_2_limit="165 C")
    assert "none known" not in fields(desk)["fabric 2 limit"]["label"]
    assert "look at its care label" in fields(desk)["fabric 1 limit"]["note"]
    assert say(desk, "save")["ok"]
    session = Session.load("session.toml")
    assert [f.name for f in session.fabrics] == ["cotton tee", "polyester"]
    assert session.fabric("polyester").limit_in("°C") == pytest.approx(165)
    assert session.temperature_unit == "°F"
    shown = section(desk, "Review and save")
    assert shown["text"] == Path("session.toml").read_text(encoding="utf-8")
    assert any("polyester takes 329 °F" in line for line in shown["lines"])


def test_a_refused_answer_is_kept_as_typed_with_the_terminals_reason(desk: BenchDesk) -> None:
    put(desk, fabric_1_limit="32")
    one = fields(desk)["fabric 1 limit"]
    assert one["value"] == "32" and "no heat limit of a fabric" in one["refused"]
    assert section(desk, "Review and save")["buttons"][0]["off"]
    answer = say(desk, "save")
    assert not answer["ok"] and "no heat limit" in answer["text"]
    assert not Path("session.toml").exists()
    # Another start, here or at a terminal, goes on from it.
    assert load_draft(desk.path) == {"fabric 1 limit": "32"}
    again = steps.bench_desk("session.toml")
    assert fields(again)["fabric 1 limit"]["value"] == "32"
    put(again, fabric_1_limit="two dots")
    assert fields(again)["fabric 1 limit"]["refused"] == ""


def test_a_fabric_is_taken_out(desk: BenchDesk) -> None:
    put(desk, fabric_1="tee", fabric_2="nylon")
    assert fields(desk)["fabric 2"]["remove"]
    assert say(desk, "remove", key="fabric 2")["ok"]
    assert "fabric 2" not in fields(desk) and not fields(desk)["fabric 1"]["remove"]
    put(desk, fabric_3="polyester")
    assert say(desk, "save")["ok"]
    assert [f.name for f in Session.load("session.toml").fabrics] == ["tee", "polyester"]


def test_saved_answers_are_changed_and_saved_again_until_there_is_a_logbook(
    desk: BenchDesk,
) -> None:
    assert say(desk, "save")["ok"]
    put(desk, name="Second thoughts")
    assert say(steps.bench_desk("session.toml"), "save")["ok"]
    assert Session.load("session.toml").name == "Second thoughts"
    put(desk, presses="6")
    assert fields(desk)["presses"]["value"] == "6"
    answer = say(desk, "plan", values={"presses": "6"})
    assert answer["ok"], answer["text"]
    assert "6 test presses" in answer["text"]
    assert Path("sheets/run-sheet.pdf").exists() and Path("sheets/coupon-labels.pdf").exists()
    put(desk, name="Third thoughts")
    assert not say(desk, "save")["ok"]
    assert Session.load("session.toml").name == "Second thoughts"
    assert not say(desk, "plan", values={"presses": "6"})["ok"], "a plan is made once"


def test_a_file_written_by_hand_is_shown_and_never_replaced(desk: BenchDesk) -> None:
    assert say(desk, "save")["ok"]
    path = Path("session.toml")
    text = "# by hand\n" + path.read_text(encoding="utf-8").replace("My bench", "Mine")
    path.write_text(text, encoding="utf-8")
    state = steps.bench_desk("session.toml").state()["sections"]
    assert state[0]["text"] == text and "fields" not in state[0]
    answer = say(desk, "save")
    assert not answer["ok"] and "by hand" in answer["text"]
    assert path.read_text(encoding="utf-8") == text


def test_the_sheets_of_another_bench_are_not_shown_under_this_one(
    desk: BenchDesk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert steps.planned_book("logbook.dtfbook", "session.toml") is None
    assert "Nothing was planned" in capsys.readouterr().out
    assert say(desk, "save")["ok"] and say(desk, "plan", values={"presses": "4"})["ok"]
    book = steps.planned_book("logbook.dtfbook", "session.toml")
    assert book is not None
    book.close()
    path = Path("session.toml")
    path.write_text(path.read_text(encoding="utf-8").replace("My bench", "Mine"), encoding="utf-8")
    assert steps.planned_book("logbook.dtfbook", "session.toml") is None
    assert "the logbook of another bench (My bench)" in capsys.readouterr().out
    told = steps.bench_desk("session.toml").state()["sections"][-1]
    assert "another bench" in told["lines"][0] and "buttons" not in told


def test_a_message_that_comes_twice_plans_once(desk: BenchDesk) -> None:
    assert say(desk, "save")["ok"]
    message = {"op": "plan", "id": "once", "values": {"presses": "4"}}
    assert desk.handle(message)["text"] == desk.handle(message)["text"]
    assert desk.handle(message)["ok"]
    assert not desk.handle(None)["ok"] and not say(desk, "boil")["ok"]
    assert desk.planning == Planning()


def test_other_outcomes_are_described_in_the_form(desk: BenchDesk) -> None:
    put(desk, washes="20, 1 5", judged_1="hand feel", judged_1_accept="3")
    put(desk, judged_2="opacity", judged_2_kind="pass or fail", judged_2_washes="5")
    put(desk, judged_3="edge lift", judged_3_kind="measured", judged_3_unit="mm")
    assert "two numbers" in fields(desk)["judged 3 ends"]["refused"], "there is no usual scale"
    assert not say(desk, "save")["ok"]
    put(desk, judged_3_ends="2 0", judged_3_limit="2")
    assert "not the worst" in fields(desk)["judged 3 limit"]["refused"]
    put(desk, judged_3_limit="0,5 mm", judged_3_washes="0 5", judged_4="glow")
    put(desk, judged_5="Peel")
    assert "in use already" in fields(desk)["judged 5"]["refused"]
    put(desk, judged_5="")
    assert say(desk, "remove", key="judged 4")["ok"]
    answer = say(desk, "save")
    assert answer["ok"], answer["text"]
    assert list(Session.load("session.toml").outcomes) == [
        Outcome("peel"),
        Outcome("wash 1", washes=1, series="wash"),
        Outcome("wash 5", washes=5, series="wash"),
        Outcome("wash 20", washes=20, series="wash"),
        Outcome("hand feel", accept=3),
        Outcome("opacity", kind="passfail", washes=5),
        Outcome("edge lift 0", 2, 0, 0.5, kind="measured", unit="mm", washes=0, series="edge lift"),
        Outcome("edge lift 5", 2, 0, 0.5, kind="measured", unit="mm", washes=5, series="edge lift"),
    ]
    told = section(desk, "Review and save")["lines"]
    assert any("hand feel, one of 1, 2, 3, 4, 5" in line for line in told)
