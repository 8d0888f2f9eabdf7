"""Pieces of work on several processes: every result, in order; a dead worker costs nothing."""

from __future__ import annotations

import os
import time
from functools import partial

import pytest

from dtfexp.describe.errors import SessionError
from dtfexp.dialin import side_by_side as beside
from dtfexp.dialin.side_by_side import side_by_side, start_workers

HERE = os.getpid()


@pytest.fixture(autouse=True)
def one_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "_further_cores", lambda: 1)


def numbered(number: int) -> tuple[int, int]:
    return number, os.getpid()


def numbered_later(number: int, seconds: float) -> tuple[int, int]:
    time.sleep(seconds)
    return numbered(number)


def refused(number: int) -> int:
    raise SessionError(f"piece {number}")


def ends_a_worker(number: int, here: int) -> int:
    if os.getpid() != here:
        os._exit(1)
    return number


def slow(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


def grows(seen: dict[int, int], number: int) -> tuple[int, int]:
    before = len(seen)
    seen[number] = before
    time.sleep(0.05)
    return before, os.getpid()


def test_every_piece_is_done_once_in_order_here_or_beside() -> None:
    told: list[int] = []
    found = side_by_side([partial(numbered, n) for n in range(6)], told.append)
    assert [number for number, _ in found] == list(range(6))
    assert sorted(told) == list(range(6))
    assert found[0][1] != HERE, "the worker begins at the front"
    assert found[5][1] == HERE, "this process at the back"


def test_few_pieces_start_no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    pieces = [partial(numbered, n) for n in range(beside.FEWEST_PIECES - 1)]
    monkeypatch.setattr(beside, "_USED", [])
    assert {process for _, process in side_by_side(pieces, print)} == {HERE}
    many = [partial(numbered, n) for n in range(6)]
    assert {process for _, process in side_by_side(many, print, start=False)} == {HERE}


def started() -> None:
    """Wait until a worker lives and has nothing to do."""
    beside.end_workers()
    start_workers(partial(numbered, 0))
    beside._BUSY[-1].result()


def test_workers_that_live_take_their_share_of_few() -> None:
    started()
    first, last = side_by_side([partial(numbered, n) for n in range(2)], print, start=False)
    assert first[1] != HERE and last[1] == HERE


def test_a_busy_worker_is_not_waited_for() -> None:
    started()
    picture = beside.beside(partial(slow, 1.0))
    pieces = [partial(numbered, n) for n in range(4)]
    assert {process for _, process in side_by_side(pieces, print)} == {HERE}
    assert picture() == 1.0


def test_a_worker_with_more_to_do_is_not_waited_for_either() -> None:
    # A piece once went behind all its work as soon as the first was done: the demo stood still.
    started()
    work = [beside.beside(partial(slow, seconds)) for seconds in (0.3, 3.0)]
    pieces = [partial(numbered_later, n, 0.2) for n in range(4)]
    assert {process for _, process in side_by_side(pieces, print)} == {HERE}
    assert [done() for done in work] == [0.3, 3.0]


def test_an_error_of_a_worker_is_raised_here() -> None:
    with pytest.raises(SessionError, match="piece 0"):
        side_by_side([partial(refused, 0), *(partial(numbered, n) for n in (1, 2))], print)


def test_what_a_worker_took_with_it_is_done_here() -> None:
    pieces = [partial(ends_a_worker, n, HERE) for n in range(4)]
    assert side_by_side(pieces, print) == [0, 1, 2, 3]
    # The next work finds a worker again.
    found = side_by_side([partial(numbered, n) for n in range(6)], print)
    assert found[0][1] != HERE


def test_a_piece_done_here_changes_nothing_that_a_worker_is_sent() -> None:
    # A fit keeps its answers: packed while it did, it once stopped the demo with "dictionary
    # changed size during iteration".
    started()
    seen: dict[int, int] = {}
    found = side_by_side([partial(grows, seen, number) for number in range(30)])
    beside_here = [before for before, process in found if process != HERE]
    assert len(beside_here) > 1
    assert beside_here == list(range(len(beside_here))), "it sees only what it kept"
