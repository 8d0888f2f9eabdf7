"""A film cured with its load is a fact: nothing is set for it again, in the form and on paper."""

from __future__ import annotations

import re

import pandas as pd
import pymupdf
import pytest

from dtfexp import Factor, Logbook, Outcome, Session
from dtfexp.book import steps_of_day
from dtfexp.dialin.design.plan import Plan
from dtfexp.shop.runsheet import run_sheet
from dtfexp.show.paper.labels import coupon_labels_pdf
from dtfexp.show.paper.run_sheet import run_sheet_pdf
from dtfexp.show.recorder.form import form_state

FACT = "cured in load 1 at 255 °F, 100 s"


def coupon(press, load, oven, seconds, heat):
    return {
        "press": press, "fabric": "cotton", "oven_load": load, "press_round": press,
        "oven": oven, "cure time": seconds, "heat": heat,
    }  # fmt: skip


@pytest.fixture
def book(tmp_path):
    """Load 2 is cured between the two presses of load 1 and those of load 3."""
    session = Session(
        "A bench of this test",
        [
            Factor("oven", 240, 290, "°F", 5, "cure", True, 5, 265),
            Factor("cure time", 60, 140, "s", 10, "cure"),
            Factor("heat", 280, 330, "°F", 5, "press", True, 5, 300),
        ],
        [Outcome("peel")],
        ["cotton"],
    )
    runs = pd.DataFrame(
        [
            coupon(1, 1, 255.0, 100.0, 290.0),
            coupon(2, 2, 265.0, 90.0, 300.0),
            coupon(3, 1, 255.0, 100.0, 310.0),
            coupon(4, 3, 265.0, 90.0, 310.0),
        ]
    )
    with Logbook.create(tmp_path / "b.dtfbook", session) as made:
        made.add(Plan(session, runs, "auto", 0))
        yield made


def in_form(book, press):
    (one,) = [one for one in form_state(book)["presses"] if one["press"] == press]
    return one


def stops(book):
    return [
        (f"load {one['load']}" if one["load"] else one["press"], one["done"])
        for one in form_state(book)["stops"]
    ]


def test_the_form_marks_only_the_machine_in_hand(book):
    for press in (1, 2):
        book.record(press, {"peel": 4})
    third = in_form(book, 3)
    assert [one["was"] for one in third["settings"]] == [None, None, "300 °F"]
    assert third["film"] == FACT and third["cured"]
    assert [one["letter"] for one in third["countdowns"]] == ["p", "w"]
    assert [one["letter"] for one in third["film_clocks"]] == ["c", "r"]
    # The oven is set at its own stop, where it stands as load 2 left it.
    oven = {one["load"]: one for one in form_state(book)["stops"] if one["load"]}
    assert [one["was"] for one in oven[2]["settings"]] == ["255 °F", "100 s"]
    assert [one["was"] for one in oven[3]["settings"]] == [None, None]


def test_a_day_is_walked_from_load_to_round(book):
    assert [stop for stop, _ in stops(book)] == ["load 1", 1, "load 2", 2, 3, "load 3", 4]
    assert not any(done for _, done in stops(book))
    first = {one["press"]: one["first"] for one in form_state(book)["stops"] if not one["load"]}
    assert first[3][-1] == "press round 3 (coupon 3) at 310 °F"
    book.bench.look(1, "good")
    assert [stop for stop, done in stops(book) if done] == ["load 1"]
    book.record(2, {"peel": 4})
    assert [stop for stop, done in stops(book) if done] == ["load 1", "load 2", 2]


def test_a_look_after_the_cure_says_that_a_load_is_cured(book):
    book.bench.look(1, "grainy")
    assert not in_form(book, 1)["cured"], "it goes back into the oven"
    assert ("load 1", False) in stops(book)
    book.bench.look(1, "good")
    assert in_form(book, 1)["cured"] and in_form(book, 3)["cured"]
    assert not in_form(book, 2)["cured"]


def test_a_press_taken_back_cured_nothing(book):
    book.record(1, {"peel": 4})
    assert in_form(book, 3)["cured"]
    book.undo(1)
    assert not in_form(book, 3)["cured"] and ("load 1", False) in stops(book)


def test_the_terminal_marks_only_the_machine_in_hand(book):
    lines = run_sheet(Plan(book.session, book.runs(), "auto", 0))
    (place,) = [k for k, line in enumerate(lines) if re.match(r"\d+ +3 ", line)]
    assert lines[place].count(">") == 2, "press round and heat"
    assert "> 310 °F" in lines[place] and "1: 255 °F, 100 s" in lines[place]
    (last,) = [line for line in lines if re.match(r"\d+ +4 ", line)]
    assert last.count(">") == 1, "the press round; the oven is set before its load"


def test_status_says_the_next_step_of_the_hands(book):
    assert steps_of_day.now(book) == [
        "warm up oven at 255 °F and press at 290 °F, 10 min",
        "cure load 1 (coupons 1, 3) at 255 °F, 100 s",
    ]
    book.bench.look(1, "good")
    assert steps_of_day.now(book)[-1] == "press 1: cotton"


def test_run_sheet_and_labels_say_it_as_a_fact(book):
    with pymupdf.open(stream=run_sheet_pdf(book)) as doc:
        page = doc[0]
        told = " ".join(page.get_text().split())
        assert told.count(FACT) == 2 and f"Film of press 3: {FACT}." in told
        # Marked boxes are filled grey: the heat of presses 2 and 3.
        grey = [d for d in page.get_drawings() if d["fill"] and 0.8 < d["fill"][0] < 0.9]
        assert len(grey) == 2
    with pymupdf.open(stream=coupon_labels_pdf(book)) as doc:
        told = " ".join(doc[0].get_text().split())
    assert told.count("cured in load") == 4 and told.count(FACT) == 2


def test_the_readers_unit_is_large_and_the_dials_beside_it(tmp_path):
    session = Session(
        "Read in °F",
        [Factor("heat", 140, 170, "°C", 5, "press", True, 5, 160)],
        [Outcome("peel")],
        ["cotton"],
        temperature_unit="°F",
    )
    runs = pd.DataFrame(
        [{"press": 1, "fabric": "cotton", "oven_load": 1, "press_round": 1, "heat": 150.0}]
    )
    with Logbook.create(tmp_path / "f.dtfbook", session) as made:
        made.add(Plan(session, runs, "auto", 0))
        (heat,) = in_form(made, 1)["settings"]
        assert (heat["set"], heat["also"]) == ("302 °F", "150 °C")
        assert any("302 °F" in line for line in steps_of_day.now(made))
