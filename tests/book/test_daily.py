"""Daily counts and opening checks in the journal of a logbook."""

from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from dtfexp import Logbook, LogbookError, ResultsError, Session
from dtfexp.book.store import journal
from tests.dialin.bench import FOUR, HALF

TODAY = datetime(2026, 5, 20, 8, 0, tzinfo=UTC)


class Clock:
    now = TODAY

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def book(tmp_path, clock):
    with Logbook.create(tmp_path / "b.dtfbook", FOUR, clock=clock) as made:
        yield made


def test_a_later_line_of_a_day_takes_the_place_of_the_earlier(book):
    book.bench.count("cotton", 20, 1, day="2026-05-18")
    book.bench.count("Cotton", 22, 2, day="2026-05-18", symptoms="bubbles: 2", by="Ines")
    book.bench.count("cotton", 9, 0, warm_up=True, note="press repaired")
    found = book.bench.counts()
    assert found["day"].tolist() == ["2026-05-18", "2026-05-20"]
    assert found["pressed"].tolist() == [22, 9] and found["warm_up"].tolist() == [False, True]
    assert found["symptoms"].tolist() == ["bubbles: 2", ""] and found["by"].tolist() == ["Ines", ""]
    assert len(book.kept("count")) == 3


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("cotton", 20, 21), "failed: got 21; accepted a whole number, 0 to 20"),
        (("cotton", 20.5, 1), "pressed: got 20.5; accepted a whole number"),
        (("silk", 20, 1), "fabric 'silk' is not in this session"),
        (("cotton", "many", 1), "pressed"),
        (("cotton", "1.000", 1), "'1.000'; accepted a whole number, 0 to 1000000, without a"),
        (("cotton", "1'000", 1), "accepted a whole number, 0 to 1000000, without a mark"),
    ],
)
def test_a_count_that_cannot_be(book, given, said):
    with pytest.raises(LogbookError) as caught:
        book.bench.count(*given)
    assert said in str(caught.value) and "\n" not in str(caught.value)
    assert book.kept("count") == []


def test_more_symptoms_than_failures_and_days_to_come_are_refused(book):
    with pytest.raises(LogbookError, match="'bubbles' has 3 garments; 2 failed"):
        book.bench.count("cotton", 20, 2, symptoms={"bubbles": 3})
    with pytest.raises(LogbookError, match="accepted a day up to today"):
        book.bench.count("cotton", 20, 2, day="2026-05-21")


def test_a_sheet_of_counts_is_taken_whole_or_not_at_all(book, tmp_path):
    sheet = tmp_path / "counts.csv"
    good = "Day;Fabric;Pressed;Failed;Warm up;Symptoms\n2026-05-11;cotton;20;1;no;bubbles: 1\n"
    sheet.write_text(good + "2026-05-12;;18;0;yes;\n", encoding="utf-8")
    assert book.bench.import_counts(sheet).added == 2
    assert book.bench.import_counts(sheet).added == 0
    found = book.bench.counts()
    assert found["fabric"].tolist() == ["cotton", "cotton"]
    assert found["warm_up"].tolist() == [False, True]
    # A corrected line is taken, and correcting it back is taken too.
    sheet.write_text(good.replace("20;1", "20;2"), encoding="utf-8")
    assert book.bench.import_counts(sheet).added == 1
    sheet.write_text(good, encoding="utf-8")
    assert book.bench.import_counts(sheet).added == 1
    assert book.bench.counts()["failed"].tolist() == [1, 0]
    for bad, said in {
        "2026-05-13;cotton;5;9;;\n": "counts.csv, row 3: count of 2026-05-13, cotton, failed",
        "13.05.;cotton;5;1;;\n": "row 3: count: the day",
        "2026-05-13;cotton;5;1;maybe;\n": "accepted yes or no",
        "2026-05-11;cotton;5;1;;\n": "cotton has 2026-05-11 twice",
    }.items():
        sheet.write_text(good.replace(";20;", ";30;") + bad, encoding="utf-8")
        with pytest.raises(ResultsError) as caught:
            book.bench.import_counts(sheet)
        assert said in str(caught.value)
        assert book.bench.counts()["pressed"].tolist() == [20, 18]
    sheet.write_text("Day;Pressed\n2026-05-11;3\n", encoding="utf-8")
    with pytest.raises(ResultsError, match="column 'failed' is missing"):
        book.bench.import_counts(sheet)


