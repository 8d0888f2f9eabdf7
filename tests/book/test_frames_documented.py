"""Every column of every frame is named in the words that ``help`` shows of it."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from dtfexp import Logbook
from dtfexp.book.bench import machine_readings
from dtfexp.book.bench.bench import Bench
from dtfexp.book.bench.machine_readings import MapSummary


@pytest.fixture
def full(book: Logbook) -> Logbook:
    book.record(1, {"peel": 4}, "haze", {"cure time": 60}, note="a", block="roll 1")
    book.bench.lot("film", "F-1")
    book.bench.room(humidity=50)
    book.bench.map("press temperature", 320, range(306, 315))
    return book


CASES: list[tuple[Callable[[Logbook], pd.DataFrame], str]] = [
    (Logbook.runs, str(Logbook.runs.__doc__)),
    (Logbook.results, f"{Logbook.runs.__doc__}{Logbook.results.__doc__}"),
    (Logbook.waiting, f"{Logbook.runs.__doc__}{Logbook.waiting.__doc__}"),
    (Logbook.history, str(Logbook.history.__doc__)),
    (Logbook.plans, str(Logbook.plans.__doc__)),
    (lambda b: b.bench.lots(), str(Bench.lots.__doc__)),
    (lambda b: b.bench.rooms(), str(Bench.rooms.__doc__)),
    (
        lambda b: machine_readings.frame(b.bench.maps()).drop(columns=list(MapSummary._fields)),
        str(machine_readings.frame.__doc__),
    ),
]


@pytest.mark.parametrize(("frame", "told"), CASES)
def test_columns_are_told(full: Logbook, frame, told: str) -> None:
    found = frame(full)
    assert len(found)
    own = {factor.name for factor in full.session.factors}
    own |= {outcome.name for outcome in full.session.outcomes}
    for column in found.columns:
        name = "<factor>_actual" if column.endswith("_actual") else column
        assert name in own or f"``{name}``" in told, column
