"""Optimal plans hold to the bench, are better than what they replace, and say what they need."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dtfexp import Fabric, Factor, Outcome, PlanError, Session, plan
from dtfexp.dialin.design.feasible_levels import FeasibleLevels
from dtfexp.maths.linear import efficiency
from dtfexp.maths.linear.model_terms import Terms, covariance
from tests.dialin.bench import (
    CURE,
    CURE_TIME,
    FOUR,
    HALF,
    ONE,
    PEEL,
    PRESS,
    PRESS_TIME,
    PRESSURE,
    WORDS,
    graded,
)  # fmt: skip
from tests.dialin.test_plan import holds_to_the_bench

QUICK = {"restarts": 2}


def worth(session: Session, runs: pd.DataFrame, model: str = "quadratic") -> tuple[float, float]:
    """(log-determinant, mean prediction variance) of runs, both lucks half the press noise."""
    bench = FeasibleLevels.of(session, list(dict.fromkeys(runs["fabric"])), 0.81, runs.iloc[:0])
    terms = Terms.of([span.kind for span in bench.factors], model)
    x = terms.expand(bench.base(runs))
    if np.linalg.matrix_rank(x) < terms.size:
        return -np.inf, np.inf
    v = covariance(runs["oven_load"].to_numpy(), runs["press_round"].to_numpy(), 0.25, 0.25)
    m = efficiency.information(x, np.linalg.inv(v))
    return float(np.linalg.slogdet(m)[1]), float(
        np.trace(np.linalg.solve(m, efficiency.region_moments(terms)))
    )


@pytest.mark.parametrize("design", ["d-optimal", "i-optimal"])
@pytest.mark.parametrize(
    ("session", "presses", "model"),
    [
        (FOUR, 22, "quadratic"),
        (FOUR, 9, "linear"),
        (ONE, 5, "quadratic"),
        (WORDS, 9, "interactions"),
        (HALF, 15, "quadratic"),
    ],
    ids=lambda v: getattr(v, "name", v),
)
def test_it_is_as_many_presses_as_asked_on_the_bench_and_the_same_again(
    design: str, session: Session, presses: int, model: str
) -> None:
    one, two = (plan(session, presses, design=design, model=model, **QUICK) for _ in range(2))
    pd.testing.assert_frame_equal(one.runs, two.runs)
    assert len(one.runs) == presses
    holds_to_the_bench(session, one.runs)
    assert sorted(set(one.runs["oven_load"])) == list(range(1, one.runs["oven_load"].max() + 1))
    assert np.isfinite(worth(session, one.runs, model)[0])


def test_each_criterion_wins_on_its_own_and_beats_chance() -> None:
    d = worth(FOUR, plan(FOUR, 24, design="d-optimal", restarts=5).runs)
    good = plan(FOUR, 24, design="i-optimal", restarts=5).runs
    i = worth(FOUR, good)
    assert d[0] > i[0] and i[1] < d[1]
    rng = np.random.default_rng(0)
    for _ in range(20):
        drawn = good.copy()
        for group, names in (
            ("oven_load", ["cure temperature", "cure time"]),
            ("press_round", ["press temperature"]),
            ("press", ["press time"]),
        ):
            for name in names:
                pick = {g: rng.choice(good[name].unique()) for g in good[group].unique()}
                drawn[name] = good[group].map(pick)
        if np.isfinite(worth(FOUR, drawn)[0]):
            assert worth(FOUR, drawn)[1] > i[1]


def test_presses_already_made_count_and_numbers_go_on() -> None:
    first = graded(FOUR, plan(FOUR, 12).runs)
    more = plan(FOUR, 8, design="d-optimal", include=first, **QUICK)
    holds_to_the_bench(FOUR, more.runs, first=13)
    assert more.runs["oven_load"].min() == first["oven_load"].max() + 1
    assert more.runs["press_round"].min() == first["press_round"].max() + 1
    both = pd.concat([first[more.runs.columns], more.runs], ignore_index=True)
    assert np.isfinite(worth(FOUR, both)[0])
    # Chosen for what they add: better than the same number chosen as if nothing were known.
    alone = plan(FOUR, 8, design="d-optimal", model="linear", **QUICK).runs
    alone[["oven_load", "press_round"]] += 100
    blind = pd.concat([first[more.runs.columns], alone], ignore_index=True)
    assert worth(FOUR, both)[0] > worth(FOUR, blind)[0]
    assert any("12 presses made already" in note for note in more.notes)


def test_loads_and_rounds_follow_the_bench_and_what_they_have_to_tell() -> None:
    runs = plan(FOUR, 26, design="d-optimal", **QUICK).runs
    # Mean, two own effects, one joint effect and two bends are told by whole loads: 6, and 2 to
    # spare; the press temperature alone tells 3 by rounds, and 2 to spare.
    assert runs["oven_load"].nunique() == 8 and runs["press_round"].nunique() == 5
    assert runs.groupby("oven_load").size().between(3, 4).all()
    fewer = plan(FOUR, 26, design="d-optimal", loads=6, rounds=4, **QUICK).runs
    assert fewer["oven_load"].nunique() == 6 and fewer["press_round"].nunique() == 4


def test_fabrics_of_unlike_heat_limits_are_pressed_in_rounds_of_their_own() -> None:
    runs = plan(HALF, 16, design="d-optimal", **QUICK).runs
    assert (runs.groupby("press_round")["fabric"].nunique() == 1).all()
    assert (runs.groupby("oven_load")["fabric"].nunique() == 2).any()
    assert runs.loc[runs["fabric"] == "nylon", "press temperature"].max() <= 300


def test_what_is_forbidden_is_never_pressed() -> None:
    session = Session(
        "corner",
        (CURE, CURE_TIME, PRESS),
        (Outcome("peel"),),
        ("cotton", "nylon"),
        forbidden=[
            {"cure temperature": "> 130", "cure time": "> 70"},
            {"cure temperature": "< 120", "press temperature": "> 300", "fabric": "nylon"},
        ],
    )
    for design in ("d-optimal", "i-optimal"):
        runs = plan(session, 18, design=design, **QUICK).runs
        holds_to_the_bench(session, runs)
        assert session.permits(runs).all()
        hot = runs["cure temperature"] > 130
        assert hot.any() and (runs["cure time"] > 70).any()


def test_a_coarse_dial_still_has_three_settings() -> None:
    coarse = Session(
        "coarse", (Factor("pressure", 1, 5, "bar", 1), Factor("press time", 10, 20, "s", 5)),
        (Outcome("peel"),), ("cotton",),
    )  # fmt: skip
    runs = plan(coarse, 12, design="d-optimal", reach=0.3, **QUICK).runs
    assert runs["pressure"].nunique() == 3 and runs["press time"].nunique() == 3


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"presses": 14}, ("15 terms", "presses is 14", "allow 15 or more", "'linear' (5 terms)")),
        ({"presses": 257}, ("up to 256", "presses is 257")),
        ({"presses": 3}, ("allow 15 or more", "use design 'auto'")),
        ({"loads": 3}, ("loads: got 3", "from 5 to 26")),
        ({"loads": 5}, ("5 oven loads", "cannot tell all 15 terms")),
        ({"model": "cubic"}, ("model: got 'cubic'", "'quadratic'")),
        ({"include": "x"}, ("include", "'x'", "DataFrame")),
        ({"load_luck": -1}, ("load_luck: got -1", "0 to 100")),
        ({"restarts": 0}, ("restarts: got 0",)),
        ({"levels": 3}, ("no option 'levels'", "model")),
        ({"reach": 0}, ("reach: got 0",)),
    ],
)
def test_what_cannot_be_met_says_what_could(options: dict, words: tuple[str, ...]) -> None:
    given = {"presses": 26, "restarts": 1} | options
    with pytest.raises(PlanError) as error:
        plan(FOUR, design="i-optimal", **given)
    assert "\n" not in str(error.value)
    for word in words:
        assert word in str(error.value)


def test_days_have_loads_and_rounds_of_their_own_and_cost_no_effect() -> None:
    made = plan(HALF, 20, design="d-optimal", blocks=["Mon", "Tue"], restarts=2)
    runs = made.runs
    holds_to_the_bench(HALF, runs.drop(columns="block"))
    assert list(runs["block"]) == ["Mon"] * 10 + ["Tue"] * 10
    for group in ("oven_load", "press_round"):
        assert (runs.groupby(group)["block"].nunique() == 1).all()
    assert (runs.groupby(["block", "fabric"]).size() == 5).all()
    terms = made.check().terms.set_index("term")
    assert terms["fitted"].all() and terms.loc["block", "inflation"] < 2


@settings(max_examples=60, deadline=None)
@given(
    factors=st.lists(
        st.sampled_from([CURE, CURE_TIME, PRESS, PRESS_TIME, PRESSURE, PEEL]),
        min_size=1, max_size=4, unique_by=lambda f: f.name,
    ),
    limits=st.lists(st.sampled_from([None, 150, 160]), min_size=1, max_size=3),
    caps=st.tuples(st.integers(1, 7), st.integers(1, 9)),
    presses=st.integers(1, 24),
    design=st.sampled_from(["d-optimal", "i-optimal"]),
    model=st.sampled_from(["linear", "interactions", "quadratic"]),
    reach=st.floats(0.2, 1.0),
    blocks=st.sampled_from([None, 2]),
)  # fmt: skip
def test_any_bench_gets_its_presses_or_one_line(
    factors, limits, caps, presses, design, model, reach, blocks
) -> None:
    fabrics = [Fabric(f"cloth {i}", limit) for i, limit in enumerate(limits)]
    session = Session(
        "any", factors, (Outcome("peel"),), fabrics,
        coupons_per_load=caps[0], presses_per_round=caps[1],
    )  # fmt: skip
    options = {"model": model, "reach": reach, "restarts": 1}
    if blocks is not None and presses >= 2:
        options["blocks"] = blocks
    try:
        made = plan(session, presses, design=design, **options)
    except PlanError as error:
        assert "\n" not in str(error)
        assert "terms" in str(error)  # too few presses, or too few loads for them
        return
    assert len(made.runs) == presses
    holds_to_the_bench(session, made.runs.drop(columns="block", errors="ignore"))
    assert len(made.check().sentences) == 3
