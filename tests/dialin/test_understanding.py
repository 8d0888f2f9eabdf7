"""What a fit says of settings, loads, grades and presses, on benches whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Outcome, Session, SessionError, fit, plan
from dtfexp.dialin.encode import set_point_lines
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.explain import sobol_indices
from dtfexp.dialin.explain.curves import AVERAGE
from dtfexp.dialin.explain.without_press import fit_without
from dtfexp.dialin.fit import Fit
from dtfexp.dialin.model.posterior_surfaces import pass_rate_surfaces, settings_at_unit_points
from dtfexp.dialin.window.find_window import target_of
from dtfexp.maths.prediction.sobol import PickFreeze
from tests.dialin.bench import CURE, HALF, ONE, PRESS, SESSIONS, WORDS, graded

TWO = Session("two", (CURE, PRESS), (Outcome("peel"),), ("cotton",))
LOSS = {"worst": 100, "best": 0, "accept": 20, "kind": "measured", "unit": "%", "series": "loss"}
WASHED = Session(
    "washed",
    (CURE,),
    (
        Outcome("Colour after 20 washes", washes=20, series="colour"),
        Outcome("colour after 1 wash", washes=1, series="colour"),
        Outcome("peel"),
        Outcome("print 5", washes=5),
        Outcome("loss after 1 wash", washes=1, **LOSS),
        Outcome("loss after 5 washes", washes=5, **LOSS),
    ),
    ("cotton",),
)


def only_cure(seed: int = 0) -> pd.DataFrame:
    """The press temperature does nothing."""
    runs = plan(TWO, 24, design="full factorial", levels=4, reach=1).runs
    rng = np.random.default_rng(seed)
    away = (runs["cure temperature"].astype(float) - 125) / 20
    quality = 4.6 - 2.5 * away**2 + rng.normal(0, 0.3, len(runs))
    return runs.assign(peel=np.clip(np.round(quality), 1, 5))


@pytest.fixture(scope="module")
def cured() -> Fit:
    return fit(TWO, only_cure())


def test_the_setting_that_matters_has_the_share(cured: Fit) -> None:
    table = cured.shares("cotton")
    assert table.index.tolist() == ["cure temperature", "press temperature"]
    assert table.loc["cure temperature", "alone"] > 0.7
    assert table.loc["press temperature", "in_all"] < 0.3
    assert ((table >= 0) & (table <= 1)).all().all()
    for name in ("alone", "in_all"):
        assert (table[f"{name}_low"] <= table[name]).all()
        assert (table[name] <= table[f"{name}_high"]).all()
    pd.testing.assert_frame_equal(table, cured.shares("cotton"))


def test_drawn_surfaces_average_to_the_pass_rate(cured: Fit) -> None:
    """48 draws: within four of their own standard errors, and the same bounds in spirit."""
    settings = settings_at_unit_points(cured, "cotton", PickFreeze.of(32, 2).first)
    rates = pass_rate_surfaces(cured, settings, "cotton")
    told = cured.pass_rate(settings, "cotton")
    error = rates.std(axis=0) / np.sqrt(len(rates)) + 0.02
    assert (np.abs(rates.mean(axis=0) - told["pass_rate"]) < 4 * error).all()
    assert np.mean((rates >= told["low"].to_numpy()) & (rates <= told["high"].to_numpy())) > 0.8


def test_a_curve_is_the_pass_rate_through_the_target(cured: Fit) -> None:
    line = cured.curve("Cure Temperature", "cotton")
    target = cured.window("cotton").target
    settings = set_point_lines.curve_settings(TWO, "cotton", "cure temperature", target)
    pd.testing.assert_frame_equal(
        line[["pass_rate", "low", "high"]], cured.pass_rate(settings, "cotton")
    )
    moved = cured.curve("cure temperature", "cotton", at={"press temperature": 280})
    assert moved["pass_rate"].tolist() != line["pass_rate"].tolist()
    plane = cured.curve("cure temperature", "cotton", "press temperature")
    assert list(plane.columns) == [*(f.name for f in TWO.factors), "pass_rate", "low", "high"]
    assert len(plane) == set_point_lines.MAP_POINTS**2


def test_the_main_effect_is_the_average_over_the_others(cured: Fit) -> None:
    main = cured.curve("cure temperature", "cotton", at=AVERAGE)
    top = main.loc[main["pass_rate"].idxmax(), "cure temperature"]
    assert top == pytest.approx(125, abs=6)
    flat = cured.curve("press temperature", "cotton", at=AVERAGE)
    assert np.ptp(flat["pass_rate"]) < 0.5 * np.ptp(main["pass_rate"])
    for line in (main, flat):
        assert ((line["low"] <= line["pass_rate"]) & (line["pass_rate"] <= line["high"])).all()


def test_a_curve_that_cannot_be_drawn_says_why(cured: Fit) -> None:
    with pytest.raises(SessionError, match="mood"):
        cured.curve("mood", "cotton")
    with pytest.raises(SessionError, match="name two settings"):
        cured.curve("cure temperature", "cotton", "cure temperature")
    with pytest.raises(SessionError, match=r"'press temperature'.*'hot'; use a number"):
        cured.curve("cure temperature", "cotton", at={"press temperature": "hot"})
    with pytest.raises(SessionError, match="'average'"):
        cured.curve("cure temperature", "cotton", "press temperature", at=AVERAGE)


def test_a_bad_load_stands_out() -> None:
    """Four loads at one cure; the third came out two or three grades worse on every press."""
    results = pd.DataFrame({"press": range(1, 17), CURE.name: 125.0})
    results[PRESS.name] = [295.0, 310.0, 325.0, 310.0] * 4
    results["oven_load"] = np.repeat([7, 8, 12, 20], 4)
    results["press_round"] = [1, 2, 3, 2] * 4
    results["peel"] = [4, 5, 5, 4] * 2 + [2] * 4 + [4, 5, 5, 4]
    results = results.sample(frac=1.0, random_state=3)
    found = fit(TWO, results).batch_effects()
    assert set(found["kind"]) == {"oven load", "press round"}
    loads = found[found["kind"] == "oven load"].set_index("number")
    assert loads["presses"].to_dict() == {7: 4, 8: 4, 12: 4, 20: 4}
    assert loads["effect"].idxmin() == 12
    assert loads.loc[12, "high"] < 0
    assert loads["stands_out"].to_dict() == {7: False, 8: False, 12: True, 20: False}
    assert ((found["low"] < found["effect"]) & (found["effect"] < found["high"])).all()


def test_blocks_that_were_told_have_luck_too() -> None:
    results = only_cure().assign(block=lambda r: np.where(r["press"] <= 12, "monday", "tuesday"))
    results.loc[results["press"] <= 12, "peel"] = (results["peel"] - 1).clip(1)
    found = fit(TWO, results).batch_effects()
    blocks = found[found["kind"] == "block"].set_index("number")["effect"]
    assert blocks["monday"] < blocks["tuesday"]


def test_grades_of_the_model_s_own_kind_are_as_foretold(cured: Fit) -> None:
    table = cured.check_grades()
    assert table["grade"].tolist() == ["1", "2", "3", "4", "5"]
    assert table["observed"].sum() == len(cured.results)
    assert table["expected"].sum() == pytest.approx(len(cured.results))
    assert table["as_predicted"].all()


def test_grades_that_nothing_foretells_show_in_the_check() -> None:
    """Half the presses of one and the same set-point are best, half next to worst: no settings,
    load or round tells which, and an ordered scale would rather have the grades between.  (Best
    and worst, the ends of the scale, is what plain large noise makes.)"""
    runs = pd.DataFrame(
        {"press": range(1, 41), "cure temperature": 125.0, "press temperature": 310}
    )
    runs["peel"] = np.where(runs["press"] % 2 == 0, 2, 5)
    table = fit(TWO, runs).check_grades().set_index("grade")
    assert table.loc[["2", "5"], "observed"].sum() == 40
    assert not table["as_predicted"].all()


def test_an_odd_grade_is_the_first_surprise() -> None:
    results = only_cure()
    good = results.index[(results["peel"] >= 4)][3]
    results.loc[good, "peel"] = 1
    found = fit(TWO, results).surprises()
    assert found["press"].iloc[0] == results.loc[good, "press"]
    assert found["predicted"].iloc[0] >= 3
    assert found["chance"].iloc[0] < 0.05
    assert found["why"].iloc[0].startswith("worse than")
    assert found["chance"].is_monotonic_increasing


def test_what_the_target_would_be_without_a_press() -> None:
    """Seven presses, one of them graded at the wrong end: without it the pass rates are those of
    the other six (the hyperparameters stay those of all seven), and so is the target told."""
    runs = only_cure().iloc[::3].reset_index(drop=True)
    odd = int(runs["press"].iloc[1])
    runs.loc[1, "peel"] = 6 - runs.loc[1, "peel"]
    everything, others = fit(TWO, runs), fit(TWO, runs.drop(index=1))
    rate = others.pass_rate(runs, "cotton")["pass_rate"]
    left = fit_without(everything, odd).pass_rate(runs, "cotton")["pass_rate"]
    assert (left - rate).abs().max() < 0.03
    assert (everything.pass_rate(runs, "cotton")["pass_rate"] - rate).abs().max() > 0.1
    before, after = (target_of(one, "cotton", 0.90) for one in (everything, others))
    why = everything.surprises().set_index("press").loc[odd, "why"]
    assert before["press temperature"] > after["press temperature"]
    assert why.endswith(
        f"without press {odd} the target moves: press temperature "
        f"{before['press temperature']:g} °F to {after['press temperature']:g} °F"
    )


@pytest.mark.parametrize("slip", [12.5, 1250.0, 21.5])
def test_a_mistyped_reading_is_named_and_moves_nothing(slip: float) -> None:
    """125 as 12.5, 1250 or 21.5: the fit is that of the press with no reading, to the last digit.
    Readings that are all 20 off are the machine's doing, and believed."""
    results = only_cure()
    read = results["cure temperature"] - 1.0
    row, name = read.index[2], "cure temperature_actual"
    wrong = fit(TWO, results.assign(**{name: read.where(read.index != row, slip)}))
    none = fit(TWO, results.assign(**{name: read.where(read.index != row)}))
    assert wrong.pass_rate(results, "cotton").equals(none.pass_rate(results, "cotton"))
    first = wrong.surprises().iloc[0]
    assert (first["press"], first["outcome"], first["grade"]) == (
        results.loc[row, "press"], name, slip,
    )  # fmt: skip
    assert first["predicted"] == results.loc[row, "cure temperature"]
    off = results.assign(**{name: results["cure temperature"] - 20.0})
    assert not Coding(TWO).is_doubtful(TWO.factor("cure temperature"), off).any()
    assert name not in set(none.surprises()["outcome"])


