"""The classical table: published split-plots to the printed digit, and an answer on any data."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from dtfexp import Outcome, Session, SessionError, fit, plan
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.explain.anova import COLUMNS, anova, effects
from dtfexp.maths.linear.variance_components import (
    ResidualSpaces,
    indicators,
    satterthwaite,
    variance_components,
)
from tests.dialin.bench import CURE, FOUR, HALF, SESSIONS, graded
from tests.dialin.published import corrosion, oats, stroup

FREE = Session(
    "free", FOUR.factors, (Outcome("y", -999, 999, 0, kind="measured"),), ("cotton", "nylon")
)


# F, df and df_error as printed (half a unit of the last digit), then p as recomputed with base R
# (aov with error strata).  Oats: F seen in print.  Stroup and corrosion: from memory.
@pytest.mark.parametrize(
    ("told", "rows"),
    [
        (oats, [(2, 10, 1.485, 3, 0.2724), (3, 45, 37.69, 2, 0.0), (6, 45, 0.303, 3, 0.9322)]),
        (stroup, [(2, 6, 4.07, 2, 0.0764), (1, 9, 19.39, 2, 0.0017), (2, 9, 4.02, 2, 0.0566)]),
        (corrosion, [(2, 3, 2.75, 2, 0.2093), (3, 9, 11.5, 1, 0.0020), (6, 9, 4.4, 1, 0.0241)]),
    ],
)
def test_published_f_by_stratum(told, rows) -> None:
    session, results, value = told()
    table = anova(session, results, value, None)
    assert table["stratum"].tolist() == ["oven load", "press", "press"]
    for (df, df_error, f, digits, p), (_, row) in zip(rows, table.iterrows(), strict=True):
        assert row["df"] == df
        assert row["df_error"] == pytest.approx(df_error, abs=1e-6)
        assert row["F"] == pytest.approx(f, abs=0.51 * 10.0**-digits)
        assert row["p"] == pytest.approx(p, abs=6e-5)


def _oats_variances(formula: str) -> dict[str, float]:
    """REML through statsmodels.  Without re_formula="1" the block's own variance is lost."""
    _, results, value = oats()
    frame = results.rename(columns={value: "y"})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = smf.mixedlm(
            formula, frame, groups="block", re_formula="1", vc_formula={"load": "0 + C(oven_load)"}
        )
        found = model.fit(reml=True)
    block, load = float(found.cov_re.iloc[0, 0]), float(found.vcomp[0])
    return {"block": block, "load": load, "press": float(found.scale)}


def test_oats_components_by_reml_agree_with_print_and_with_our_mean_squares() -> None:
    additive = _oats_variances("y ~ C(nitro) + C(Variety)")
    # Yates's oats as quoted with the additive model (seen), to the optimiser's digits.
    assert additive["block"] == pytest.approx(214.4716, rel=1e-3)
    assert additive["load"] == pytest.approx(109.6929, rel=1e-3)
    assert additive["press"] == pytest.approx(162.5591, rel=1e-3)
    joint = _oats_variances("y ~ C(nitro) * C(Variety)")
    assert joint["block"] == pytest.approx(214.48, rel=1e-3)  # from memory
    assert joint["load"] == pytest.approx(106.06, rel=1e-3)  # from memory
    _, results, value = oats()
    cells = results["Variety"] + results["nitro"]
    design = np.hstack([indicators(pd.factorize(cells)[0]), indicators(_codes(results, "block"))])
    groups = {"load": indicators(_codes(results, "oven_load"))}
    found = variance_components(
        results[value].to_numpy(), ResidualSpaces.of(design, groups), groups
    )
    assert found.component == pytest.approx([106.06181, 177.08333], abs=1e-4)  # recomputed
    assert found.component == pytest.approx([joint["load"], joint["press"]], rel=1e-3)
    assert found.mean_square / found.component == pytest.approx(
        [(4 * 106.06181 + 177.08333) / 106.06181, 1.0], abs=1e-4
    )


def _codes(results: pd.DataFrame, column: str) -> np.ndarray:
    return pd.factorize(results[column])[0]


