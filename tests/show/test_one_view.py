"""What belongs together is read of one moment, whatever another program saves meanwhile."""

from __future__ import annotations

import threading

import pandas as pd
import pytest

from dtfexp import Factor, Logbook, LogbookError, Outcome, Session, plan
from dtfexp.show.recorder.recording import FormServer


@pytest.fixture
def book(tmp_path):
    factors = [Factor("press_temperature", 140, 180, "°C", 5, "press", True, 5, 160)]
    session = Session("A bench of this test", factors, [Outcome("peel")], ["cotton jersey"])
    with Logbook.create(tmp_path / "bench.dtfbook", session) as made:
        made.add(plan(session, 4))
        yield made


def test_an_entry_of_another_program_is_shown_whole_or_not_yet(book, monkeypatch):
    """Saved between two looks at the book, it once showed as pressed and without its note."""
    elsewhere = Logbook.open(book.path)
    saving = threading.Thread(target=elsewhere.record, args=(1, {"peel": 4}), kwargs={"note": "hi"})
    waiting = Logbook.waiting

    def interrupted(this: Logbook) -> pd.DataFrame:
        if this is book and not saving.ident:
            saving.start()
            saving.join(0.3)
        return waiting(this)

    monkeypatch.setattr(Logbook, "waiting", interrupted)
    desk = FormServer(book)
    for known in (False, True):
        (one,) = [press for press in desk.state()["presses"] if press["press"] == 1]
        assert (one["pressed"], one["note"], one["grades"]) == (
            (True, "hi", {"peel": 4}) if known else (False, "", {})
        )
        saving.join(10)
    elsewhere.close()


def test_nothing_can_be_recorded_inside_one_view(book):
    with book.one_view(), book.one_view():
        assert len(book.results()) == 4
        with pytest.raises(LogbookError, match="inside another of its own calls"):
            book.record(1, {"peel": 4})
    book.record(1, {"peel": 4})
    assert book.results()["peel"].notna().sum() == 1
