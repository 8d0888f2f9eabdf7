"""The entry forms: a tap books once, a list shows it, a further entry takes it back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from dtfexp import Factor, Logbook, Outcome, Session
from dtfexp.show.forms import entries
from dtfexp.show.forms.entries import EntryDesk

NUMBERS = count()
NOW = [datetime(2026, 5, 20, 8, 0, tzinfo=UTC)]


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    NOW[0] = NOW[0].replace(day=20)
    session = Session(
        "A bench of this test",
        [Factor("press_temperature", 300, 340, "°F", step=5, usual=320)],
        [Outcome("peel")],
        ["cotton", "nylon"],
    )
    with Logbook.create(tmp_path / "b.dtfbook", session, clock=lambda: NOW[0]) as made:
        yield made


def book_it(desk: EntryDesk, id: str = "", part: int = 0, **values: str) -> dict[str, Any]:
    return desk.handle({"op": f"keep {part}", "id": id or f"m{next(NUMBERS)}", "values": values})


def listed(desk: EntryDesk, part: int = 0) -> list[str]:
    return [one["says"] for one in desk.state()["sections"][part]["rows"]]


def take_back(desk: EntryDesk, place: int = 0, part: int = 0) -> dict[str, Any]:
    one = desk.state()["sections"][part]["rows"][place]
    return desk.handle({"op": one["op"], "id": f"m{next(NUMBERS)}", "of": one["id"]})


def test_a_form_left_open_over_midnight_asks_for_the_day(book: Logbook) -> None:
    desk = EntryDesk(book, entries.counts(book, "cotton"))
    shown = desk.state()["today"]
    NOW[0] = NOW[0].replace(day=21)
    message = {"op": "keep 0", "today": shown, "values": DAY}
    told = desk.handle({**message, "id": "over midnight"})
    assert not told["ok"] and "today is 2026-05-21. Look at the day" in told["text"]
    assert not len(book.bench.counts())
    # The answer offers today; what the person taps then is booked, today or the day before.
    assert told["state"]["sections"][0]["fields"][0]["value"] == "2026-05-21"
    for n, day in enumerate(("2026-05-21", "2026-05-20")):
        again = {**message, "today": told["state"]["today"], "values": DAY | {"day": day}}
        assert desk.handle({**again, "id": f"again {n}"})["ok"]
    assert sorted(book.bench.counts()["day"]) == ["2026-05-20", "2026-05-21"]
    assert desk.handle({"op": "look", "id": "awake"})["ok"]


DAY = {"day": "2026-05-20", "fabric": "cotton", "pressed": "20", "failed": "1", "symptoms": ""}


def test_a_day_is_booked_by_a_tap_and_never_again_by_itself(book: Logbook) -> None:
    desk = EntryDesk(book, entries.counts(book, "cotton"))
    assert book_it(desk, "once", **DAY)["ok"] and book_it(desk, "once", **DAY)["ok"]
    # The page is opened again the next day: it offers that day, and nothing is booked.
    NOW[0] = NOW[0].replace(day=21)
    again = EntryDesk(book, entries.counts(book, "cotton"))
    (day, fabric, pressed, *_) = again.state()["sections"][0]["fields"]
    assert (day["value"], fabric["value"], pressed["value"]) == ("2026-05-21", "cotton", "")
    assert book_it(again, "once", **DAY)["ok"], "a message repeated after a restart"
    assert book.bench.counts()["day"].tolist() == ["2026-05-20"]
    assert len(book.kept("count")) == 1
    assert not book_it(again, **DAY | {"pressed": ""})["ok"]
    assert not book_it(again, **DAY | {"day": "2026-05-22"})["ok"], "not of tomorrow"


def test_a_corrected_day_is_one_line_and_taken_back_whole(book: Logbook) -> None:
    desk = EntryDesk(book, entries.counts(book, "cotton"))
    book_it(desk, **DAY)
    book_it(desk, **DAY | {"failed": "2", "symptoms": "bubbles: 2"})
    book_it(desk, **DAY | {"fabric": "nylon"})
    assert listed(desk) == [
        "2026-05-20, nylon: 1 of 20 failed", "2026-05-20, cotton: 2 of 20 failed; bubbles: 2",
    ]  # fmt: skip
    assert take_back(desk, 1)["ok"]
    assert listed(desk) == ["2026-05-20, nylon: 1 of 20 failed"]
    assert book.bench.counts()["fabric"].tolist() == ["nylon"]
    assert not desk.handle({"op": "undo 0", "id": "x", "of": "gone"})["ok"]


def test_changes_checks_lots_room_machines_and_readings(book: Logbook) -> None:
    parts = (
        entries.changed(book), entries.checks(book), entries.lots(book), entries.room(book),
        entries.machine(book), entries.nine_points(book),
    )  # fmt: skip
    desk = EntryDesk(book, *parts)
    assert desk.state()["sections"][5]["fields"][0]["choices"] == ["press temperature"]
    told = (
        {"what": "oven", "day": "2026-05-19", "after": ""},
        {"check": "nozzle check", "day": "2026-05-20"},
        {"what": "film", "name": "F-3", "opened": "2026-05-01", "printed": "2026-05-02"},
        {"temperature": "25 C", "humidity": "60", "altitude": ""},
        {"which": "oven", "warm_up_minutes": "15", "low": "250", "high": "", "step": "5"},
        {
            "setting": "press temperature", "set to": "320", "readings": "304 " * 9,
            "unit": "°F", "instrument": "probe", "emissivity": "", "machine": "",
        },
    )  # fmt: skip
    for part, values in enumerate(told):
        fields = [one["key"] for one in desk.state()["sections"][part]["fields"]]
        assert set(values) == set(fields)
        answer = book_it(desk, part=part, **values)
        assert answer["ok"], answer["text"]
    assert book.bench.changes()["day"].astype(str).tolist() == ["2026-05-19"]
    assert [listed(desk, part)[0] for part in range(len(parts))] == [
        "2026-05-19, oven, after press 0",
        "2026-05-20, nozzle check",
        "film lot F-3",
        "humidity 60 %, temperature 77 °F",
        "oven: from 250 °F, in steps of 5 °F, warm-up 15 min",
        "press temperature at 320 °F, 1 pass(es), probe",
    ]
    for part in range(len(parts)):
        assert take_back(desk, part=part)["ok"]
        assert listed(desk, part) == []
    assert not len(book.bench.changes()) and not book.bench.maps()
    assert len(book.bench.lots()) == 0 and book.bench.what("oven").warm_up_minutes != 15


def test_a_form_that_is_off_books_nothing(book: Logbook) -> None:
    part = entries.Part("Closed", "Book", list, lambda *_: "booked", off=lambda: "not yet")
    desk = EntryDesk(book, part)
    assert desk.state()["sections"][0]["buttons"][0]["off"] == "not yet"
    answer = book_it(desk)
    assert not answer["ok"] and answer["text"] == "not yet"
