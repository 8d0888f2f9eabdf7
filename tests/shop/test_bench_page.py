"""The bench page: what is typed in is kept once, whatever is run again."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from dtfexp import Factor, Logbook, LogbookError, Outcome, Session
from dtfexp.shop import bench_page
from dtfexp.show.notebook.cells import show_map

TYPED = """
304 308 304
308 312,5 308
304 308 304
"""


@pytest.fixture
def book(tmp_path: Path):
    session = Session(
        "s",
        [Factor("press temperature", 300, 340, "°F", step=5, usual=320)],
        [Outcome("peel")],
        ["cotton"],
    )
    with Logbook.create(tmp_path / "a.dtfbook", session) as made:
        yield made


def test_a_map_typed_in_is_kept_once_and_says_what_to_set(book: Logbook, capsys) -> None:
    for _ in range(2):
        found = bench_page.measured(book, "press temperature", 320, TYPED)
    assert "Stored in a.dtfbook: 1 pass(es)" in capsys.readouterr().out
    assert len(book.bench.maps()) == 1
    assert found.passes[0][4] == 312.5
    shown = show_map(found)
    assert "hottest 312.5" in str(shown).replace("\u00a0", " ")
    assert "<svg" in shown.html
    (row,) = bench_page.reached(book).to_dict("records")
    assert (row["set"], row["reaches"], row["to_reach_that_set"]) == (320, 306.7, 335)
    other = bench_page.measured(book, "press temperature", 320, TYPED, machine="press right")
    assert other.machine == "press right", "another press is kept under its name"
    (same,) = bench_page.reached(book).to_dict("records")
    assert (same["reaches"], same["readings"]) == (306.7, row["readings"]), (
        "and says nothing of this session's own"
    )
    celsius = bench_page.measured(book, "press temperature", 320, "155 " * 9, unit="°C")
    assert celsius.summary.mean == pytest.approx(311)


def test_without_readings_it_says_that_it_shows_an_invented_map(book: Logbook, capsys) -> None:
    for where in (book, None):
        found = bench_page.measured(where, "", 0, "\n")
        assert "INVENTED" in capsys.readouterr().out
        assert "coldest" in str(show_map(found))
    assert book.kept() == []
    assert bench_page.reached(None).empty


def test_lots_room_and_machines_are_kept_once_and_told(book: Logbook, capsys) -> None:
    day = (date.today() - timedelta(days=3)).isoformat()
    for _ in range(2):
        bench_page.keep_lots(book, [("powder", "P-12", day), ("film", "F-3", day)])
        bench_page.keep_room(book, {"temperature": "25 C", "humidity": 60, "altitude": 0})
        bench_page.keep_machine(book, "oven", {"warm_up_minutes": 15})
        bench_page.keep_machine(book, "press", {})
        bench_page.told(book)
    said = capsys.readouterr().out
    assert "powder: lot P-12 in use since" in said
    assert "dew point 62 °F, water boils at 212.0 °F" in said
    assert "oven: warm-up 15 min" in said
    assert len(book.kept()) == 4
    with pytest.raises(LogbookError, match="give material, name and day"):
        bench_page.keep_lots(book, [("powder", "P")])  # type: ignore[list-item]
