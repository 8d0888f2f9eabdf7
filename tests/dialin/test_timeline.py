"""The clock of a plan and what it costs, against sums done by hand."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dtfexp import Factor, Outcome, PlanError, Session, SessionError, plan
from dtfexp.describe.resources import Supplies
from dtfexp.dialin.schedule.cost import cost, coupons_side_by_side, minutes_text
from dtfexp.dialin.schedule.timeline import timeline
from tests.dialin.bench import CURE, CURE_TIME, FOUR, PEEL, PRESS, PRESS_TIME, SESSIONS

# All in whole seconds that add up by hand: warm-up 10 min, load 60 s, rest 10 s, and so on.
PACE = {
    "load_seconds": 60, "rest_seconds": 10, "handling_seconds": 30, "hot_peel_seconds": 6,
    "cold_peel_seconds": 120, "peel_seconds": 12, "finish_seconds": 6, "grading_seconds": 30,
}  # fmt: skip
OUTCOMES = (Outcome("peel"), Outcome("wash", washes=5))


def bench(factors, **more) -> Session:
    return Session("b", factors, OUTCOMES, ["cotton"], pace=PACE | more.pop("pace", {}), **more)


def runs(session: Session, *rows: dict) -> pd.DataFrame:
    made = [{"press": k, "fabric": "cotton"} | row for k, row in enumerate(rows, start=1)]
    return pd.DataFrame(made)


TWO = bench([CURE, CURE_TIME, PRESS, PRESS_TIME])
SAME = {"oven_load": 1, "press_round": 1, "cure temperature": 120.0, "cure time": 60.0}
SAME |= {"press temperature": 300.0, "press time": 12.0}


def test_one_press_is_the_sum_of_its_steps() -> None:
    steps = timeline(TWO, runs(TWO, SAME))
    # 10 min warm-up; load 60, cure 60, handling 30 (the rest of 10 s passes with it), press 12,
    # wait 6, peel 12, finish 6, grade 30 s for the one outcome that needs no wash.
    assert steps["end"].max() == pytest.approx(10 + (60 + 60 + 30 + 12 + 6 + 12 + 6 + 30) / 60)
    assert steps.loc[steps["what"] == "cure", "detail"].tolist() == ["120 °C, 60 s, 1 coupon"]


def test_a_load_is_cured_once_and_the_next_press_follows_on() -> None:
    one = timeline(TWO, runs(TWO, SAME))["end"].max()
    two = timeline(TWO, runs(TWO, SAME, SAME))["end"].max()
    assert two - one == pytest.approx((30 + 12 + 6 + 12 + 6 + 30) / 60, abs=1e-3)


def test_oven_and_press_change_at_the_same_time_while_the_hands_work() -> None:
    other = SAME | {"oven_load": 2, "press_round": 2}
    other |= {"cure temperature": 140.0, "press temperature": 320.0}
    steps = timeline(TWO, runs(TWO, SAME, other))
    changes = steps[steps["what"] == "change-over"].set_index("at")
    assert changes["end"].sub(changes["start"]).tolist() == pytest.approx([8.0, 8.0])
    # The oven begins as soon as its load is out, long before the press is done with press 1.
    cured = steps.loc[(steps["what"] == "cure") & (steps["oven_load"] == 1), "end"].item()
    assert changes.loc["oven", "start"] == cured
    finished = steps.loc[(steps["what"] == "finish") & (steps["press"] == 1), "end"].item()
    assert changes.loc["press", "start"] == finished
    assert changes.loc["press", "detail"] == "149 °C to 160 °C", "as read"
    waited = steps[(steps["what"] == "wait") & (steps["end"] - steps["start"] > 4)]
    assert waited["detail"].tolist() == ["warm-up", "oven"]


def test_rates_of_heating_and_cooling_in_either_unit() -> None:
    pace = {"press_heating": 10, "press_cooling": 4, "unit": "°F", "settle_minutes": 1}
    session = bench([CURE, CURE_TIME, PRESS, PRESS_TIME], pace=pace)
    hotter = SAME | {"press_round": 2, "press temperature": 320.0}
    for rows, minutes in (((SAME, hotter), 20 / 10 + 1), ((hotter, SAME), 20 / 4 + 1)):
        steps = timeline(session, runs(session, *rows))
        change = steps[steps["what"] == "change-over"].iloc[0]
        assert change["end"] - change["start"] == pytest.approx(minutes)
    celsius = bench(session.factors, pace=pace | {"unit": "°C"})
    steps = timeline(celsius, runs(celsius, SAME, hotter))
    change = steps[steps["what"] == "change-over"].iloc[0]
    assert change["end"] - change["start"] == pytest.approx(20 * 5 / 9 / 10 + 1, abs=1e-3)


def test_cold_coupons_lie_aside_and_are_peeled_while_others_are_made() -> None:
    session = bench([PEEL])
    rows = [
        {"oven_load": 1, "press_round": 1, "peel method": word}
        for word in ("cold", "hot", "hot", "hot")
    ]
    steps = timeline(session, runs(session, *rows))
    peels = steps[steps["what"] == "peel"].set_index("press")["start"]
    pressed = steps[steps["what"] == "press"].set_index("press")["end"]
    assert list(peels.sort_values().index) == [2, 3, 1, 4]
    assert peels[1] >= pressed[1] + 2.0
    alone = timeline(session, runs(session, rows[0]))
    assert alone.loc[alone["detail"] == "cold peel", "end"].max() == pytest.approx(
        alone.loc[alone["what"] == "press", "end"].item() + 2.0
    )


def test_a_peel_time_of_its_own_is_kept() -> None:
    session = bench([Factor("peel after", 5, 60, "s", 5, "peel")])
    steps = timeline(session, runs(session, SAME | {"peel after": 40.0}))
    wait = steps[steps["detail"] == "peel"].iloc[0]
    assert wait["end"] - wait["start"] == pytest.approx(40 / 60, abs=1e-3)


def test_every_block_is_a_day_with_its_own_warm_up() -> None:
    made = plan(FOUR, 12, blocks=["Monday", "Tuesday", "Wednesday"])
    steps = made.timeline()
    assert (steps["what"] == "warm-up").sum() == 6
    assert not steps.loc[steps["detail"].eq("warm-up"), "start"].duplicated().any()


@settings(max_examples=25, deadline=None)
@given(
    session=st.sampled_from([*SESSIONS, TWO, bench([CURE, PEEL, PRESS])]),
    presses=st.integers(1, 20),
    seed=st.integers(0, 50),
)
def test_no_machine_and_no_hand_does_two_things_at_once(session, presses, seed) -> None:
    made = plan(session, presses, seed=seed)
    steps = made.timeline()
    assert (steps["end"] >= steps["start"]).all()
    for _, mine in steps.groupby("at"):
        ordered = mine.sort_values(["start", "end"])
        assert (ordered["start"].iloc[1:].to_numpy() >= ordered["end"].iloc[:-1] - 1e-3).all()
    assert steps.loc[steps["what"] == "press", "press"].tolist() == list(made.runs["press"])
    assert sorted(steps.loc[steps["what"] == "peel", "press"]) == list(made.runs["press"])
    assert (steps["what"] == "cure").sum() == made.runs["oven_load"].nunique()
    found = made.cost()
    assert found.hands <= found.minutes + 1e-6
    if found.cheaper is not None:
        assert 1 <= found.cheaper.minutes < found.minutes and found.cheaper.gives_up


# ------------------------------------------------------------------------------------ cost


@pytest.mark.parametrize(
    ("width", "height", "film", "coupons", "across", "length"),
    [
        (90, 90, 300, 14, 3, 5 * 95 - 5),  # 3 x 90 and two gaps make 280
        (100, 100, 300, 14, 2, 7 * 105 - 5),
        (140, 180, 300, 2, 2, 180),  # side by side; turned they would need 285
        (100, 140, 300, 4, 2, 2 * 105 - 5),  # turned: 2 x 140 and a gap make 285
        (310, 50, 300, 2, 2, 310),  # only turned do they fit at all
        (90, 90, 300, 0, 0, 0),
    ],
)
def test_coupons_are_nested_on_the_film(width, height, film, coupons, across, length) -> None:
    found = coupons_side_by_side(Supplies(width, height, film_width=film), coupons)
    assert (found.across, found.length) == (across, length)
    assert found.area == pytest.approx(length * film / 1e6)
    assert 0 <= found.waste < 1


def test_money_is_for_what_has_a_price() -> None:
    made = plan(FOUR, 14)
    prices = {"film_per_m2": 10, "powder_per_kg": 20, "garment_each": 2, "hour": 30}
    found = made.cost(**prices, currency="EUR", coupons_per_garment=4)
    hours = (found.minutes + found.later) / 60
    assert found.garments == {"cotton": 4}
    assert found.powder == pytest.approx(14 * 0.09 * 0.1112 * 30)
    # 3 side by side on 300 mm, 5 rows of 111.2 mm with 5 mm between: 576 mm.
    assert found.money["film"] == pytest.approx(0.576 * 0.3 * 10, abs=0.006)
    assert found.money["time"] == pytest.approx(hours * 30, abs=0.006)
    assert found.money["total"] == pytest.approx(
        1.73 + 20 * found.powder / 1000 + 4 * 2 + hours * 30, abs=0.02
    )
    assert "EUR" in repr(found) and not made.cost().money
    assert "No price is given for powder" in repr(made.cost(hour=30, film_per_m2=1))


def test_failures_are_told_in_money_a_month_and_washes_in_days() -> None:
    """By hand: 400 x 8 % = 32 garments at 2.00 and the film and powder of a press, 64.00 and more;
    five washes at two a day are three days, and one to dry."""
    session = bench([CURE, PRESS])
    made = plan(session, 8)
    prices = {"garment_each": 2, "hour": 30, "currency": "EUR"}
    volume = {"garments_per_month": 400, "failing_of_100": 8}
    found = made.cost(**prices, **volume)
    (line,) = [one for one in found.lines() if one.startswith("Money: ")]
    months = found.money["total"] / 32
    assert line.endswith(
        "At 400 garments a month, 8 of 100 failing, failures cost 64.00 EUR a month: halving them "
        f"saves 32.00 EUR a month, and pays for this plan in {months:.1f} months."
    )
    film = made.cost(**prices, **volume, film_per_m2=10)
    assert f"cost {32 * (2 + film.money['film'] / 8):.2f} EUR" in film.monthly
    # Nothing is said of what is not known.
    assert made.cost(**prices).monthly == made.cost(**volume, hour=30).monthly == ""
    assert found.wash_days == 4 and made.cost(washes_per_day=5).wash_days == 2
    told = "The wash grades come about 4 days later, with 4 min of grading."
    assert told in found.lines() and "grading" not in found.lines()[0]
    with pytest.raises(SessionError, match="failing_of_100: got 120"):
        made.cost(failing_of_100=120)
    with pytest.raises(SessionError, match="washes_per_day is 0"):
        made.cost(washes_per_day=0)


def test_where_time_goes_adds_up() -> None:
    made = plan(FOUR, 20)
    found, steps = made.cost(), made.timeline()
    assert found.lost["minutes"].is_monotonic_decreasing
    # The hands wait, work, or hold the press: nothing else is there to do.
    held = steps[steps["what"].isin(["press", "finish"])]
    total = found.hands + found.lost["minutes"].sum() + (held["end"] - held["start"]).sum()
    assert total == pytest.approx(found.minutes, abs=0.02)


def test_a_cheaper_order_says_what_it_gives_up() -> None:
    spread = plan(FOUR, 16, design="full factorial", blocks=2)
    found = spread.cost().cheaper
    assert found is not None and found.minutes > FOUR.warm_up_minutes - 1
    assert any("luck of a day" in text for text in found.gives_up)
    assert plan(Session("o", [CURE], OUTCOMES, ["cotton"]), 2).cost().cheaper is None


def test_what_cannot_be_priced_or_paced_is_refused_in_one_line() -> None:
    made = plan(FOUR, 4)
    with pytest.raises(PlanError, match="cost has no 'film'; it takes coupon_width"):
        made.cost(film=3)
    with pytest.raises(SessionError, match="supplies, hour: got -1"):
        made.cost(hour=-1)
    with pytest.raises(SessionError, match="does not fit on film_width 50 mm"):
        made.cost(film_width=50)
    with pytest.raises(SessionError, match="pace, press_heating: got 0"):
        bench([CURE], pace={"press_heating": 0})
    with pytest.raises(SessionError, match="pace: unit is 's'"):
        bench([CURE], pace={"unit": "s"})
    with pytest.raises(SessionError, match="unknown key 'rest'; did you mean 'rest_seconds'"):
        bench([CURE], pace={"rest": 4})
    with pytest.raises(SessionError, match="coupon_width is 0"):
        Session("x", [CURE], OUTCOMES, ["c"], supplies={"coupon_width": 0})


def test_pace_and_supplies_travel_in_the_session_file() -> None:
    session = bench([CURE], pace={"oven_heating": 12.5}, supplies={"hour": 25, "currency": "$"})
    text = session.to_toml()
    assert "[pace]" in text and "oven_heating = 12.5" in text and "cure_seconds" not in text
    assert Session.from_toml(text) == session and hash(session) == hash(Session.from_toml(text))
    assert "[pace]" not in FOUR.to_toml() and "[supplies]" not in FOUR.to_toml()


def test_a_plan_of_no_presses_costs_nothing() -> None:
    none = plan(FOUR, 1).runs.iloc[:0]
    found = cost(FOUR, none)
    assert (found.minutes, found.powder, found.film.area, found.cheaper) == (0, 0, 0, None)
    assert "0 presses" in repr(found) and "<li>" in found._repr_html_()


def test_minutes_are_told_as_people_say_them() -> None:
    told = [minutes_text(m) for m in (0, 0.2, 1, 59.6, 85, 120)]
    assert told == ["0 min", "less than a minute", "1 min", "1 h", "1 h 25 min", "2 h"]
