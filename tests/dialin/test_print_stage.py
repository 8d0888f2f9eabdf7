"""White ink, powder grade and conveyor speed as settings of a session."""

import numpy as np
import pytest

from dtfexp import Factor, Outcome, Session, SessionError, fit, next_presses, plan
from dtfexp.dialin.encode.coding import Coding, direction, is_logarithmic
from dtfexp.dialin.schedule.day_steps import day_steps
from dtfexp.dialin.schedule.timeline import timeline
from dtfexp.dialin.window.edges import failure_side_name
from dtfexp.maths.field.points import CURE
from dtfexp.shop.runsheet import run_sheet
from dtfexp.show.recorder.countdowns import countdowns

TUNNEL = Factor("belt speed", 0.4, 1.6, "m/min", 0.2, "cure", usual=0.8)
INK = Factor("white ink", 60, 100, "%", 10, "print", usual=90)
POWDER = Factor(
    "powder grade", levels=("fine", "medium", "coarse"), ordered=True, stage="print",
    usual="medium",
)  # fmt: skip


def session_of(*factors, **bench):
    hot = Factor("cure temperature", 110, 140, "°C", 5, "cure", usual=125)
    press = Factor("press temperature", 140, 175, "°C", 5, "press", True, usual=160)
    return Session("s", [*factors, hot, press], [Outcome("wash")], ["cotton"], **bench)


def test_print_settings_are_set_for_each_coupon_and_cure_settings_for_a_load():
    runs = plan(session_of(INK, POWDER), 24, seed=2).runs
    within = runs.groupby("oven_load")
    assert (within["cure temperature"].nunique() == 1).all()
    assert (within["white ink"].nunique() > 1).any() and (
        within["powder grade"].nunique() > 1
    ).any()
    assert set(runs["powder grade"]) <= set(POWDER.levels)


def test_a_print_setting_is_of_the_film_in_the_model():
    assert Coding(session_of(INK)).shape.stage[:2] == (CURE, CURE)


def test_the_sheet_says_how_coupons_are_printed_before_their_load_is_cured():
    session = session_of(INK, POWDER)
    runs = plan(session, 12, seed=0).runs
    steps = day_steps(session, runs).steps
    printed = [k for k, step in enumerate(steps) if step.kind == "print"]
    assert len(printed) == runs["oven_load"].nunique()
    assert all(steps[k + 1].kind == "cure" for k in printed)
    press = runs.iloc[0]
    own = f"white ink {press['white ink']:g} %, powder grade {press['powder grade']}"
    assert own in steps[printed[0]].says
    plain = day_steps(session_of(), plan(session_of(), 8).runs)
    assert not any(step.kind == "print" for step in plain.steps)


def test_thin_and_heavy_prints_are_sides_of_their_own():
    session = session_of(INK)
    results = plan(session, 16, seed=1).runs
    results["wash"] = np.where(results["white ink"] < 85, 2.0, 5.0)
    sides = fit(session, results).failure_sides(results.head(2), "cotton")
    pair = sides[["too little ink or powder", "too much ink or powder"]]
    assert pair.sum(axis=1).to_numpy() == pytest.approx(1.0)
    thin = results.head(1).assign(**{"white ink": 60.0})
    assert fit(session, results).failure_sides(thin, "cotton").iloc[0][pair.columns[0]] > 0.5
    assert len(next_presses(session, results, 4).runs) <= 4


def test_a_print_setting_cannot_hold_up_a_round():
    with pytest.raises(SessionError, match="hard_to_change is True; a print-stage setting"):
        Factor("white ink", 60, 100, "%", stage="print", hard_to_change=True)


