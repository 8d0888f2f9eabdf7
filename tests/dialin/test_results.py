"""Results frames: what is understood, what is refused, and what is left alone."""

import datetime
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from dtfexp import Factor, Outcome, ResultsError, Session
from dtfexp.dialin.encode.results import check_results

FACTORS = [
    Factor("cure temperature", 110, 145, "°C", step=5, stage="cure"),
    Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press"),
]
OUTCOMES = [Outcome("peel"), Outcome("sold", kind="passfail")]
SESSION = Session("T", FACTORS, OUTCOMES, ["cotton", "nylon"])
ONE_FABRIC = Session("T", FACTORS, OUTCOMES, ["cotton"])
COLUMNS = ["press", "fabric", "oven_load", "press_round", "cure temperature", "pressure"]


def frame(**changes):
    """Three good rows; a change replaces a column, or drops it when None."""
    columns = {
        "press": [1, 2, 3],
        "fabric": ["cotton", "nylon", "nylon"],
        "oven_load": [1, 1, 2],
        "press_round": [1, 2, 2],
        "cure temperature": [125, 130, 120],
        "pressure": ["light", "firm", "medium"],
        "peel": [4, np.nan, 5],
        "sold": [1, 0, np.nan],
    } | {key.replace("__", " "): value for key, value in changes.items()}
    return pd.DataFrame({key: value for key, value in columns.items() if value is not None})


# Frames and sheets read the same words the same way: tests/book/test_import.py takes these too.
SAYS_NOTHING = ["", " ", "-", "–", "n/a", "NA", "nan", "?"]
SAYS_NO = ["no", "No ", "n", "nein", "non", "none", "false", "0", "0.0", "0,0"]
SAYS_YES = ["yes", "X", "ja", "oui", "sí", "TRUE", "1", "1.0", "slipped", "film fell off"]


def is_nan(cell):
    return isinstance(cell, float) and math.isnan(cell)


def refused(results, session=SESSION):
    with pytest.raises(ResultsError) as caught:
        check_results(session, results)
    text = str(caught.value)
    assert "\n" not in text and isinstance(caught.value, ValueError)
    return text


def test_good_rows_come_back_normalised_and_the_input_is_untouched():
    given = frame()
    before = given.copy(deep=True)
    got = check_results(SESSION, given)
    assert list(got.columns) == [*COLUMNS, "peel", "sold"]
    assert [got[c].dtype.kind for c in got.columns] == list("iOiifOff")
    assert got["peel"].tolist()[::2] == [4.0, 5.0] and math.isnan(got["peel"][1])
    got.loc[0, "peel"] = 1.0
    assert_frame_equal(given, before)


def test_checking_twice_changes_nothing():
    once = check_results(
        SESSION, frame(block=["a", None, 3], excluded=[True, False, None], note=["x", "y", "z"])
    )
    assert_frame_equal(check_results(SESSION, once), once)


@pytest.mark.parametrize("four", [4, 4.0, "4", " 4.0 ", np.int64(4), np.float32(4)])
def test_ways_to_write_numbers(four):
    got = check_results(SESSION, frame(peel=pd.Series([four, None, ""], dtype=object)))
    assert got["peel"][0] == 4.0 and got["peel"].isna().tolist() == [False, True, True]
    assert check_results(SESSION, frame(press=["1", 2.0, "3.0"]))["press"].tolist() == [1, 2, 3]
    heat = check_results(SESSION, frame(cure__temperature=["125", "127,5", 120.0]))
    assert heat["cure temperature"].tolist() == [125.0, 127.5, 120.0]


@pytest.mark.parametrize(
    "blank", [None, np.nan, pd.NA, pd.NaT, "", "  ", np.float32("nan"), float("nan")]
)
def test_a_missing_grade_stays_missing(blank):
    got = check_results(SESSION, frame(peel=pd.Series([blank, 3, blank], dtype=object)))
    assert got["peel"].isna().tolist() == [True, False, True]


def test_pandas_own_kinds_of_column():
    got = check_results(
        SESSION,
        frame(
            peel=pd.array([4, None, 5], dtype="Int64"),
            sold=pd.array([True, None, False], dtype="boolean"),
            pressure=pd.Categorical(["light", "firm", "medium"]),
            fabric=pd.array(["cotton", "nylon", "nylon"], dtype="string"),
        ),
    )
    assert got["peel"].tolist()[::2] == [4.0, 5.0] and got["sold"].tolist()[::2] == [1.0, 0.0]
    assert got["pressure"].tolist() == ["light", "firm", "medium"]


