"""A film cured with its load is a fact: nothing is set for it again, in the form and on paper."""

from __future__ import annotations

import re

import pandas as pd
import pymupdf
import pytest

from dtfexp import Factor, Logbook, Outcome, Session
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


def test_the_form_marks_only_the_machine_in_hand(book):
    for press in (1, 2):
        book.record(press, {"peel": 4})
    third = in_form(book, 3)
    assert [one["was"] for one in third["settings"]] == [None, None, "300 °F"]
    assert third["cured"] == FACT
    assert [one["letter"] for one in third["countdowns"]] == ["r", "p", "w"]
    # The oven stands as load 2 left it, whatever was pressed after.
    book.record(3, {"peel": 4})
    fourth = in_form(book, 4)
    assert [one["was"] for one in fourth["settings"]] == [None, None, None]
    assert fourth["cured"] == "" and fourth["countdowns"][0]["letter"] == "c"


def test_a_look_after_the_cure_says_that_a_load_is_cured(book):
    book.bench.look(1, "grainy")
    assert in_form(book, 1)["cured"] == "", "it goes back into the oven"
    book.bench.look(1, "good")
    assert in_form(book, 1)["cured"] == in_form(book, 3)["cured"] == FACT
    assert in_form(book, 2)["cured"] == ""
    assert not any("cure load 1" in step for step in in_form(book, 1)["first"])
    assert any("cure load 2" in step for step in in_form(book, 2)["first"])


def test_a_press_taken_back_cured_nothing(book):
    book.record(1, {"peel": 4})
    assert in_form(book, 3)["cured"] == FACT and in_form(book, 1)["cured"] == ""
    book.undo(1)
    assert in_form(book, 3)["cured"] == ""


def test_the_terminal_marks_only_the_machine_in_hand(book):
    lines = run_sheet(Plan(book.session, book.runs(), "auto", 0))
    (place,) = [k for k, line in enumerate(lines) if re.match(r"\d+ +3 ", line)]
    assert lines[place].count(">") == 2, "press round and heat"
    assert "> 310 °F" in lines[place] and lines[place - 1].strip() == f"- {FACT}"
    (last,) = [line for line in lines if re.match(r"\d+ +4 ", line)]
    assert last.count(">") == 2, "oven load and press round"


def test_run_sheet_and_labels_say_it_as_a_fact(book):
    with pymupdf.open(stream=run_sheet_pdf(book)) as doc:
        page = doc[0]
        assert f"Film {FACT}." in " ".join(page.get_text().split())
        # Marked boxes are filled grey: oven, time and heat of press 2, heat of 3.
        grey = [d for d in page.get_drawings() if d["fill"] and 0.8 < d["fill"][0] < 0.9]
        assert len(grey) == 4
    with pymupdf.open(stream=coupon_labels_pdf(book)) as doc:
        told = " ".join(doc[0].get_text().split())
    assert told.count("cured in load") == told.count(FACT) == 1
