"""The steps of the day: loads, rounds, changes and waits, in an order that can be walked."""

from __future__ import annotations

import pandas as pd

from dtfexp import Session, plan
from dtfexp.dialin.schedule.day_steps import day_steps
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


THREE = rows((1, 1, 120, 300), (2, 1, 130, 300), (1, 2, 120, 320))


def test_a_round_is_pressed_when_all_its_loads_are_cured() -> None:
    day = day_steps(FOUR, THREE)
    assert day.before(1) == [
        "warm up oven at 120 °C and press at 149 °C, 10 min",
        "cure load 1 (coupons 1, 3) at 120 °C, 60 s → look at the powder side → let it rest",
        "set the oven for load 2: 120 °C to 130 °C",
        "wait about 8 min for the oven",
        "cure load 2 (coupon 2) at 130 °C, 60 s → look at the powder side → let it rest",
        "press round 1 (coupons 1, 2) at 149 °C, 15 s",
    ]
    assert day.before(2) == []
    assert day.before(3) == [
        "set the press for round 2: 149 °C to 160 °C",
        "wait about 7 min for the press",
        "press round 2 (coupon 3) at 160 °C, 15 s",
    ]
    # Warm-up 10, loading 1, cure 1, the oven 8, loading 1, cure 1.
    assert day.minute(1) == 22
    assert [step.says for step in day.steps if step.kind in ("cure", "press")] == [
        "cure load 1 (coupons 1, 3) at 120 °C, 60 s", "cure load 2 (coupon 2) at 130 °C, 60 s",
        "press 1: cotton", "press 2: cotton", "press 3: cotton",
    ]  # fmt: skip


def test_the_steps_of_a_cured_load_are_behind() -> None:
    day = day_steps(FOUR, THREE)
    assert day.next((), ())[-1].startswith("cure load 1 ")
    assert day.next((), {1}) == [
        "set the oven for load 2: 120 °C to 130 °C", "wait about 8 min for the oven",
        "cure load 2 (coupon 2) at 130 °C, 60 s",
    ]  # fmt: skip
    assert day.next((), {1, 2})[-1] == "press 1: cotton"
    assert day.next({1}, {1, 2}) == ["press 2: cotton"]
    assert day.next({1, 2, 3}, {1, 2}) == []


def test_what_a_round_does_not_share_is_not_said_of_it() -> None:
    frame = rows((1, 1, 120, 300), (1, 1, 120, 300))
    frame.loc[1, "press time"] = 20.0
    day = day_steps(FOUR, frame)
    assert day.before(1)[-1] == "press round 1 (coupons 1, 2) at 149 °C"
    assert day.before(2) == []


def test_every_press_is_due_once_whatever_the_plan() -> None:
    session = Session("d", FOUR.factors, FOUR.outcomes, ["cotton", "wool"])
    made = plan(session, 24, design="latin hypercube", blocks=3)
    day = day_steps(session, made.runs)
    presses = [step for step in day.steps if step.kind == "press"]
    assert [step.presses[0] for step in presses] == list(made.runs["press"])
    minutes = [step.minute for step in presses]
    assert minutes == sorted(minutes)
    kinds = [step.kind for step in day.steps]
    assert kinds.count("warm-up") == 3
    assert kinds.count("round") == made.runs["press_round"].nunique()
    assert kinds.count("cure") == kinds.count("look") == made.runs["oven_load"].nunique()
    cured: set[int] = set()
    for step in day.steps:
        if step.kind == "cure":
            cured.add(step.load)
        elif step.kind == "press":
            of = made.runs.set_index("press").loc[step.presses[0], "oven_load"]
            assert of in cured, "no film is pressed before it is cured"
    assert day_steps(session, made.runs.iloc[:0]).steps == ()
