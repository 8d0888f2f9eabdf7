"""What a plan is said to tell: published aliases and strata, and plain words for every plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from dtfexp import Factor, Outcome, Plan, PlanError, Session, plan
from dtfexp.dialin.design.first_look import first_look_codes
from dtfexp.dialin.design.plan import DESIGNS
from dtfexp.dialin.design.plan_comparison import compare_plans
from dtfexp.dialin.encode.model_columns import may_be_set
from dtfexp.dialin.evaluate.plan_check import PlanCheck, check_runs
from dtfexp.maths.designs import classical
from dtfexp.maths.linear import power
from tests.dialin.bench import FOUR, HALF, ONE, SESSIONS, WORDS, graded
from tests.maths.test_designs import fraction_of

LUCKLESS = {"load_luck": 0.0, "round_luck": 0.0}


def bench(k: int, values: tuple[float, float, float] = (0, 10, 5)) -> Session:
    """k settings of the press, A, B, C ...; nothing shared by loads or rounds."""
    low, high, step = values
    factors = [Factor(letter, low, high, "", step) for letter in "ABCDEFGH"[:k]]
    return Session("letters", factors, (Outcome("peel"),), ("cotton",))


def runs_of(session: Session, coded: np.ndarray) -> pd.DataFrame:
    """Coded rows (-1, 0, +1) as runs, every press a load and a round of its own."""
    n = np.arange(1, len(coded) + 1)
    runs = pd.DataFrame({"press": n, "fabric": "cotton", "oven_load": n, "press_round": n})
    for i, factor in enumerate(session.factors):
        runs[factor.name] = 5.0 + 5.0 * coded[:, i]
    return runs


def of_generators(generators: list[str], k: int) -> PlanCheck:
    session = bench(k)
    coded = np.asarray(fraction_of(generators, k).matrix)
    return check_runs(session, runs_of(session, coded), model="linear", **LUCKLESS)


def hides(check: PlanCheck, term: str) -> set[str]:
    row = check.terms.set_index("term").loc[term]
    return {part.replace(" × ", "") for part in row["aliased_with"].split(", ") if part}


@pytest.mark.parametrize(
    ("generators", "k", "aliases"),
    [
        (["D=ABC"], 4, {"A": "", "A × B": "CD", "A × C": "BD", "A × D": "BC"}),
        (
            ["D=AB", "E=AC"],
            5,
            {"A": "BD CE", "B": "AD", "C": "AE", "D": "AB", "E": "AC", "B × C": "DE",
             "C × D": "BE"},
        ),
        (
            ["D=AB", "E=AC", "F=BC", "G=ABC"],
            7,
            {"A": "BD CE FG", "B": "AD CF EG", "C": "AE BF DG", "D": "AB CG EF", "E": "AC BG DF",
             "F": "AG BC DE", "G": "AF BE CD"},
        ),
    ],
    ids=["2^(4-1)", "2^(5-2)", "2^(7-4)"],
)  # fmt: skip
def test_effects_hide_behind_those_of_the_published_alias_sets(generators, k, aliases) -> None:
    # Box, Hunter & Hunter (2005), Statistics for Experimenters, 2nd ed., chapters on fractional
    # factorials; Montgomery (2013), 8th ed., ch. 8 (from memory; recomputed from the words).
    check = of_generators(generators, k)
    for term, others in aliases.items():
        assert hides(check, term) == set(others.split())
        assert check.is_estimable(_key(check, term)) == (not others)


def test_what_is_left_out_of_the_model_can_still_be_told() -> None:
    session = bench(3)
    coded = np.asarray(classical.two_level_full(3))
    terms = check_runs(session, runs_of(session, coded), model="linear").terms
    joint = terms[terms["kind"] == "joint"]
    assert joint["estimable"].all() and not joint["fitted"].any()
    assert (joint["aliased_with"] == "").all()


def _key(check: PlanCheck, term: str):
    keys = {check.effects.name(key): key for key in check.effects.terms.columns}
    return keys[term]


def test_in_twelve_runs_each_pair_is_carried_a_third() -> None:
    # Plackett & Burman (1946), Biometrika 33:305: each main effect carries a third of every pair
    # of the other factors (from memory).
    session = bench(5)
    coded = np.asarray(classical.plackett_burman(11))[:, :5]
    check = check_runs(session, runs_of(session, coded), model="linear", **LUCKLESS)
    carried = check.aliases.loc["A"]
    pairs = [name for name in carried.index if "×" in name and "A" not in name]
    assert len(pairs) == 6
    np.testing.assert_allclose(carried[pairs].abs(), 1 / 3, atol=1e-6)
    assert carried.drop(pairs).abs().max() < 1e-6


def test_power_of_a_two_level_effect() -> None:
    # N runs, p terms, effect delta in units of the noise: recomputed with the noncentral t of
    # scipy; the method as in R Core Team (2022), base R documentation, power of t tests.
    session = bench(5)
    coded = np.asarray(classical.fraction(5, runs=16).matrix)
    for delta, expected in ((2, 0.94883526), (1, 0.4396273)):
        check = check_runs(
            session, runs_of(session, coded), "linear", effect=delta, noise=1.0, **LUCKLESS
        )
        own = check.terms[check.terms["kind"] == "own"]
        np.testing.assert_allclose(own["power"].astype(float), expected, atol=5e-8)
        assert (own["df"] == 10).all()
        again = check_runs(
            session, runs_of(session, coded), "linear", noise=1.0, power=expected, **LUCKLESS
        )
        smallest = again.terms.loc[again.terms["kind"] == "own", "smallest"]
        np.testing.assert_allclose(smallest.astype(float), delta, rtol=1e-6)


def test_an_effect_of_words_is_that_of_two_of_them_apart() -> None:
    """Three words, five presses each, one grade between two and the third in the middle:
    noncentrality 5 * (1/4 + 1/4 + 0) / sigma^2, by hand."""
    session = Session(
        "words", (Factor("method", levels=("hot", "warm", "cold")),), (Outcome("peel"),), ("c",)
    )
    n = np.arange(1, 16)
    runs = pd.DataFrame({"press": n, "fabric": "c", "oven_load": n, "press_round": n})
    runs["method"] = list(np.repeat(["hot", "warm", "cold"], 5))
    row = check_runs(session, runs, noise=0.8, **LUCKLESS).terms.iloc[0]
    assert row["df"] == 12 and row["term"] == "method"
    assert row["power"] == pytest.approx(power.power_f(2.5 / 0.64, 2, 12), rel=1e-9)


def test_a_setting_of_the_oven_is_judged_between_loads() -> None:
    """Six loads of four, cure set by load; press time in every load: 4 and 17 degrees of freedom,
    and by hand the variances (1 + 4 r) / 24 and 1 / 24."""
    cure = Factor("cure temperature", 100, 140, "°C", 5, "cure")
    time = Factor("press time", 8, 24, "s", 2)
    session = Session("split", (cure, time), (Outcome("peel"),), ("cotton",))
    n = np.arange(24)
    runs = pd.DataFrame(
        {"press": n + 1, "fabric": "cotton", "oven_load": n // 4 + 1, "press_round": 1}
    )
    runs["cure temperature"] = np.where(runs["oven_load"] % 2 == 0, 140.0, 100.0)
    runs["press time"] = np.where(n % 2 == 0, 8.0, 24.0)
    check = check_runs(session, runs, "linear", noise=0.5, load_luck=0.5, round_luck=0.0)
    rows = check.terms.set_index("term")
    assert list(rows["stratum"].iloc[:2]) == ["oven load", "press"]
    assert rows.loc["cure temperature", "df"] == 4 and rows.loc["press time", "df"] == 17
    assert rows.loc["cure temperature", "se"] == pytest.approx(2 * 0.5 * np.sqrt(5 / 24))
    assert rows.loc["press time", "se"] == pytest.approx(2 * 0.5 * np.sqrt(1 / 24))
    assert "6 oven loads" in check.sentences[1]


def test_a_pair_that_never_changes_within_a_load_is_judged_between_loads() -> None:
    """Six loads of four; the press temperature, free to change, was changed with the load only."""
    cure = Factor("cure temperature", 100, 140, "°C", 5, "cure")
    heat, time = Factor("press temperature", 140, 170, "°C", 5), Factor("press time", 8, 24, "s", 2)
    session = Session("split", (cure, heat, time), (Outcome("peel"),), ("cotton",))
    n = np.arange(24)
    runs = pd.DataFrame({"press": n + 1, "fabric": "cotton", "oven_load": n // 4, "press_round": 1})
    runs["cure temperature"] = np.where(runs["oven_load"] % 2 == 0, 140.0, 100.0)
    runs["press temperature"] = np.where(runs["oven_load"] % 3 == 0, 140.0, 170.0)
    runs["press time"] = np.where(n % 2 == 0, 8.0, 24.0)
    rows = check_runs(session, runs, "interactions").terms.set_index("term")["stratum"]
    assert rows["cure temperature × press temperature"] == "oven load"
    assert rows["press temperature"] == "oven load"
    assert rows["cure temperature × press time"] == "press"


L_SHAPED = ({"A": "> 5", "B": "> 5"},)


def test_efficiencies_look_only_at_what_may_be_set() -> None:
    """A quarter of the square is forbidden.  Brute force over a fine grid of the L that is left:
    the best weights by a general optimiser, the greatest variance and the mean by counting."""
    session = replace(bench(2), forbidden=L_SHAPED)
    coded = np.array([[-1, -1], [1, -1], [-1, 1], [0, 0], [1, 0], [0, 1]], dtype=float)
    check = check_runs(session, runs_of(session, coded), "linear", **LUCKLESS)
    line = np.linspace(-1, 1, 41)
    a, b = (axis.ravel() for axis in np.meshgrid(line, line))
    left = ~((a > 0) & (b > 0))
    region = np.column_stack([np.ones(left.sum()), a[left], b[left]])
    edge = region[(np.abs(region[:, 1:]) % 1 == 0).all(axis=1)]
    x = np.column_stack([np.ones(6), coded])
    moments = region.T @ region / len(region)

    def best(criterion) -> float:
        found = minimize(
            lambda w: criterion(edge.T @ ((w**2 / np.sum(w**2))[:, None] * edge)),
            np.ones(len(edge)),
        )
        return float(found.fun)

    d = np.exp((np.linalg.slogdet(x.T @ x / 6)[1] + best(lambda m: -np.linalg.slogdet(m)[1])) / 3)
    worst = max(row @ np.linalg.solve(x.T @ x, row) for row in region)
    i = best(lambda m: np.trace(np.linalg.solve(m, moments)))
    i /= 6 * np.trace(np.linalg.solve(x.T @ x, moments))
    assert check.efficiency == pytest.approx({"D": d, "G": 3 / (6 * worst), "I": i}, rel=0.01)
    whole = check_runs(bench(2), runs_of(session, coded), "linear", **LUCKLESS).efficiency
    assert check.efficiency["D"] > 1.1 * whole["D"] and check.efficiency["I"] > 1.04 * whole["I"]
    assert check.variance["sd"].max() <= check.assumed.noise * np.sqrt(worst) + 1e-9


def test_efficiencies_stay_below_the_heat_limit_of_each_fabric() -> None:
    made = plan(HALF, 24, design="latin hypercube", cures=6).runs
    check = check_runs(HALF, made, "quadratic")
    assert set(check.efficiency) == {"D", "G", "I"}
    assert all(0 < value <= 1 for value in check.efficiency.values())
    hottest = HALF.highest("press temperature", "nylon")
    corners = check.effects.spans
    base = np.array([[0.0, 1.0, -1.0], [0.0, 1.0, 1.0], [0.0, -1.0, 1.0]])
    at = may_be_set(HALF, corners, made, base)
    hot = made["press temperature"].max() > hottest
    assert at.tolist() == [True, not hot, True] and hot


@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
@pytest.mark.parametrize("presses", [0, 1, 2, 3, 7, 24])
def test_every_plan_is_answered_in_three_sentences(session: Session, presses: int) -> None:
    made = plan(session, max(presses, 1))
    made = Plan(session, made.runs.iloc[:presses], "auto", 0)
    check = made.check()
    assert len(check.sentences) == 3
    for sentence in check.sentences:
        assert sentence.endswith(".") and "\n" not in sentence and "nan" not in sentence
        assert len(sentence) < 400
    fitted = check.terms[check.terms["fitted"]]
    assert not fitted[["df", "se", "power", "smallest"]].isna().any().any()
    assert not check.variance.isna().any().any() and not check.aliases.isna().any().any()
    assert all(0 < value <= 1 + 1e-9 for value in check.efficiency.values())
    assert check._repr_html_().count("<li>") == 3 and repr(check)


@pytest.mark.parametrize("design", DESIGNS)
def test_every_design_can_be_checked(design: str) -> None:
    options = {"restarts": 1} if design.endswith("optimal") else {}
    made = plan(FOUR, 32, design=design, **options)
    check = made.check()
    own = check.terms[check.terms["kind"] == "own"]
    assert own["fitted"].all() and own["power"].between(0, 1).all()
    assert list(check.efficiency) == ["D", "G", "I"]


def test_sentences_say_what_hides() -> None:
    def first(session, presses, design, **options):
        return plan(session, presses, design=design, **options).check().sentences[0]

    assert "whether a setting is best in the middle" in first(FOUR, 16, "full factorial")
    assert "not which two settings act together" in first(FOUR, 8, "fraction")
    assert first(bench(5), 8, "fraction").startswith("It cannot separate what A does from what")
    whole = first(FOUR, 30, "central composite")
    assert "no interaction of three settings" in whole
    assert "it is the same in every press" in first(ONE, 1, "auto")
    runs = plan(FOUR, 16, design="full factorial").runs
    runs["press time"] = np.where(runs["cure time"] == runs["cure time"].min(), 12.0, 19.0)
    assert "always changes together with cure time" in check_runs(FOUR, runs).sentences[0]


def test_sentences_say_what_is_missed_and_not_tried() -> None:
    check = plan(FOUR, 8, design="fraction").check()
    assert "cannot be separated from luck: too few press rounds" in check.sentences[1]
    assert "8 times in 10" in check.sentences[1]
    assert "press temperature 146 to 163 °C" in check.sentences[2]  # told in the session's unit
    assert "acts alike on all fabrics" in plan(HALF, 12).check().sentences[2]
    assert "peel method hot, warm or cold" in plan(WORDS, 9).check().sentences[2]


def test_earlier_presses_and_blocks_count() -> None:
    first = graded(FOUR, plan(FOUR, 12).runs)
    more = plan(FOUR, 8, design="d-optimal", include=first, restarts=1)
    alone, both = more.check(), more.check(earlier=first)
    assert both.presses == 20 and alone.presses == 8 and both.model == "quadratic"
    days = plan(FOUR, 16, design="full factorial", blocks=["Mon", "Tue"]).check()
    assert "block" in set(days.terms["term"])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"model": "cubic"}, "model: got 'cubic'"),
        ({"effect": 0}, "effect: got 0"),
        ({"noise": "much"}, "noise: got 'much'"),
        ({"power": 1.0}, "power: got 1"),
        ({"load_luck": -0.1}, "load_luck: got -0.1"),
        ({"sigma": 1}, "no 'sigma'"),
        ({"earlier": 3}, "earlier"),
    ],
)
def test_a_bad_assumption_is_named(options: dict, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        plan(FOUR, 8).check(**options)


def test_plans_side_by_side() -> None:
    plans = [plan(FOUR, 8, design="fraction"), plan(FOUR, 30, design="central composite")]
    found = compare_plans([*plans, plans[0]], noise=0.3)
    table = found.table.set_index("plan")
    assert list(table.index) == [
        "fraction, 8 presses", f"central composite, {len(plans[1])} presses",
        "fraction, 8 presses (2)",
    ]  # fmt: skip
    small, large = table.iloc[0], table.iloc[1]
    assert small["hours"] < large["hours"] and small["own_smallest"] > large["own_smallest"]
    assert large["pairs_estimable"] == large["bends_estimable"] == 1.0
    assert small["bends_estimable"] == 0.0
    assert small["hours"] == plans[0].cost().hours
    assert found.checks[table.index[0]].assumed.noise == 0.3
    named = compare_plans({"a": plans[0]}, windows={"a": 0.4})
    assert named.table["window"].tolist() == [0.4]
    assert "0.4" in repr(named) and "<table" in named._repr_html_()
    with pytest.raises(PlanError, match="plans is empty"):
        compare_plans([])
    with pytest.raises(PlanError, match="windows names 'b'"):
        compare_plans({"a": plans[0]}, windows={"b": 0.4})
    with pytest.raises(PlanError, match="got int"):
        compare_plans([3])  # type: ignore[list-item]


def test_a_first_look_over_several_fabrics_keeps_every_setting_apart() -> None:
    """Few presses for each fabric: between them the fabrics press enough different corners."""
    session = Session.load(Path(__file__).parents[2] / "data" / "example_session.toml")
    for presses in (12, 14, 18, 30):
        made = plan(session, presses)
        own = made.check().terms.query("kind == 'own'")
        assert own["fitted"].all()
        assert any("always changes together with another" in note for note in made.notes)
    assert not any(
        "always changes together with another" in note for note in plan(session, 6).notes
    )
    first, third = first_look_codes(5, 5), first_look_codes(5, 5, turn=1)
    assert not {tuple(row) for row in first[1:]} & {tuple(row) for row in third[1:]}
