"""Which bends and pairs join the classical table, and effects without a press to spare."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from dtfexp import Factor, Outcome, Session, plan
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.explain.anova import anova, effects
from dtfexp.dialin.explain.effect_terms import Term
from dtfexp.dialin.explain.term_selection import (
    NOT_OUT,
    TOO_FEW,
    ErrorModel,
    _entry_p_value,
    _merged,
)
from dtfexp.maths.linear.variance_components import ColumnSpace, lenth_margin
from tests.dialin.bench import FOUR, HALF, WORDS, graded

OUTCOMES = (Outcome("y", -999, 999, 0, kind="measured"),)
LETTERS = [Factor(letter, 0, 10, "", 5) for letter in "ABCDE"]


def letters(order: str) -> Session:
    return Session("l", [LETTERS["ABCDE".index(c)] for c in order], OUTCOMES, ("cotton",))


def saturated(pair: float, seed: int = 1) -> pd.DataFrame:
    """The package's own half fraction: 16 presses, five settings, ten pairs, nothing to spare."""
    results = plan(letters("ABCDE"), 16, design="fraction").runs
    results["oven_load"] = results["press_round"] = results["press"]
    a, e = ((results[c].astype(float) - 5) / 5 for c in "AE")
    noise = np.random.default_rng(seed).normal(0, 0.5, 16)
    return results.assign(y=a + 0.6 * e + pair * a * e + noise)


def table_of(order: str, results: pd.DataFrame) -> pd.DataFrame:
    session = letters(order)
    return anova(session, check_results(session, results), "y", None)


@pytest.mark.parametrize("order", ["EDCBA", "CEABD"])
def test_the_order_of_settings_decides_nothing(order: str) -> None:
    results = saturated(1.2)
    one, other = table_of("ABCDE", results), table_of(order, results.sample(frac=1, random_state=1))
    columns = ["df", "df_error", "F", "p"]
    assert set(one.index) == set(other.index)
    pd.testing.assert_frame_equal(one[columns], other.loc[one.index, columns], rtol=1e-8)
    assert (one["note"] == other.loc[one.index, "note"]).all()
    # The pair that is there stands out of the ten and is tested; the nine left out are named.
    assert one.loc["A × E", "p"] < 0.001
    left = one[one["note"].str.startswith("left out")]
    assert len(left) == 9 and left["F"].isna().all()
    assert set(left["note"]) == {NOT_OUT}


@pytest.mark.parametrize("seed", range(4))
def test_the_order_decides_nothing_on_any_results(seed: int) -> None:
    for session in (FOUR, WORDS, HALF):
        rng = np.random.default_rng(seed)
        results = graded(session, plan(session, 20).runs, seed)
        turned = Session(
            "turned",
            [session.factors[i] for i in rng.permutation(len(session.factors))],
            session.outcomes[::-1],
            session.fabrics[::-1],
        )
        mixed = results.sample(frac=1, random_state=seed)
        for outcome in session.outcomes:
            one = anova(session, check_results(session, results), outcome.name, None)
            other = anova(turned, check_results(turned, mixed), outcome.name, None).loc[one.index]
            assert len(one) == len(other)
            figures = ["df", "df_error", "F", "p"]
            pd.testing.assert_frame_equal(one[figures], other[figures], rtol=1e-6)
            assert (one["note"] == other["note"]).all()


def test_of_many_pairs_chance_alone_rarely_makes_one_stand_out() -> None:
    """No pair does anything: one joins in 1 table of 20, and the settings' own p keep their
    meaning.  60 benches: three sd above."""
    found, own = [], []
    for seed in range(60):
        table = table_of("ABCDE", saturated(0.0, seed))
        found.append((table.iloc[5:]["note"] == "").any())
        own.append(table.loc[["B", "C", "D"], "p"] < 0.1)
    assert np.mean(found) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 60)
    assert np.mean(own) < 0.1 + 3 * np.sqrt(0.1 * 0.9 / 180)


def test_every_effect_of_a_plan_without_a_press_to_spare_is_shown() -> None:
    """Fifteen effects: difference of two means of eight, by hand, and Lenth's margin of them."""
    results = saturated(1.2)
    session = letters("ABCDE")
    told = effects(session, check_results(session, results), "y", None).set_index("term")
    assert len(told) == 15
    code = {c: (results[c].astype(float) - 5) / 5 for c in "ABCDE"}
    for term, row in told.iterrows():
        product = np.prod([code[c] for c in str(term).split(" × ")], axis=0)
        by_hand = results["y"][product > 0].mean() - results["y"][product < 0].mean()
        assert row["effect"] == pytest.approx(by_hand, abs=1e-9)
    assert told["margin"].to_numpy() == pytest.approx(lenth_margin(told["effect"].to_numpy()))
    assert set(told.index[told["effect"].abs() > told["margin"]]) == {"A", "E", "A × E"}
    assert told.loc["B × C", "note"].startswith("left out")


def test_pairs_that_are_one_and_the_same_stand_under_one_name() -> None:
    """Four settings in eight presses, D = ABC: AB is CD (Box, Hunter & Hunter 2005, ch. 6)."""
    session = letters("ABCD")
    results = plan(session, 8, design="fraction").runs.assign(y=np.arange(8.0) % 3)
    table = anova(session, check_results(session, results), "y", None)
    assert set(table.loc[table.index.str.contains("×"), "note"]) == {TOO_FEW}
    assert [t for t in table.index if "×" in t] == [
        "A × B = C × D", "A × C = B × D", "A × D = B × C",
    ]  # fmt: skip
    hidden = letters("ABC")
    results = plan(hidden, 4, design="fraction").runs.assign(y=[1.0, 2.0, 4.0, 3.0])
    table = anova(hidden, check_results(hidden, results), "y", None)
    assert table.loc["A × B", "note"] == "varied only together with C: cannot be separated"


def test_the_f_to_enter_of_a_word_is_that_of_ordinary_least_squares() -> None:
    """One stratum, the variance estimated without the term: as statsmodels compares them."""
    rng = np.random.default_rng(5)
    y, word = rng.normal(size=18), np.repeat(np.eye(3), 6, axis=0)[:, 1:]
    base = np.column_stack([np.ones(18), rng.normal(size=18)])
    small, large = (sm.OLS(y, x).fit() for x in (base, np.hstack([base, word])))
    found = SimpleNamespace(
        names=("press",), precision=np.eye(18) / small.mse_resid, df=[small.df_resid]
    )
    judged = ErrorModel(y, ColumnSpace.of(base), found)  # type: ignore[arg-type]
    p = _entry_p_value(Term("word", word, ()), "press", judged)
    assert p == pytest.approx(large.compare_f_test(small)[1], rel=1e-9)
    assert _entry_p_value(Term("word", word, ()), "round", judged) == 1.0


def test_terms_with_the_same_columns_are_read_under_all_their_names() -> None:
    one = np.linspace(-1, 1, 6)[:, None]
    terms = [Term(name, one, ((name, np.ones(1)),)) for name in ("b", "A", "c")]
    merged = _merged(terms)
    assert merged.name == "A = b = c"
    assert [label for label, _ in merged.contrasts] == ["A = b = c"]