def test_an_ordinary_session_has_few_surprises(cured: Fit) -> None:
    """At most one grade in ten is so far out on either side: of 20, six or more in 1 %."""
    assert len(cured.surprises()) < 6


def test_a_wash_grade_that_rises_is_a_surprise_and_no_error() -> None:
    grades = {
        "Colour after 20 washes": [5, 4, 2, None],
        "colour after 1 wash": [3, 3, 3, 3],
        "loss after 1 wash": [60, 10, 10, 10],
        "loss after 5 washes": [20, 10, 20, 10],
    }
    results = pd.DataFrame({"press": [4, 5, 6, 7], "cure temperature": 125, **grades})
    results = results.assign(peel=4, **{"print 5": 4})
    found = fit(WASHED, results).surprises()
    rises = found[found["why"].str.contains("washes than before")]
    assert rises["press"].tolist() == [4, 4]
    assert rises["outcome"].tolist() == ["Colour after 20 washes", "loss after 5 washes"]
    assert rises["predicted"].tolist() == [3, 60]
    assert "better after 20 washes than before (3 after 1)" in rises["why"].iloc[0]


def test_the_tenth_twin_teaches_less_than_a_press_elsewhere() -> None:
    twins = pd.DataFrame(
        {"press": range(1, 11), "cure temperature": 125.0, "press temperature": 310.0, "peel": 5}
    )
    lone = twins.head(1).assign(**{"press": 11, "cure temperature": 110.0, "peel": 2})
    found = fit(TWO, pd.concat([twins, lone])).press_influence()
    assert sorted(found["press"]) == list(range(1, 12))
    assert found["press"].iloc[0] == 11
    assert found.set_index("press").loc[11, "bits"] > found.set_index("press").loc[3, "bits"]
    assert (found[["bits", "moved"]] >= 0).all().all()


