"""The words of the run sheet: every load, every change and every long wait before its press."""

from __future__ import annotations

import pandas as pd

from dtfexp import Session, plan
from dtfexp.dialin.schedule.timeline import schedule
from tests.dialin.bench import FOUR


def rows(*presses: tuple[int, int, float, float]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"press": k, "fabric": "cotton", "oven_load": load, "press_round": round_,
             "cure temperature": cure, "cure time": 60.0, "press temperature": press,
             "press time": 15.0}
            for k, (load, round_, cure, press) in enumerate(presses, start=1)
        ]
    )  # fmt: skip


def test_what_comes_before_each_press() -> None:
    due = schedule(FOUR, rows((1, 1, 120, 300), (2, 1, 130, 300), (1, 2, 120, 320)))
    assert [one.press for one in due] == [1, 2, 3]
    assert due[0].first == (
        "warm up oven and press, 10 min",
        "cure load 1 at 120 °C, 60 s (press 1, 3)",
        "set the oven for load 2: 120 °C to 130 °C",
    )
    # The oven was set before press 1, so that only the rest of its 8 minutes is waited for.
    assert due[1].first == (
        "wait about 6 min for the oven",
        "cure load 2 at 130 °C, 60 s (press 2)",
    )
    assert due[2].first == (
        "set the press: 300 °F to 320 °F",
        "wait about 7 min for the press",
    )
    assert due[0].minute == 12 and due[1].minute > 20


def test_a_time_alone_is_no_wait() -> None:
    frame = rows((1, 1, 120, 300), (1, 1, 120, 300))
    frame.loc[1, "press time"] = 20.0
    assert schedule(FOUR, frame)[1].first == ()


def test_every_press_is_due_once_whatever_the_plan() -> None:
    session = Session("d", FOUR.factors, FOUR.outcomes, ["cotton", "wool"])
    made = plan(session, 24, design="latin hypercube", blocks=3)
    due = schedule(session, made.runs)
    assert [one.press for one in due] == list(made.runs["press"])
    minutes = [one.minute for one in due]
    assert minutes == sorted(minutes)
    said = [text for one in due for text in one.first]
    assert sum(text.startswith("warm up") for text in said) == 3
    assert sum(text.startswith("cure load") for text in said) == made.runs["oven_load"].nunique()
    assert schedule(session, made.runs.iloc[:0]) == []