def test_words_for_pass_and_fail():
    words = [("pass", 1), ("Fail", 0), ("yes", 1), ("NO", 0), (True, 1), (False, 0), (np.True_, 1)]
    for word, number in words:
        got = check_results(SESSION, frame(sold=pd.Series([word, None, 0], dtype=object)))
        assert got["sold"][0] == number


def test_words_and_fabrics_are_matched_without_capitals():
    got = check_results(
        SESSION, frame(fabric=["Cotton", " nylon ", "NYLON"], pressure=["Light", "FIRM", "medium "])
    )
    assert got["fabric"].tolist() == ["cotton", "nylon", "nylon"]
    assert got["pressure"].tolist() == ["light", "firm", "medium"]


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("peel", 6, "got 6; accepted one of 1, 2, 3, 4, 5"),
        ("peel", 0, "got 0; accepted one of 1, 2, 3, 4, 5"),
        ("peel", 3.5, "got 3.5; accepted one of 1, 2, 3, 4, 5"),
        ("peel", "ok", "got 'ok'; accepted one of 1, 2, 3, 4, 5"),
        ("peel", "4-5", "got '4-5'"),
        ("peel", True, "got True"),
        ("peel", math.inf, "got inf"),
        ("peel", datetime.datetime(2024, 5, 4), "got"),
        ("peel", [4], "got [4]"),
        ("sold", "ok", "got 'ok'; accepted 1 (pass) or 0 (fail)"),
        ("sold", 2, "got 2"),
        ("cure temperature", "hot", "got 'hot'; accepted a number in °C"),
        ("cure temperature", "257 F", "got '257 F'; accepted a number in °C"),
        ("cure temperature", "1,250", "got '1,250'"),
        ("cure temperature", math.inf, "got inf"),
        ("cure temperature", None, "got blank; accepted a number in °C"),
        ("cure temperature", True, "got True"),
        ("pressure", "lite", "got 'lite'; accepted one of light, medium, firm"),
        ("pressure", 2, "got 2; accepted one of light, medium, firm"),
        ("pressure", None, "got blank"),
        ("fabric", "wool", "got 'wool'; accepted one of cotton, nylon"),
        ("fabric", None, "got blank; accepted one of cotton, nylon"),
        ("fabric", 3, "got 3; accepted one of cotton, nylon"),
        ("oven_load", "A", "got 'A'; accepted a whole number, 1 or more"),
        ("press_round", 0, "got 0; accepted a whole number, 1 or more"),
        ("excluded", 2, "got 2; accepted yes or no"),
        ("excluded", 0.5, "got 0.5; accepted yes or no"),
        ("excluded", "2", "got '2'; accepted yes or no"),
        ("excluded", "nie", "got 'nie'; accepted yes or no"),
        ("cure temperature_actual", "hot", "got 'hot'; accepted a number in °C"),
        ("pressure_actual", "lite", "accepted one of light, medium, firm"),
    ],
)
def test_a_bad_cell_names_row_press_column_value_and_what_is_accepted(column, value, said):
    results = frame(press=[11, 12, 13]).astype(object)
    if column not in results:
        results[column] = pd.Series([None, None, None], dtype=object)
    results.at[1, column] = value
    text = refused(results)
    assert text.startswith(f"row 2 (press 12), column {column!r}: ") and said in text


@pytest.mark.parametrize("value", [0, -1, 2.5, "two", None, "", math.nan, math.inf, True, 10**12])
def test_a_bad_press_number(value):
    text = refused(frame(press=pd.Series([1, value, 3], dtype=object)))
    assert text.startswith("row 2, column 'press': ") and "a whole number, 1 or more" in text


def test_rows_are_counted_in_the_frame_whatever_its_index_says():
    results = frame(peel=[4, 4, 9])
    results.index = [30, 10, 20]
    assert refused(results).startswith("row 3 (press 3), column 'peel'")
    good = check_results(SESSION, frame().set_axis([30, 10, 20]))
    assert good.index.tolist() == [0, 1, 2] and good["press"].tolist() == [1, 2, 3]


def test_a_duplicate_press_names_both_rows():
    text = refused(frame(press=[1, 2, "1"]))
    assert text.startswith("row 3 (press 1), column 'press'") and "already used in row 1" in text


@pytest.mark.parametrize("column", ["press", "fabric", "cure temperature", "pressure", "peel"])
def test_a_missing_column_is_named(column):
    text = refused(frame().drop(columns=column))
    assert f"column {column!r} is missing" in text