def test_presses_are_named_right_when_rows_are_out_of_order() -> None:
    results = only_cure().sample(frac=1.0, random_state=4)
    results["excluded"] = results["press"].isin([2, 9])
    results.loc[results["press"] == 15, "peel"] = np.nan
    fitted = fit(TWO, results)
    found = fitted.press_influence()
    assert set(found["press"]) == set(results["press"]) - {2, 9, 15}
    again = fit(TWO, results.sort_values("press")).press_influence()
    pd.testing.assert_frame_equal(
        found.sort_values("press", ignore_index=True),
        again.sort_values("press", ignore_index=True),
    )


@pytest.mark.parametrize("session", [*SESSIONS, WASHED], ids=lambda s: s.name)
@pytest.mark.parametrize("presses", [0, 1, 2])
def test_hardly_any_press_is_enough_for_every_table(session: Session, presses: int) -> None:
    fitted = fit(session, graded(session, plan(session, 3).runs).head(presses))
    tables = [
        fitted.batch_effects(),
        fitted.check_grades(),
        fitted.surprises(),
        fitted.press_influence(),
    ]
    for table in tables:
        assert not table.isna().any().any()
    assert len(fitted.press_influence()) == presses
    if session in (ONE, WORDS):  # the two quick ones
        assert not fitted.shares(session.fabrics[0]).isna().any().any()
        assert not fitted.curve(session.factors[0].name, session.fabrics[0]).isna().any().any()


