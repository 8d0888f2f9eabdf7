"""Coupons judged again: brought back now and then, and never in place of their grade."""

from __future__ import annotations

from typing import Any

import pytest

from dtfexp import Logbook, LogbookError, fit
from dtfexp.book.coupons import regrading
from dtfexp.book.coupons.readings import keep_reading
from dtfexp.show.recorder.recording import FormServer
from tests.book.test_coupons import measures, picture


def graded(book: Logbook, presses: int = 8) -> None:
    for press in range(1, presses + 1):
        book.record(press, {"peel": 3 + press % 3})


def due(book: Logbook) -> regrading.Again | None:
    return regrading.due(book, book.history(), book.results())


def test_nothing_is_due_before_some_are_graded(book: Logbook) -> None:
    assert due(book) is None
    graded(book, regrading.SINCE)
    assert due(book) is None


def test_one_in_five_comes_back_and_each_once(book: Logbook) -> None:
    graded(book)
    again = due(book)
    assert again is not None and again.outcome == "peel" and again.press <= 8 - regrading.SINCE
    assert due(book) == again, "the same for every window"
    regrading.judge_again(book, again.press, "peel", 4, by="Bo")
    assert due(book) is None, "8 grades make one"
    for press in range(1, 9):
        book.record(press, {"hand": True})
    following = due(book)
    assert following is not None and following != again


def test_a_coupon_washed_since_is_not_what_it_was(book: Logbook) -> None:
    graded(book)
    for press in range(1, 5):
        book.record(press, {"wash": 4})
    assert due(book) is None


def test_a_press_left_out_does_not_come_back(book: Logbook) -> None:
    graded(book)
    again = due(book)
    assert again is not None
    book.exclude(again.press, "spoiled")
    other = due(book)
    assert other is None or other.press != again.press


def test_the_grade_stays_and_history_grows_no_entry(book: Logbook) -> None:
    graded(book)
    before = book.history()
    key = regrading.judge_again(book, 1, "peel", 2, by="Bo", id="tap")
    assert regrading.judge_again(book, 1, "peel", 2, by="Bo", id="tap") == key
    assert book.results().set_index("press").loc[1, "peel"] == 4
    assert len(book.history()) == len(before)
    (note,) = book.kept(regrading.KIND)
    assert (note.said["grade"], note.said["first"], note.by) == (2, 4, "Bo")
    assert Logbook.check(book.path) == []


@pytest.mark.parametrize(
    ("asked", "error", "says"),
    [
        ((1, "wash", 4), LogbookError, "has no grade yet"),
        ((99, "peel", 4), LogbookError, "press 99"),
        ((1, "peel", 7), ValueError, "got 7"),
    ],
)
def test_what_cannot_be_compared_is_refused(
    book: Logbook, asked: tuple[Any, ...], error: type[Exception], says: str
) -> None:
    graded(book)
    with pytest.raises(error, match=says):
        regrading.judge_again(book, *asked)
    assert book.kept(regrading.KIND) == []


def test_the_eye_against_itself_and_against_the_picture(book: Logbook) -> None:
    graded(book, 7)
    peel = book.session.outcome("peel")
    assert regrading.eye_against_itself(book, peel) is None
    for press, grade in ((1, 4), (2, 4), (3, None)):  # first grades 4, 5, 3
        regrading.judge_again(book, press, "peel", grade)
    found = regrading.eye_against_itself(book, peel)
    assert found is not None
    assert (found.pairs, found.same, found.bias) == (2, 0.5, -0.5)
    # Press 1 was graded before its picture was read; what is proposed first is not judged freely.
    assert regrading.eye_against_picture(book, peel) is None
    keep_reading(book, measures(book, 1, 5.0), picture())
    keep_reading(book, measures(book, 8, 5.0), picture())
    book.record(8, {"peel": 3})
    seen = regrading.eye_against_picture(book, peel)
    assert seen is not None
    assert (seen.pairs, seen.bias) == (1, -1), "4 by eye, 3 proposed"


def test_the_form_brings_it_back_without_its_grade(book: Logbook) -> None:
    desk = FormServer(book)
    graded(book)
    again = desk.state()["again"]
    assert set(again) == {"press", "outcome"}
    message = {"op": "judge again", "id": "tap", **again, "grade": 4, "by": "Ana"}
    for _ in range(2):
        answer = desk.handle(message)
        assert answer["ok"], answer
        assert "its grade stays. Peel: 1 coupon judged twice" in answer["text"]
    assert answer["state"]["again"] is None
    assert len(book.kept(regrading.KIND)) == 1


def test_the_results_carry_second_grades_while_the_first_stands(book: Logbook) -> None:
    graded(book, 7)
    plain = book.results()
    assert not [c for c in plain.columns if c.endswith(("_again", "_picture"))]
    for press, grade in ((1, 3), (2, 5), (3, 4)):  # first grades 4, 5, 3
        regrading.judge_again(book, press, "peel", grade)
    keep_reading(book, measures(book, 4, 5.0), picture())
    book.record(2, {"peel": 4})  # settled otherwise: its first grade stands no more
    book.redo(3, "slipped")
    book.record(3, {"peel": 3})  # another print, though of the same grade
    told = book.results().set_index("press")
    assert told["peel_again"].dropna().to_dict() == {1: 3.0}
    assert told["peel_picture"].dropna().to_dict() == {4: 3.0}
    data = fit(book.session, book.results()).posterior.data
    assert (~data.is_first).sum() == 2