def test_a_misspelt_column_is_pointed_out():
    assert "is it the one named 'Peel'?" in refused(frame().rename(columns={"peel": "Peel"}))
    assert "left blank where the grade is not known" in refused(frame(peel=None))


def test_a_column_given_twice():
    twice = pd.concat([frame(), frame()[["peel"]]], axis=1)
    assert "column 'peel' appears twice" in refused(twice)


def test_unknown_columns_are_kept_as_they_came():
    results = frame(note=["a, b", "", None], operator=[1, 2, 3])
    results[7] = [pd.Timestamp("2024-01-01")] * 3
    results = results.set_axis([5, 6, 7])
    got = check_results(SESSION, results)
    assert list(got.columns) == [*COLUMNS, "peel", "sold", "note", "operator", 7]
    assert got["note"].tolist()[:2] == ["a, b", ""] and got[7][0] == pd.Timestamp("2024-01-01")
    assert got["operator"].tolist() == [1, 2, 3]
    doubled = pd.concat([results, results[["note"]]], axis=1)
    assert list(check_results(SESSION, doubled).columns).count("note") == 2


def test_optional_columns():
    got = check_results(
        SESSION,
        frame(
            block=["Monday ", 3.0, None],
            excluded=["smudged, done again", "No", None],
            **{"cure temperature_actual": [124.2, None, "118,5"]},
            pressure_actual=["Firm", None, "light"],
        ),
    )
    assert got["block"].tolist() == ["Monday", "3", ""]
    assert got["excluded"].tolist() == [True, False, False] and got["excluded"].dtype == bool
    assert got["cure temperature_actual"].tolist()[::2] == [124.2, 118.5]
    assert got["pressure_actual"].tolist() == ["firm", None, "light"]


@pytest.mark.parametrize("word", SAYS_NOTHING + SAYS_NO)
def test_a_no_in_any_spelling_keeps_the_press(word):
    assert check_results(SESSION, frame(excluded=[word] * 3))["excluded"].tolist() == [False] * 3


@pytest.mark.parametrize("word", SAYS_YES)
def test_a_yes_in_any_spelling_leaves_the_press_out(word):
    assert check_results(SESSION, frame(excluded=[word] * 3))["excluded"].tolist() == [True] * 3


def test_settings_outside_the_session_are_the_shops_own_business():
    got = check_results(SESSION, frame(cure__temperature=[90, 200.25, 120]))
    assert got["cure temperature"].tolist() == [90.0, 200.25, 120.0]


def test_the_fabric_may_be_left_out_when_there_is_one():
    assert set(check_results(ONE_FABRIC, frame(fabric=None))["fabric"]) == {"cotton"}
    blank = frame(fabric=[None, "cotton", ""])
    assert set(check_results(ONE_FABRIC, blank)["fabric"]) == {"cotton"}


def test_without_loads_and_rounds_each_press_is_its_own():
    got = check_results(SESSION, frame(oven_load=None, press_round=None))
    assert got["oven_load"].nunique() == 3 and got["press_round"].nunique() == 3
    part = check_results(SESSION, frame(oven_load=[4, None, 4]))
    assert part["oven_load"].tolist() == [4, 5, 4]


@pytest.mark.parametrize("empty", [pd.DataFrame(), frame().iloc[:0], pd.DataFrame({"note": []})])
def test_a_frame_without_rows_is_fine(empty):
    got = check_results(SESSION, empty)
    assert list(got.columns)[:8] == [*COLUMNS, "peel", "sold"] and len(got) == 0
    assert [got[c].dtype.kind for c in list(got.columns)[:8]] == list("iOiifOff")


def test_something_else_than_a_frame():
    assert "give a pandas DataFrame" in refused({"press": [1]})


@given(
    st.lists(
        st.one_of(
            st.integers(-2, 8), st.floats(), st.booleans(), st.none(), st.text(max_size=4)
        ),
        min_size=3,
        max_size=3,
    )
)  # fmt: skip
def test_any_grades_are_read_or_refused_but_never_altered(cells):
    results = frame(peel=pd.Series(cells, dtype=object))
    try:
        got = check_results(SESSION, results)["peel"]
    except ResultsError as error:
        assert "column 'peel'" in str(error)
        return
    for cell, grade in zip(cells, got, strict=True):
        if cell is None or (isinstance(cell, str) and not cell.strip()) or is_nan(cell):
            assert math.isnan(grade)
        else:
            assert not isinstance(cell, bool) and grade in (1, 2, 3, 4, 5)
            assert float(str(cell).replace(",", ".")) == pytest.approx(grade, abs=1e-6)
