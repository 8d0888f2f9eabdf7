"""Loads, rounds and order: what every layout keeps, and what it spares the bench."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dtfexp import Factor, Outcome, PlanError, Session
from dtfexp.describe.fabric import Fabric
from dtfexp.dialin.schedule.layout import changeover_counts, lay_out

CURE_T = "cure temperature"
CURE_S = "cure time"
PRESS_T = "press temperature"
PRESS_S = "press time"


def bench(hard=True, load=6, a_round=8, words=False):
    factors = [
        Factor(PRESS_S, 5, 25, "s", 5),
        Factor(CURE_S, 30, 120, "s", 10, stage="cure"),
        Factor(CURE_T, 100, 150, "°C", 5, stage="cure"),
        Factor(PRESS_T, 130, 180, "°C", 5, hard_to_change=hard),
    ]
    if words:
        pressure = Factor(
            "pressure", levels=("light", "medium", "firm"), ordered=True, stage="press",
            hard_to_change=hard,
        )  # fmt: skip
        factors += [pressure, Factor("peel at", levels=("hot", "cold"))]
    return Session(
        "bench", factors, [Outcome("peel")], ["cotton", Fabric("nylon", heat_limit=150)],
        coupons_per_load=load, presses_per_round=a_round,
    )  # fmt: skip


@st.composite
def wanted_presses(draw):
    words = draw(st.booleans())
    session = bench(draw(st.booleans()), draw(st.integers(1, 7)), draw(st.integers(1, 9)), words)
    pool = draw(st.integers(1, 6))  # few different presses, so that some are wanted twice
    kinds = []
    for _ in range(pool):
        fabric = draw(st.sampled_from(["cotton", "nylon"]))
        kinds.append(
            (
                fabric,
                *(draw(st.sampled_from(session.allowed(f, fabric)[:3])) for f in session.factors),
            )
        )
    rows = draw(st.lists(st.sampled_from(kinds), max_size=30))
    columns = ["fabric", *(f.name for f in session.factors)]
    return session, pd.DataFrame(rows, columns=columns)


@given(wanted_presses(), st.integers(0, 2**32 - 1), st.integers(1, 40))
@settings(max_examples=150, deadline=None)
def test_every_layout_keeps_the_bench_rules(case, seed, first):
    session, wanted = case
    runs = lay_out(session, wanted, np.random.default_rng(seed), first, first + 1, first + 2)
    names = [f.name for f in session.factors]
    assert list(runs.columns) == ["press", "fabric", "oven_load", "press_round", *names]

    # Nothing wanted is lost, added or changed.
    columns = ["fabric", *names]
    assert sorted(map(tuple, runs[columns].to_numpy())) == sorted(map(tuple, wanted.to_numpy()))
    # Numbers: presses in pressing order, loads and rounds as they are first needed, no gaps.
    assert runs["press"].tolist() == list(range(first, first + len(wanted)))
    for column, start in (("oven_load", first + 1), ("press_round", first + 2)):
        seen = list(dict.fromkeys(runs[column]))
        assert seen == list(range(start, start + len(seen)))
    # One load, one cure; one round, one setting of what is hard to change; neither over-full.
    cure = [f.name for f in session.factors if f.stage == "cure"]
    hard = [f.name for f in session.factors if f.stage == "press" and f.hard_to_change]
    for column, shared, most in (
        ("oven_load", cure, session.coupons_per_load),
        ("press_round", hard, session.presses_per_round),
    ):
        for _, part in runs.groupby(column):
            assert len(part) <= most
            assert not shared or len(part[shared].drop_duplicates()) == 1
    # A round is made in one go, and equal hard settings stand together.
    assert _pieces(runs["press_round"]) == runs["press_round"].nunique()
    if hard:
        groups = list(zip(*(runs[h] for h in hard), strict=True))
        assert _pieces(groups) == len(set(groups))

    # Presses wanted twice: in as many loads and rounds as their own cure and setting have, up to
    # their number, and spread evenly over them.
    for _, copies in runs.groupby(columns):
        for column, shared in (("oven_load", cure), ("press_round", hard)):
            same = (runs[shared] == copies[shared].iloc[0]).all(axis=1) if shared else slice(None)
            there = runs.loc[same, column].nunique()
            counts = copies[column].value_counts()
            assert len(counts) >= min(len(copies), there)
        if len(copies) >= 2:
            assert copies["oven_load"].nunique() >= 2


def _pieces(values):
    return sum(1 for _ in itertools.groupby(values))


@given(wanted_presses(), st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_the_same_seed_gives_the_same_bytes(case, seed):
    session, wanted = case
    before = wanted.copy(deep=True)
    one = lay_out(session, wanted, np.random.default_rng(seed))
    two = lay_out(session, wanted, np.random.default_rng(seed))
    assert one.to_csv().encode() == two.to_csv().encode()
    pd.testing.assert_frame_equal(wanted, before)


def factorial(centres=3):
    rows = [
        ("cotton", seconds, cure_s, cure_t, press_t)
        for seconds, cure_s, cure_t, press_t in itertools.product(
            (10.0, 20.0), (50.0, 100.0), (110.0, 140.0), (140.0, 160.0)
        )
    ]
    rows += [("cotton", 15.0, 70.0, 125.0, 150.0)] * centres
    return pd.DataFrame(rows, columns=["fabric", PRESS_S, CURE_S, CURE_T, PRESS_T])


@pytest.mark.parametrize("seed", range(8))
def test_the_order_spares_the_machines(seed):
    runs = lay_out(bench(), factorial(), np.random.default_rng(seed))
    cost = changeover_counts(bench(), runs)
    # Three platen temperatures cannot take fewer than two changes; nor can three of the oven.
    assert (cost["platen_resets"], cost["oven_resets"]) == (2, 2)
    temperatures = [t for t, _ in itertools.groupby(runs[PRESS_T])]
    assert temperatures in ([140, 150, 160], [160, 150, 140])
    # Loads and rounds cross: a load feeds rounds of both temperatures.
    corners = runs[runs[PRESS_T] != 150]
    assert (corners.groupby("oven_load")[PRESS_T].nunique() == 2).all()
    # Three centre presses lie in three loads of their own.
    assert runs.loc[runs[PRESS_T] == 150, "oven_load"].nunique() == 3


def test_chance_decides_what_costs_nobody_a_wait():
    orders = {
        tuple(lay_out(bench(), factorial(), np.random.default_rng(seed))[PRESS_S])
        for seed in range(12)
    }
    assert len(orders) > 8
    directions = {
        lay_out(bench(), factorial(), np.random.default_rng(seed))[PRESS_T].iloc[0]
        for seed in range(12)
    }
    assert directions == {140.0, 160.0}


def test_without_a_hard_setting_rounds_hold_so_many_and_mix_the_temperatures():
    session = bench(hard=False, a_round=8)
    runs = lay_out(session, factorial(), np.random.default_rng(3))
    assert sorted(runs["press_round"].value_counts()) in ([6, 6, 7],)
    # Within a round the presses at one platen temperature stand together, and the platen goes on
    # from where it stands, so three temperatures in three rounds take at most two changes each.
    assert changeover_counts(session, runs)["platen_resets"] <= 6
    for _, part in runs.groupby("press_round"):
        assert _pieces(part[PRESS_T]) == part[PRESS_T].nunique()
    # The three centre presses, wanted alike, lie in three rounds.
    assert runs.loc[runs[PRESS_T] == 150, "press_round"].nunique() == 3


@pytest.mark.parametrize("seed", range(6))
def test_loads_of_one_cure_mix_rounds_and_fabrics(seed):
    rows = [
        (fabric, seconds, 60.0, 120.0, press_t)
        for fabric, seconds, press_t in itertools.product(
            ("cotton", "nylon"), (5.0, 10.0, 15.0, 20.0), (140.0, 150.0)
        )
    ]
    wanted = pd.DataFrame(rows, columns=["fabric", PRESS_S, CURE_S, CURE_T, PRESS_T])
    runs = lay_out(bench(load=8), wanted, np.random.default_rng(seed))
    for column in (PRESS_T, "fabric"):
        counts = runs.groupby(["oven_load", column]).size()
        # Eight presses to a load, half and half; chance may leave a fabric one press off.
        assert len(counts) == 4
        assert counts.between(4 - (column == "fabric"), 4 + (column == "fabric")).all()


@pytest.mark.parametrize("seed", range(6))
def test_the_oven_goes_on_from_where_it_stands(seed):
    rows = [
        ("cotton", 10.0, cure_s, cure_t, press_t)
        for cure_s, press_t in ((50.0, 140.0), (100.0, 160.0))
        for cure_t in (110.0, 120.0, 130.0)
    ]
    wanted = pd.DataFrame(rows, columns=["fabric", PRESS_S, CURE_S, CURE_T, PRESS_T])
    runs = lay_out(bench(), wanted, np.random.default_rng(seed))
    # Three temperatures up for one platen setting and down for the next: 110 120 130 130 120 110.
    assert changeover_counts(bench(), runs)["oven_resets"] == 4


def test_many_presses_alike_do_not_ask_for_many_loads():
    alike = pd.concat([factorial(0).iloc[[0]]] * 18, ignore_index=True)
    runs = lay_out(bench(), alike, np.random.default_rng(0))
    assert runs["oven_load"].nunique() == 3
    assert sorted(runs["oven_load"].value_counts()) == [6, 6, 6]
    assert runs["press_round"].nunique() == 3  # 18 presses at 8 a round


def test_a_setting_in_fahrenheit_or_in_words_can_be_hard_to_change():
    session = Session(
        "°F", [
            Factor("platen", 270, 340, "°F", 5, hard_to_change=True),
            Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press",
                   hard_to_change=True),
        ], [Outcome("peel")], ["cotton"],
    )  # fmt: skip
    rows = list(itertools.product(["cotton"], (280, 300, 320), ("firm", "light", "medium")))
    wanted = pd.DataFrame(rows, columns=["fabric", "platen", "pressure"])
    runs = lay_out(session, wanted, np.random.default_rng(1))
    assert _pieces(runs["platen"]) == 3
    # There and back: one setting changes from each round to the next, 8 changes for 9 pairs.
    for (_, a), (_, b) in itertools.pairwise(runs.iterrows()):
        assert (a["platen"] != b["platen"]) + (a["pressure"] != b["pressure"]) == 1
    places = [("light", "medium", "firm").index(w) for w in runs["pressure"]]
    assert all(abs(a - b) <= 1 for a, b in itertools.pairwise(places))


def test_no_presses_give_an_empty_frame_with_its_columns():
    runs = lay_out(bench(), factorial().iloc[:0], np.random.default_rng(0))
    assert len(runs) == 0
    assert list(runs.columns)[:4] == ["press", "fabric", "oven_load", "press_round"]
    assert changeover_counts(bench(), runs)["minutes"] == 0


def test_change_overs_count_waits_and_minutes():
    runs = pd.DataFrame(
        {
            "press": [1, 2, 3, 4],
            "fabric": "cotton",
            "oven_load": [2, 1, 2, 3],
            "press_round": [1, 1, 2, 2],
            PRESS_S: [10.0, 20.0, 10.0, 20.0],
            CURE_S: [60.0, 60.0, 60.0, 120.0],
            CURE_T: [120.0, 130.0, 120.0, 130.0],
            PRESS_T: [150.0, 150.0, 160.0, 160.0],
        }
    )
    cost = changeover_counts(bench(), runs)
    # Loads 1, 2, 3 at 130, 120, 130: two oven re-sets; platen 150 to 160: one. Minutes by hand:
    # 10 warm-up + 3 x 8 change-over + (60 + 60 + 120) s of cure + 60 s of press.
    assert cost == {
        "oven_loads": 3, "press_rounds": 2, "oven_resets": 2, "platen_resets": 1,
        "cure_temperatures": 2, "press_temperatures": 2, "minutes": 10 + 24 + 4 + 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda w: w.drop(columns=CURE_S), "column 'cure time' is missing"),
        (lambda w: w.assign(fabric="silk"), "row 1, column 'fabric'"),
        (lambda w: w.assign(**{PRESS_T: 152.0}), "row 1, column 'press temperature': 152.0"),
        (lambda w: w.assign(**{PRESS_T: 300.0}), "row 1, column 'press temperature': 300.0"),
        (lambda w: w.assign(**{PRESS_T: float("nan")}), "row 1, column 'press temperature'"),
        (
            lambda w: w.assign(fabric="nylon"),
            "nylon takes 150 °C at most: press temperature 160 °C",
        ),
    ],
)
def test_what_the_bench_or_the_fabric_cannot_do_is_refused(change, said):
    with pytest.raises(PlanError) as caught:
        lay_out(bench(), change(factorial()), np.random.default_rng(0))
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("first", [0, -1, 1.5, True, "1"])
def test_numbers_start_at_a_whole_number(first):
    with pytest.raises(PlanError, match="first_load: got"):
        lay_out(bench(), factorial(), np.random.default_rng(0), first_load=first)