POOR = (
    "held settings", "all best", "one outcome never graded", "settings move together",
    "scale hardly used", "a setting mistyped",
)  # fmt: skip


@pytest.mark.parametrize("kind", POOR)
def test_poor_data_get_an_answer_from_every_question(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sobol_indices, "_BASE_SAMPLES", 64)  # rough shares are answers too
    results = graded(HALF, plan(HALF, 10).runs)
    first, last = HALF.factors
    if kind == "held settings":
        results = results.assign(**{f.name: f.usual for f in HALF.factors})
    elif kind == "all best":
        results = results.assign(**{o.name: o.best for o in HALF.outcomes})
    elif kind == "one outcome never graded":
        results["shrink"] = None
    elif kind == "a setting mistyped":
        results.loc[2, first.name] = 12_500.0
        results.loc[5, last.name] = -3.0e9
    elif kind == "scale hardly used":
        results["grey"] = np.where(results["press"] % 2 == 0, 3.0, 3.5)
    else:
        results[last.name] = 280 + 1.5 * (results[first.name] - 105)
    fitted = fit(HALF, results)
    settings = pd.DataFrame([{f.name: f.usual for f in HALF.factors}])
    for table in (
        fitted.pass_rate(settings, "nylon"), fitted.shares("nylon"), fitted.batch_effects(),
        fitted.check_grades(), fitted.surprises(), fitted.press_influence(),
        fitted.failure_sides(settings, "nylon"), fitted.curve(first.name, "nylon", at=AVERAGE),
    ):  # fmt: skip
        assert not table.isna().any().any()
    slips = [line for line in repr(fitted).splitlines() if "far outside its range" in line]
    assert len(slips) == (2 if kind == "a setting mistyped" else 0)
    window = fitted.window("nylon")
    assert window.reason.endswith(".")
    assert np.isfinite([window.pass_rate, window.confidence]).all()
    for outcome in HALF.outcomes:
        table = fitted.anova(outcome.name)
        assert (table["F"].notna() == (table["note"] == "")).all()


def test_a_fit_shows_itself_in_a_terminal_and_in_a_notebook() -> None:
    results = graded(HALF, plan(HALF, 10).runs)
    results["excluded"] = results["press"] == 1
    results["grey"] = np.where(results["fabric"] == "nylon", 5.0, 3.5)
    results.loc[results["press"] == results["press"].max(), "grey"] = np.nan
    fitted = fit(HALF, results)
    used = results[~results["excluded"]]
    text, html = repr(fitted), fitted._repr_html_()
    assert html == fitted._repr_html_()
    lines = text.splitlines()
    assert lines[0] == "Fit of half"
    for line, fabric in zip(lines[1:3], ("cotton", "nylon"), strict=True):
        mine = used[used["fabric"] == fabric]
        seen = mine["grey"].notna().sum()
        passed = seen if fabric == "nylon" else 0
        waiting = f" ({len(mine) - seen} to come)" if seen < len(mine) else ""
        out = int((results["excluded"] & (results["fabric"] == fabric)).sum())
        assert line.startswith(f"  {fabric}: graded presses {len(mine)}, grey accepted {passed} of")
        assert f"{passed} of {seen}{waiting}, shrink accepted" in line
        assert line.endswith(f"left out {out}")
    for cell in ("<td>nylon</td>", "<th>grey accepted</th>", "oven loads"):
        assert cell in html