def test_stroup_components_are_those_of_the_mean_squares() -> None:
    """Stroup 1989, values from memory: whole plots 15.3819, residual 9.3611."""
    _, results, value = stroup()
    design = np.hstack(
        [indicators(pd.factorize(results["A"] + results["B"])[0]),
         indicators(_codes(results, "block"))]
    )  # fmt: skip
    groups = {"load": indicators(_codes(results, "oven_load"))}
    found = variance_components(
        results[value].to_numpy(), ResidualSpaces.of(design, groups), groups
    )
    assert found.component == pytest.approx([15.3819, 9.3611], abs=5e-5)


def test_without_loads_and_rounds_it_is_the_least_squares_table() -> None:
    """Every press a load and a round of its own: statsmodels' own table, sums of type III."""
    session, results, _ = corrosion()
    results["oven_load"] = results["press"]
    table = anova(session, results, "resist", None)
    with_sums = smf.ols("resist ~ C(temp, Sum) * C(coat, Sum)", results).fit()
    other = anova_lm(with_sums, typ=3).iloc[1:4]
    assert table["stratum"].tolist() == ["press"] * 3
    assert table["F"].to_numpy() == pytest.approx(other["F"].to_numpy(), rel=1e-9)
    assert table["p"].to_numpy() == pytest.approx(other["PR(>F)"].to_numpy(), rel=1e-7)
    assert table["df_error"].to_numpy() == pytest.approx([12.0] * 3)


@pytest.fixture(scope="module")
def runs() -> pd.DataFrame:
    return plan(FREE, 40, fabrics=["cotton"]).runs


def test_luck_of_loads_and_rounds_does_not_pass_for_an_effect(runs: pd.DataFrame) -> None:
    """No setting does anything, loads and rounds differ: p below 0.1 in a tenth of the tables.

    40 simulated benches: 0.1 ± 0.0474 (one sd), and the tests that lean on few rounds are careful,
    so only an excess is a fault: three sd.  As if pressed alone, loads pass for effects (> 0.3).
    """
    rng = np.random.default_rng(3)
    wrong, naive = [], []
    for _ in range(40):
        load, round_ = rng.normal(0, 1.0, 99), rng.normal(0, 1.0, 99)
        y = rng.normal(0, 0.5, len(runs)) + load[runs["oven_load"]] + round_[runs["press_round"]]
        results = check_results(FREE, runs.assign(y=y))
        wrong.append(anova(FREE, results, "y", "cotton")["p"].iloc[:4] < 0.1)
        alone = results.assign(oven_load=results["press"], press_round=results["press"])
        naive.append(anova(FREE, alone, "y", "cotton")["p"].iloc[:4] < 0.1)
    assert np.mean(wrong, axis=0).max() < 0.1 + 3 * 0.0474
    assert np.mean(naive, axis=0)[:2].min() > 0.2


def test_effects_are_those_put_in_and_their_t_squared_is_the_f(runs: pd.DataFrame) -> None:
    cure = runs["cure temperature"].astype(float)
    hot = runs["press temperature"].astype(float)
    y = 3.0 * (cure - 125) / 40 - 2.0 * ((cure - 125) / 20) ** 2 + 0.5 * (hot - 310) / 60
    results = check_results(FREE, runs.assign(y=y + np.random.default_rng(0).normal(0, 0.05, 40)))
    told = effects(FREE, results, "y", "cotton")
    wanted = {
        # The slope at the average of the presses, over the whole range of 40 °C.
        "cure temperature, low to high": 3.0 - 40 * 4.0 * (cure.mean() - 125) / 400,
        "cure temperature, bend": 2.0,
        "press temperature, low to high": 0.5,
        "press time, low to high": 0.0,
    }
    for label, size in wanted.items():
        row = told.loc[label]
        reach = 4 * row["se"] + 1e-9
        assert row["effect"] == pytest.approx(size, abs=reach)
        assert row["low"] < row["effect"] < row["high"]
    table = anova(FREE, results, "y", "cotton")
    single = told.drop_duplicates("term").set_index("term")
    one = table[(table["df"] == 1) & (table["note"] == "")]
    ratio = (single["effect"] / single["se"]) ** 2
    assert one["F"].to_numpy() == pytest.approx(ratio[one.index].to_numpy(), rel=1e-6)
    assert single["p"][one.index].to_numpy() == pytest.approx(one["p"].to_numpy(), abs=1e-6)