def test_a_column_that_stands_twice_is_refused_and_one_not_known_is_told(book, tmp_path):
    sheet = tmp_path / "c.csv"
    sheet.write_text("day,pressed,failed,failed\n2026-05-11,20,1,0\n", encoding="utf-8")
    with pytest.raises(
        ResultsError, match="row 1: column 'failed' is given twice, as the columns 3"
    ):
        book.bench.import_counts(sheet)
    sheet.write_text("day,pressed,failed,weather\n2026-05-11,20,1,rain\n", encoding="utf-8")
    told = book.bench.import_counts(sheet)
    (remark,) = told.remarks
    assert "not known and were left out: 'weather'" in remark
    assert [str(column) for column in told.columns] == [
        "'day': day, 1 cell, 1 new",
        "'pressed': pressed, 1 cell, 1 new",
        "'failed': failed, 1 cell, 1 new",
        "'weather': not known, left out (1 cell)",
    ]


def test_counts_are_written_in_one_go_and_taken_back_in_one(book, tmp_path, monkeypatch):
    sheet = tmp_path / "c.csv"
    rows = [f"2026-{month:02}-{day:02},20,{day % 3}" for month in (1, 2, 3) for day in range(1, 29)]
    sheet.write_text("\n".join(["day,pressed,failed", *rows]), encoding="utf-8")
    append, written = journal.append, []

    def cut_off(connection, note):
        written.append(note.id)
        if len(written) == 42:
            raise KeyboardInterrupt  # a kill, in the middle
        return append(connection, note)

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(journal, "append", cut_off)
        book.bench.import_counts(sheet)
    assert book.kept() == []
    book.bench.count("cotton", 9, 0, day="2026-01-02")
    assert book.bench.import_counts(sheet).added == 84
    assert book.undo_import("c.csv") == 84
    assert book.bench.counts()[["day", "pressed"]].to_numpy().tolist() == [["2026-01-02", 9]]
    assert book.bench.import_counts(sheet).added == 84
    assert book.imports()["taken_back"].tolist() == [True, False]


def test_a_spreadsheet_with_real_dates(book, tmp_path):
    frame = pd.DataFrame({"day": [datetime(2026, 5, 4)], "pressed": [12], "failed": [1]})
    frame.to_excel(tmp_path / "c.xlsx", index=False)
    assert book.bench.import_counts(tmp_path / "c.xlsx").added == 1
    assert book.bench.counts()["day"].tolist() == ["2026-05-04"]


def test_opening_checks_have_their_days(book, clock):
    def states():
        return dict(zip(book.bench.checks()["check"], book.bench.checks()["state"], strict=True))

    assert set(states().values()) == {"never done"}
    book.bench.checked("warm-up")
    book.bench.checked("platen map", day="2026-05-01", note="coldest at the front left")
    assert states()["warm-up"] == "done" == states()["platen map"]
    clock.now = TODAY + timedelta(days=1)
    assert states()["warm-up"] == "due"
    clock.now = TODAY + timedelta(days=12)
    assert states()["warm-up"] == "overdue" and states()["platen map"] == "due"
    assert book.bench.checks()["check"].iloc[0] == "warm-up"
    clock.now = TODAY + timedelta(days=45)
    assert states()["platen map"] == "overdue"
    due = book.bench.checks().set_index("check")["due"]
    assert str(due["platen map"]) == "2026-05-31"
    # A reading of the room is that check.
    book.bench.room(temperature=21, humidity=45)
    assert states()["room"] == "done"
    # So is a map of the platen, and of the oven bed.
    book.bench.map("press temperature", 310, [308] * 9)
    assert states()["platen map"] == "done" and states()["oven map"] == "never done"


def test_the_filter_is_looked_at_every_week(book, clock):
    def state():
        return book.bench.checks().set_index("check").loc["filter"]

    assert state()["state"] == "never done" and "mask" in state()["how"]
    book.bench.checked("filter")
    clock.now = TODAY + timedelta(days=6)
    assert state()["state"] == "done"
    clock.now = TODAY + timedelta(days=7)
    assert state()["state"] == "due"


def test_a_check_that_is_none(book):
    with pytest.raises(LogbookError, match="accepted one of warm-up"):
        book.bench.checked("coffee")


def test_two_fabrics_need_the_fabric_named(tmp_path):
    sheet = tmp_path / "c.csv"
    sheet.write_text("day,pressed,failed\n2026-05-11,20,1\n", encoding="utf-8")
    session: Session = HALF
    with (
        Logbook.create(tmp_path / "two.dtfbook", session, clock=Clock()) as book,
        pytest.raises(ResultsError, match="row 2: count of 2026-05-11: fabric ''"),
    ):
        book.bench.import_counts(sheet)
