"""The bench page: what is typed in is kept once, whatever is run again."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from dtfexp import Factor, Logbook, Outcome, Session
from dtfexp.shop import bench_page
from dtfexp.show.notebook.cells import show_map
from dtfexp.show.text.cautions import SHORT_CAUTIONS

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


def test_the_last_map_is_shown_and_says_what_to_set(book: Logbook) -> None:
    book.bench.map("press temperature", 320, TYPED.split())
    found = bench_page.last_map(book)
    assert found.passes[0][4] == 312.5
    shown = show_map(found)
    assert "hottest 312.5" in str(shown).replace("\u00a0", " ")
    assert "<svg" in shown.html
    (row,) = bench_page.reached(book).to_dict("records")
    assert (row["set"], row["reaches"], row["to_reach_that_set"]) == (320, 306.7, 335)
    table = str(bench_page.what_to_set(book)).replace("\u00a0", " ")
    assert "press temperature | 320 °F | 306.7 °F | 335 °F" in table
    assert all(line.replace("\u00a0", " ") in table for line in SHORT_CAUTIONS)
    book.bench.map("press temperature", 320, TYPED.split(), machine="press right")
    (same,) = bench_page.reached(book).to_dict("records")
    assert (same["reaches"], same["readings"]) == (306.7, row["readings"]), (
        "another press says nothing of this session's own"
    )


def test_without_readings_it_says_that_it_shows_an_invented_map(book: Logbook, capsys) -> None:
    for where in (book, None):
        found = bench_page.last_map(where)
        assert "INVENTED" in capsys.readouterr().out
        assert "coldest" in str(show_map(found))
        assert (found.unit, found.set_point) == (("°F", 320.0) if where is book else ("°C", 160.0))
    assert "No reading is in this logbook yet" in str(bench_page.what_to_set(None))
    assert bench_page.reached(None).empty and bench_page.bench_forms(None) is None


def test_lots_room_and_machines_are_told(book: Logbook, capsys) -> None:
    day = (date.today() - timedelta(days=3)).isoformat()
    book.bench.lot("powder", "P-12", opened=day)
    book.bench.room(temperature="25 C", humidity=60, altitude=0)
    book.bench.machine("oven", warm_up_minutes=15)
    bench_page.told(book)
    said = capsys.readouterr().out
    assert "powder: lot P-12 in use since" in said
    assert "dew point 62 °F, water boils at 212.0 °F" in said
    assert "oven: warm-up 15 min" in said