def test_several_fabrics_have_a_term_of_their_own() -> None:
    results = plan(FREE, 32).runs
    results["y"] = np.random.default_rng(1).normal(0, 1, len(results))
    results.loc[results["fabric"] == "nylon", "y"] -= 3.0
    pooled = fit_free(results)
    assert pooled.index[0] == "fabric"
    assert pooled.loc["fabric", "p"] < 1e-3
    told = effects(FREE, check_results(FREE, results), "y", None)
    assert told.loc["fabric: cotton", "effect"] == pytest.approx(
        -told.loc["fabric: nylon", "effect"]
    )
    assert "fabric" not in anova(FREE, check_results(FREE, results), "y", "nylon").index


def fit_free(results: pd.DataFrame) -> pd.DataFrame:
    return anova(FREE, check_results(FREE, results), "y", None)


def test_a_fit_hands_the_table_out() -> None:
    fitted = fit(HALF, graded(HALF, plan(HALF, 14).runs))
    table = fitted.anova("Grey", "nylon")
    assert tuple(table.columns) == COLUMNS
    assert table.index.name == "term"
    assert set(fitted.effects("grey")["term"]) == set(fitted.anova("grey").index)
    with pytest.raises(SessionError, match="velvet"):
        fitted.anova("grey", "velvet")
    with pytest.raises(SessionError, match="gloss"):
        fitted.anova("gloss")