def test_a_faster_belt_is_less_cure_by_the_inverse_of_a_time():
    by_speed, by_time = (
        session_of(TUNNEL),
        session_of(Factor("cure time", 37.5, 150, "s", 0.5, "cure", usual=75)),
    )
    assert is_logarithmic(TUNNEL) and direction(TUNNEL) == -1.0
    speeds = np.array([0.4, 0.8, 1.0, 1.6])
    # Over 1 m of heat, seconds are 60 over the metres a minute: the codes must be the same.
    dwells = 60.0 / speeds
    of_speed = Coding(by_speed).code(TUNNEL, speeds)
    of_time = Coding(by_time).code(by_time.factors[0], dwells)
    assert of_speed == pytest.approx(of_time)
    # Temperature and speed of one oven add up to a dose, as temperature and time do.
    assert Coding(by_speed).shape.trade_off == Coding(by_time).shape.trade_off == ((1, 0),)
    narrow = Factor("belt speed", 0.8, 1.2, "m/min", 0.1, "cure")
    assert not is_logarithmic(narrow)
    assert (np.diff(Coding(session_of(narrow)).code(narrow, np.array([0.8, 1.0, 1.2]))) < 0).all()


def test_the_fast_end_is_under_cured_in_words_and_in_the_fit():
    assert failure_side_name(TUNNEL, "high") == "under-cured"
    assert failure_side_name(TUNNEL, "low") == "over-cured"
    session = session_of(TUNNEL)
    results = plan(session, 24, seed=3, design="latin hypercube").runs
    results["wash"] = np.where(results["belt speed"] > 0.9, 1.0, 5.0)
    fast = results.head(1).assign(**{"belt speed": 1.4, "cure temperature": 120.0})
    sides = fit(session, results).failure_sides(fast, "cotton").iloc[0]
    assert sides["under-cured"] > 0.8


def test_dwell_is_heated_length_over_speed_on_clock_and_sheet():
    session = session_of(TUNNEL, pace={"heated_length": "120 cm"})
    # 1.2 m at 0.8 m/min is 1.5 min.
    assert session.pace.dwell_seconds(0.8, "m/min") == pytest.approx(90.0)
    made = plan(session, 8, seed=0)
    cures = timeline(session, made.runs).query("what == 'cure'").iloc[0]
    speed = made.runs.loc[made.runs["oven_load"] == cures["oven_load"], "belt speed"].iloc[0]
    assert cures["end"] - cures["start"] == pytest.approx(1.2 / speed, abs=1e-3)
    assert f"{TUNNEL.format(speed)} (about {72 / speed:.0f} s)" in "\n".join(run_sheet(made))
    cure = countdowns(session, made.runs.iloc[0])[0]
    assert cure["seconds"] == pytest.approx(72 / made.runs["belt speed"].iloc[0])


def test_without_a_heated_length_no_dwell_is_made_up():
    session = session_of(TUNNEL)
    assert session.pace.dwell_seconds(0.8, "m/min") is None
    assert "(about" not in "\n".join(run_sheet(plan(session, 8)))
    assert countdowns(session, plan(session, 4).runs.iloc[0])[0]["seconds"] is None


@pytest.mark.parametrize(
    ("told", "cm"), [("48 in", 121.92), ("4 ft", 121.92), (120, 120), ("1200 mm", 120)]
)
def test_a_heated_length_in_the_shops_unit_survives_the_file(told, cm):
    session = session_of(TUNNEL, pace={"heated_length": told})
    assert session.pace.heated_length == pytest.approx(cm)
    assert Session.from_toml(session.to_toml()) == session


@pytest.mark.parametrize("told", ["0 cm", "60 s", "long", -3, "", True])
def test_a_heated_length_that_is_none(told):
    with pytest.raises(SessionError, match=r"heated_length: got .* such as"):
        session_of(TUNNEL, pace={"heated_length": told})


def test_a_film_that_its_maker_says_is_peeled_cold_waits_as_such():
    from dtfexp.show.text.trade_hints import steps

    cold, unsaid = session_of(film_peel="cold"), session_of()
    runs = plan(cold, 6).runs
    assert countdowns(cold, runs.iloc[0])[3]["hint"] == "until fully cold"
    assert any(line.startswith("Peel cold") for line in steps(cold, {}))
    assert not any(line.startswith("Peel cold") for line in steps(unsaid, {}))
    peels = timeline(cold, runs).query("what == 'peel'")["start"].to_numpy()
    pressed = timeline(cold, runs).query("what == 'press'")["end"].to_numpy()
    assert (peels - pressed >= cold.pace.cold_peel_seconds / 60 - 1e-3).all()
