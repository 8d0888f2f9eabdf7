"""Every family of plans against what was published of it, and against the bench."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dtfexp import Fabric, Factor, Outcome, PlanError, Session, plan
from dtfexp.dialin.design.plan import DESIGNS
from dtfexp.maths.designs.classical import LETTERS
from tests.dialin.bench import CURE, CURE_TIME, FOUR, PEEL, PRESS, PRESS_TIME, PRESSURE
from tests.dialin.test_plan import holds_to_the_bench

MADE_HERE = [d for d in DESIGNS if not d.endswith("optimal")]


def numbers(k: int, low: float = 10, high: float = 20, step: float = 0.002) -> Session:
    factors = [Factor(f"x{i}", low, high, step=step) for i in range(1, k + 1)]
    return Session(f"numbers {k}", factors, [Outcome("peel")], ["cotton"])


def coded(runs: pd.DataFrame, session: Session, low: float = 10, high: float = 20) -> np.ndarray:
    names = [f.name for f in session.factors]
    return (runs[names].to_numpy(dtype=float) - (low + high) / 2) / ((high - low) / 2)


# ---------------------------------------------------------------------------- factorials


def test_mixed_levels_are_balanced_in_every_pair() -> None:
    session = Session("m", [CURE, CURE_TIME, PEEL, PRESSURE], FOUR.outcomes, ["cotton"])
    levels = {"cure temperature": 3, "cure time": [40, 60, 80, 100], "pressure": ["light", "firm"]}
    runs = plan(session, 80, design="full factorial", levels=levels, centres=0).runs
    assert len(runs) == 3 * 4 * 3 * 2
    assert set(runs["cure time"]) == {40, 60, 80, 100} and set(runs["pressure"]) == {
        "light",
        "firm",
    }
    for a, b in combinations([f.name for f in session.factors], 2):
        counts = pd.crosstab(runs[a], runs[b])
        assert counts.to_numpy().min() == counts.to_numpy().max()


def test_replicates_and_centres_are_as_asked_for_each_fabric() -> None:
    session = Session("f", [CURE, PRESS], FOUR.outcomes, ["cotton", "nylon", "wool"])
    runs = plan(session, 40, design="full factorial", replicates=2, centres=3).runs
    assert runs["fabric"].value_counts().tolist() == [11, 11, 11]
    one = runs[runs["fabric"] == "wool"]
    usual = (one["cure temperature"] == 125) & (one["press temperature"] == 310)
    assert usual.sum() == 3
    corners = one[~usual].groupby(["cure temperature", "press temperature"]).size()
    assert corners.tolist() == [2, 2, 2, 2]


# -------------------------------------------------------------------- fractions, screening


def test_a_fraction_is_pressed_as_its_generators_say() -> None:
    # 2^(5-2) with D = AB, E = AC; its aliases: tests/maths/test_designs.py.
    made = plan(numbers(5), 8, design="fraction", runs=8)
    assert made.fraction is not None and made.fraction.generators == ("D=AB", "E=AC")
    x = dict(zip("ABCDE", np.sign(coded(made.runs, numbers(5))).T, strict=True))
    assert (x["D"] == x["A"] * x["B"]).all() and (x["E"] == x["A"] * x["C"]).all()


def test_temperature_and_time_of_a_stage_are_mixed_with_no_setting_of_its_own() -> None:
    session = Session("s", [*FOUR.factors, PRESSURE], FOUR.outcomes, ["cotton"])
    made = plan(session, 8, design="fraction", centres=0)
    names = tuple(f.name for f in session.factors)
    assert made.fraction is not None
    name = dict(zip(LETTERS, names, strict=False))
    table = {
        tuple(name[c] for c in word): [tuple(name[c] for c in other) for other in others]
        for word, others in made.fraction.aliases(max_order=2).items()
    }
    for pair in (("cure temperature", "cure time"), ("press temperature", "press time")):
        assert all(len(other) == 2 for other in table[pair])
    # The presses are those of that fraction: every effect said to be mixed is, and no other.
    low = made.runs[list(names)].replace({"light": 0.0, "firm": 2.0}).astype(float)
    x = np.sign(low - low.mean())
    for effect, mixed in table.items():
        column = x[list(effect)].prod(axis=1)
        for other in table:
            same = abs(float(column @ x[list(other)].prod(axis=1))) == 8
            assert same == (other == effect or other in mixed)


def test_plackett_burman_of_twelve_presses_with_three_centres() -> None:
    made = plan(numbers(11), 15, design="plackett-burman", reach=1.0, centres=3)
    x = coded(made.runs, numbers(11))
    assert (np.abs(x).sum(axis=1) == 0).sum() == 3
    assert np.array_equal(x.T @ x, 12 * np.eye(11)) and not x.sum(axis=0).any()
    assert "33%" in made.notes[0]


def test_more_presses_for_few_settings_and_a_mirror_image() -> None:
    session = numbers(4)
    x = coded(plan(session, 12, design="plackett-burman", runs=12, reach=1.0).runs, session)
    assert x.shape == (12, 4) and np.array_equal(x.T @ x, 12 * np.eye(4))
    made = plan(session, 24, design="plackett-burman", runs=12, foldover=True, reach=1.0)
    x = coded(made.runs, session)
    for i, j in combinations(range(4), 2):
        assert not (x.T @ (x[:, i] * x[:, j])).any()
    assert made.notes[0].endswith("free of the pairs of settings.")


# ------------------------------------------------------------------------- curved effects

# Box & Behnken (1960), Technometrics 2:455, with the centre presses published there; NIST/SEMATECH
# e-Handbook, Table 3.25, for 3 settings. 5 to 7 from memory.
BEHNKEN = {3: 15, 4: 27, 5: 46, 6: 54, 7: 62}


@pytest.mark.parametrize("k", BEHNKEN)
def test_box_behnken_has_the_published_size_and_no_corner(k: int) -> None:
    session = numbers(k)
    x = coded(plan(session, 70, design="box-behnken", reach=1.0).runs, session)
    assert len(x) == BEHNKEN[k]
    assert set(np.unique(x)) == {-1, 0, 1}
    assert (x != 0).sum(axis=1).max() == (2 if k < 6 else 3)
    short = plan(session, BEHNKEN[k] - 1, design="box-behnken")
    assert len(short.runs) == BEHNKEN[k] - 1


# NIST/SEMATECH e-Handbook, sec. 5.3.3.6; Montgomery (2013), Design and Analysis of Experiments, 8th
# ed., ch. 11, Tables 11.8 and 11.11. Settings -> presses before centres, rotatable alpha, alpha
# and presses for two blocks.
COMPOSITE = {2: (8, 1.4142, 1.4142, 14), 3: (14, 1.6818, 1.6330, 20), 4: (24, 2.0, 2.0, 30)}


@pytest.mark.parametrize("k", COMPOSITE)
def test_a_central_composite_has_the_published_size_and_star(k: int) -> None:
    points, rotatable, in_blocks, blocked_presses = COMPOSITE[k]
    session = numbers(k)
    for alpha, expected in (("face", 1.0), ("rotatable", rotatable), (1.25, 1.25)):
        runs = plan(session, points + 3, design="central composite", alpha=alpha, centres=3).runs
        x = coded(runs, session)
        assert len(x) == points + 3 and (np.abs(x).sum(axis=1) < 1e-9).sum() == 3
        star = x[(np.abs(x) > 1e-9).sum(axis=1) == 1]
        corner = np.abs(x[(np.abs(x) > 1e-9).sum(axis=1) == k]).max()
        assert len(star) == 2 * k
        assert np.abs(star).max() / corner == pytest.approx(expected, abs=2e-3)
    made = plan(session, 30, design="central composite", alpha="blocks", blocks=("Mon", "Tue"))
    assert len(made.runs) == blocked_presses
    x, day = coded(made.runs, session), (made.runs["block"] == "Tue").to_numpy()
    assert np.abs(x[day]).max() / np.abs(x[~day]).max() == pytest.approx(in_blocks, abs=2e-3)
    # Orthogonal blocking: the mean square of every setting is the same in both blocks.
    assert np.allclose((x[day] ** 2).mean(axis=0), (x[~day] ** 2).mean(axis=0), atol=1e-3)


def test_the_star_lies_where_the_handbook_puts_it() -> None:
    # NIST/SEMATECH e-Handbook, sec. 5.3.3.6: corners at 10 and 20, star at 6.6 and 23.4.
    session = numbers(3, 0, 30, step=0.1)
    runs = plan(session, 20, design="central composite", alpha="rotatable", reach=1 / 3).runs
    assert sorted(set(runs["x1"])) == [6.6, 10, 15, 20, 23.4]


def test_words_are_crossed_or_held_and_ordered_ones_have_three_levels() -> None:
    session = Session("w", [CURE, CURE_TIME, PRESSURE, PEEL], FOUR.outcomes, ["cotton"])
    runs = plan(session, 60, design="central composite").runs
    assert runs["peel method"].value_counts().tolist() == [16, 16, 16]
    assert set(runs["pressure"]) == {"light", "medium", "firm"}
    assert set(plan(session, 16, design="box-behnken", words="usual").runs["peel method"]) == {
        "hot"
    }
    with pytest.raises(PlanError, match="needs 45 presses"):
        plan(session, 44, design="central composite")


def test_a_star_rounded_to_the_bench_is_said() -> None:
    made = plan(FOUR, 31, design="central composite", alpha="rotatable")
    assert any("instead of 2.00" in note for note in made.notes)
    assert not any("instead of" in note for note in plan(FOUR, 31, design="box-behnken").notes)


# ------------------------------------------------------------------------ latin hypercube


def test_a_latin_hypercube_takes_every_step_equally_often_and_few_slow_ones() -> None:
    runs = plan(FOUR, 20, design="latin hypercube", cures=20, seed=5).runs
    for factor in FOUR.factors:
        times = runs[factor.name].value_counts()
        assert times.max() - times.min() <= 1
        assert factor.bounds == (runs[factor.name].min(), runs[factor.name].max())
    assert runs["cure temperature"].nunique() == runs["press temperature"].nunique() == 5
    assert runs["press time"].nunique() == 17
    more = plan(FOUR, 20, design="latin hypercube", cures=20, slow_levels=9).runs
    assert more["cure temperature"].nunique() == 9


def test_its_cures_are_drawn_for_loads_and_each_meets_different_presses() -> None:
    session = Session("l", FOUR.factors, FOUR.outcomes, ["cotton", "wool"])
    runs = plan(session, 24, design="latin hypercube").runs
    cures = runs.groupby(["cure temperature", "cure time"])
    assert len(cures) == 8 and runs["oven_load"].nunique() == 8
    for fabric in ("cotton", "wool"):
        per_cure = runs[runs["fabric"] == fabric].groupby(["cure temperature", "cure time"]).size()
        assert per_cure.max() - per_cure.min() <= 1
        assert runs.loc[runs["fabric"] == fabric, "press time"].value_counts().max() == 1
    assert runs["cure temperature"].nunique() == 5 and runs["cure time"].nunique() == 8
    # Presses of one cure lie far apart in the press's own settings.
    spread = cures["press time"].agg(lambda t: t.max() - t.min())
    assert spread.min() >= 4


# --------------------------------------------------------------------------------- blocks


@pytest.mark.parametrize("design", [d for d in MADE_HERE if d != "auto"])
def test_blocks_are_even_and_hide_no_setting(design: str) -> None:
    made = plan(FOUR, 32, design=design, blocks=2)
    holds_to_the_bench(FOUR, made.runs)
    sizes = made.runs["block"].value_counts()
    assert set(sizes.index) == {"1", "2"} and sizes.max() - sizes.min() <= 1
    first = (made.runs["block"] == "1").to_numpy()
    for factor in FOUR.factors:
        values = made.runs[factor.name].to_numpy(dtype=float)
        assert abs(values[first].mean() - values[~first].mean()) < 0.25 * values.std()
    for group in ("oven_load", "press_round"):
        assert (made.runs.groupby(group)["block"].nunique() == 1).all()
    assert made.runs["block"].is_monotonic_increasing


def test_blocks_do_not_hide_how_a_temperature_and_its_time_act_together() -> None:
    session = Session("s", [*FOUR.factors, PRESSURE], FOUR.outcomes, ["cotton"])
    made = plan(session, 16, design="fraction", blocks=2)
    (note,) = (n for n in made.notes if "hide" in n)
    assert note.endswith("hide: cure temperature with press temperature.")


@pytest.mark.parametrize(("design", "count"), [("full factorial", 4), ("fraction", 2)])
def test_the_blocks_hide_the_effects_they_name_and_no_others(design: str, count: int) -> None:
    session = numbers(4 if design == "full factorial" else 5)
    names = [f.name for f in session.factors]
    made = plan(session, 16, design=design, blocks=count, replicates=1)
    (note,) = (n for n in made.notes if "hide" in n)
    hidden = [tuple(t.split(" with ")) for t in note.split(": ")[1].rstrip(".").split("; ")]
    assert len(hidden) == count - 1
    x = pd.DataFrame(np.sign(coded(made.runs, session)), columns=names)
    for size in (1, 2, 3, 4):
        for effect in combinations(names, size):
            sums = x[list(effect)].prod(axis=1).groupby(made.runs["block"]).sum().abs()
            if effect in hidden:
                assert set(sums) == {16 / count}
            elif design == "full factorial" or size == 1:
                assert set(sums) == {0}


def test_the_odd_presses_of_several_fabrics_do_not_pile_up_in_one_block() -> None:
    session = Session("f", [CURE, PRESS], FOUR.outcomes, ["cotton", "nylon", "wool"])
    for presses, count in ((9, 2), (12, 3), (21, 5)):
        runs = plan(session, presses, blocks=count).runs
        sizes = runs["block"].value_counts()
        assert sizes.max() - sizes.min() <= 1
        of_fabric = pd.crosstab(runs["fabric"], runs["block"]).to_numpy()
        assert (of_fabric.max(axis=1) - of_fabric.min(axis=1) <= 1).all()


def test_regular_plans_are_divided_by_their_highest_effect_and_replicates_whole() -> None:
    made = plan(FOUR, 16, design="full factorial", blocks=["Monday", "Tuesday"])
    assert any(
        note.endswith(
            "hide: cure temperature with cure time with press temperature with press time."
        )
        for note in made.notes
    )
    x = np.sign(made.runs[[f.name for f in FOUR.factors]] - [f.usual for f in FOUR.factors])
    day = made.runs["block"] == "Monday"
    assert set(x[day].prod(axis=1)) in ({1.0}, {-1.0})
    twice = plan(FOUR, 32, design="full factorial", replicates=2, blocks=2)
    assert not any("hide" in note for note in twice.notes)
    for _, one in twice.runs.groupby("block"):
        assert not one[[f.name for f in FOUR.factors]].duplicated().any()


# ---------------------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"design": "full factorial", "levels": 1}, ("levels: got 1", "from 2 to 9")),
        ({"design": "full factorial", "levels": {"cure time": [40, 43]}}, ("43", "nearest is 40")),
        ({"design": "full factorial", "levels": {"cure time": [40, 40]}}, ("is given twice",)),
        ({"design": "full factorial", "levels": {"cure time": 9}}, ("steps give 5", "reach 0.45")),
        ({"design": "full factorial", "replicates": 3}, ("needs 48 presses",)),
        ({"design": "full factorial", "centres": 17}, ("needs 33 presses",)),
        ({"design": "full factorial", "centres": -1}, ("centres: got -1",)),
        ({"design": "fraction", "replicates": True}, ("replicates: got True",)),
        ({"design": "fraction", "resolution": 10}, ("resolution: got 10",)),
        ({"design": "plackett-burman", "runs": 10}, ("runs is 10", "8, 12, 16")),
        ({"design": "plackett-burman", "foldover": 1}, ("foldover: got 1",)),
        ({"design": "central composite", "alpha": 0.5}, ("alpha is 0.5", "'face'")),
        ({"design": "central composite", "alpha": "far"}, ("alpha is 'far'",)),
        ({"design": "central composite", "alpha": 2, "reach": 0.6}, ("outside", "0.5 or less")),
        ({"design": "central composite", "alpha": "blocks"}, ("blocks=2",)),
        ({"design": "central composite", "alpha": 2.0, "centres": 0}, ("centre run",)),
        ({"design": "box-behnken", "words": "some"}, ("words: got 'some'",)),
        ({"design": "latin hypercube", "slow_levels": 1}, ("slow_levels: got 1",)),
        ({"design": "latin hypercube", "cures": 33}, ("cures: got 33", "from 1 to 32")),
        ({"design": "latin hypercube", "centres": 1}, ("no option 'centres'",)),
        ({"design": "auto", "blocks": 1}, ("blocks is 1", "from 2 to 32")),
        ({"design": "auto", "blocks": 33}, ("blocks is 33",)),
        ({"design": "auto", "blocks": ["a", "a"]}, ("blocks is ['a', 'a']",)),
        ({"design": "auto", "blocks": "two"}, ("blocks is 'two'",)),
    ],
)
def test_options_that_cannot_be_met_say_what_could(options: dict, words: tuple[str, ...]) -> None:
    with pytest.raises(PlanError) as error:
        plan(FOUR, 32, **options)
    assert "\n" not in str(error.value)
    for word in words:
        assert word in str(error.value)


def test_a_fabric_with_too_few_settings_is_named() -> None:
    tight = Session("t", [CURE, PRESS], FOUR.outcomes, ["cotton", Fabric("silk", 286, "°F")])
    for design in ("fraction", "central composite", "full factorial"):
        with pytest.raises(PlanError, match="silk"):
            plan(tight, 60, design=design)


# -------------------------------------------------------------------------------- any bench

FACTORS = st.lists(
    st.sampled_from([CURE, CURE_TIME, PRESS, PRESS_TIME, PRESSURE, PEEL]),
    min_size=1,
    max_size=5,
    unique_by=lambda f: f.name,
)
FABRICS = st.sampled_from([["cotton"], ["cotton", Fabric("nylon", 149)]])


@settings(max_examples=60, deadline=None)
@given(
    factors=FACTORS,
    fabrics=FABRICS,
    design=st.sampled_from(MADE_HERE),
    presses=st.integers(1, 60),
    seed=st.integers(0, 99),
    blocks=st.sampled_from([None, None, 2, 3]),
)
def test_on_any_bench_a_plan_fits_or_says_what_would(
    factors, fabrics, design, presses, seed, blocks
) -> None:
    session = Session("any", factors, [Outcome("peel")], fabrics)
    options = {} if blocks is None or blocks > presses else {"blocks": blocks}
    try:
        made = plan(session, presses, design=design, seed=seed, **options)
    except PlanError as error:
        said = str(error).split()
        if "needs" in said and said[said.index("needs") + 2] == "presses":
            needed = int(said[said.index("needs") + 1])
            assert needed > presses
            assert len(plan(session, needed, design=design).runs) == needed
        return
    assert 1 <= len(made.runs) <= presses
    holds_to_the_bench(session, made.runs)
    share = made.runs["fabric"].value_counts()
    assert share.max() - share.min() <= 1 or len(share) < len(fabrics)
    again = plan(session, presses, design=design, seed=seed, **options)
    pd.testing.assert_frame_equal(made.runs, again.runs)
    assert made.reason and all("\n" not in note for note in made.notes)


def test_every_family_is_made_for_the_sample_bench() -> None:
    for design, fabric in product(MADE_HERE, FOUR.fabrics):
        made = plan(FOUR, 40, fabrics=[fabric], design=design)
        holds_to_the_bench(FOUR, made.runs)