def spoil(results: pd.DataFrame, way: str, factor: str) -> pd.DataFrame:
    """One of the things that happen to results."""
    n = len(results)
    ways = {
        "as planned": {},
        "one setting held": {factor: results[factor].iloc[0] if n else None},
        "one load": {"oven_load": 1},
        "one round": {"press_round": 1},
        "rounds are loads": {"press_round": results["oven_load"]},
        "all apart": {"oven_load": range(1, n + 1), "press_round": range(1, n + 1)},
        "days": {"block": ["monday", "tuesday", None] * (n // 3) + [None] * (n % 3)},
        "half left out": {"excluded": [i % 2 == 0 for i in range(n)]},
        "all left out": {"excluded": True},
    }
    return results.assign(**ways[way])


@pytest.mark.parametrize("presses", [0, 1, 2, 5, 12])
@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
def test_any_results_give_a_table(session: Session, presses: int) -> None:
    planned = plan(session, max(presses, 1)).runs.head(presses)
    for k, way in enumerate(
        ("as planned", "one setting held", "one load", "one round", "rounds are loads",
         "all apart", "days", "half left out", "all left out")
    ):  # fmt: skip
        results = graded(session, planned, seed=k)
        for outcome in session.outcomes:
            if k % 3 == 1:
                results[outcome.name] = (
                    results[outcome.name].astype(float).where(np.arange(presses) % 3 > 0)
                )
            if k % 3 == 2:
                results[outcome.name] = outcome.best
        checked = check_results(session, spoil(results, way, session.factors[0].name))
        for outcome in session.outcomes:
            table = anova(session, checked, outcome.name, None)
            assert tuple(table.columns) == COLUMNS
            assert {f.name for f in session.factors} <= set(table.index)
            tested = table["note"] == ""
            assert table.loc[tested, ["F", "p"]].notna().all().all()
            assert table.loc[tested, "p"].between(0, 1).all()
            assert (table.loc[tested, "df_error"] > 0).all()
            assert table.loc[~tested, ["F", "p"]].isna().all().all()
            assert (table["df_error"] >= 0).all()
            told = effects(session, checked, outcome.name, None)
            assert (told["se"].notna() == (told["note"] == "")).all()


def test_the_note_says_why_there_is_no_test() -> None:
    results = graded(FREE, plan(FREE, 24, fabrics=["cotton"]).runs)
    held = fit_free(results.assign(**{"cure time": 60}))
    assert held.loc["cure time", "note"] == "not varied"
    alike = fit_free(results.assign(y=1.0))
    assert set(alike["note"]) == {"all alike: no setting shows an effect"}
    twins = fit_free(results.assign(**{"press temperature": 100 + 2 * results[CURE.name]}))
    note = "varied only together with {}: cannot be separated"
    assert twins.loc["press temperature", "note"] == note.format("cure temperature")
    assert twins.loc["cure temperature", "note"] == note.format("press temperature")
    assert twins.loc["press time", "note"] == ""
    hot = results[CURE.name] > 125
    two = {CURE.name: np.where(hot, 135, 115), "cure time": 60, "oven_load": 1 + hot}
    few = fit_free(results.assign(**two, press_round=results["press"]))
    assert few.loc["cure temperature", "note"] == "too few oven loads for a test"
    assert few.loc["press time", "note"] == ""
    assert (fit_free(results.head(3))["note"] != "").all()


def test_degrees_of_freedom_of_contrasts_from_two_strata() -> None:
    """10 and 45 degrees of freedom together: Fai & Cornelius 1996, worked by hand from
    E = 10/8 + 45/43 and df = 2 E / (E - 2)."""
    _, results, value = oats()
    variety = indicators(pd.factorize(results["Variety"])[0])
    nitro = indicators(pd.factorize(results["nitro"])[0])
    block = indicators(_codes(results, "block"))
    columns = [variety[:, 0] - variety[:, 1], variety[:, 1] - variety[:, 2], nitro[:, 0] - 0.25]
    design = np.hstack([np.column_stack([*columns, *(nitro[:, 1:3] - 0.25).T]), block])
    y = results[value].to_numpy()
    groups = {"load": indicators(_codes(results, "oven_load"))}
    found = variance_components(y, ResidualSpaces.of(design, groups), groups)
    one, other = np.zeros((1, design.shape[1])), np.zeros((1, design.shape[1]))
    one[0, 0], other[0, 2] = 1.0, 1.0
    apart = [satterthwaite(c, design, found) for c in (one, other)]
    assert apart == pytest.approx([10.0, found.df[-1]], abs=1e-6)
    expected = 10.0 / 8.0 + found.df[-1] / (found.df[-1] - 2.0)
    assert satterthwaite(np.vstack([one, other]), design, found) == pytest.approx(
        2 * expected / (expected - 2), abs=1e-6
    )


def scrambled(session: Session, rng: np.random.Generator) -> pd.DataFrame:
    """Loads, rounds, settings (few levels, some far out) and grades at random."""
    n = int(rng.integers(2, 24))
    columns: dict[str, object] = {"press": rng.permutation(np.arange(1, n + 1))}
    columns["fabric"] = rng.choice([f.name for f in session.fabrics], n)
    for group in ("oven_load", "press_round"):
        columns[group] = rng.integers(1, int(rng.integers(2, 9)), n)
    for f in session.factors:
        levels = f.levels or f.bounds[0] + rng.normal(0, 1, 3) * 10.0 ** rng.integers(0, 7)
        columns[f.name] = rng.choice(levels[: int(rng.integers(1, 4))], n)
    for o in session.outcomes:
        grades = o.grades or np.linspace(*sorted((o.worst, o.best)), 9)
        seen = rng.choice(np.array(grades), n).astype(float)
        columns[o.name] = np.where(rng.random(n) < 0.2, np.nan, seen)
    return check_results(session, pd.DataFrame(columns))


# 275 to 502: loads and rounds that the settings leave no way to tell apart.
@pytest.mark.parametrize("seed", [*range(32), 275, 408, 491, 502])
def test_scrambled_results_give_a_table_too(seed: int) -> None:
    session = SESSIONS[seed % len(SESSIONS)]
    results = scrambled(session, np.random.default_rng(seed))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for outcome in session.outcomes:
            for fabric in (None, session.fabrics[-1].name):
                table = anova(session, results, outcome.name, fabric)
                tested = table[table["note"] == ""]
                assert np.isfinite(tested[["F", "p"]].to_numpy()).all()
                assert (tested["df_error"] >= 1).all()
                assert (table[table["note"] != ""]["df_error"] == 0).all()
