"""The countdowns of a press: from the plan where it has a time, else common practice, else none."""

from __future__ import annotations

import pytest

from dtfexp import Factor, Outcome, Session
from dtfexp.show.recorder.countdowns import countdowns

CURE = Factor("cure time", 0.5, 2, "min", 0.5, "cure")
HEAT = Factor("press temperature", 280, 350, "°F", 5, "press")
HOLD = Factor("press time", 5, 25, "s", 1, "press")


def seconds(factors: list[Factor], **settings: object) -> dict[str, float | None]:
    session = Session("A bench of this test", factors, [Outcome("peel")], ["cotton"])
    named = {factor.name: settings[factor.name.replace(" ", "_")] for factor in factors}
    found = countdowns(session, named)
    assert [one["letter"] for one in found if one["letter"]] in (list("crpw"), list("crpwf"))
    assert [one["ends"] for one in found if one["ends"]] == ["cured", "pressed"]
    return {one["key"]: one["seconds"] for one in found}


def test_times_come_from_the_press_in_seconds_and_in_the_order_of_the_bench():
    told = seconds([HOLD, HEAT, CURE], cure_time=1.5, press_temperature=300, press_time=12)
    # 10 s of rest and 3 s before a hot peel: common practice, no source.
    assert list(told.items()) == [
        ("cure time", 90.0),
        ("@rest", 10.0),
        ("press time", 12.0),
        ("@wait to peel", 3.0),
    ]


def test_a_time_that_no_plan_says_is_counted_up_and_never_guessed():
    told = seconds([HEAT], press_temperature=300)
    assert told == {"@cure": None, "@rest": 10.0, "@press": None, "@wait to peel": 3.0}


@pytest.mark.parametrize(("word", "wait"), [("Hot", 3.0), ("warm peel", None), ("cold", None)])
def test_the_wait_before_peeling_follows_the_film(word, wait):
    film = Factor("film", levels=("Hot", "warm peel", "cold"), stage="peel")
    assert seconds([HOLD, film], press_time=9, film=word)["@wait to peel"] == wait


def test_a_planned_wait_is_the_wait():
    wait = Factor("peel wait", 2, 30, "s", 1, "peel")
    assert seconds([HOLD, wait], press_time=9, peel_wait=20)["peel wait"] == 20.0


def test_a_planned_rest_is_the_rest_and_a_finish_comes_after_the_peel():
    rest = Factor("rest", 5, 30, "s", 5, "press")
    finish = Factor("finish_press_time", 3, 9, "s", 1, "press")
    told = seconds([finish, HOLD, rest], finish_press_time=6, press_time=12, rest=15)
    assert list(told.items()) == [
        ("@cure", None),
        ("rest", 15.0),
        ("press time", 12.0),
        ("@wait to peel", 3.0),
        ("finish_press_time", 6.0),
    ]
