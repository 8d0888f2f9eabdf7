"""Single values as people type them: read right, or refused, and never read as something else."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dtfexp import Factor, Outcome, ResultsError
from dtfexp.book.store import typed_values
from dtfexp.book.tables import safe_text


@pytest.mark.parametrize(
    ("typed", "unit", "number"),
    [
        ("305,5", "°F", 305.5),
        ("305.5", "°F", 305.5),
        (" 305 ", "°F", 305),
        ("305 F", "°F", 305),
        ("305F", "°F", 305),
        ("305°F", "°F", 305),
        ("305,5 °F", "°F", 305.5),
        ("305\u00a0°F", "°F", 305),
        ("305 deg F", "°F", 305),
        ("160 C", "°F", 320),
        ("160 °C", "°F", 320),
        ("320 F", "°C", 160),
        ("12 s", "s", 12),
        ("12sec", "s", 12),
        ("1.5 min", "s", 90),
        ("90 s", "min", 1.5),
        ("3 bar", "kPa", 300),
        ("\u22125", "°C", -5),
        ("-5", "°C", -5),
        ("1e2", "", 100),
        (4, "", 4),
        (4.5, "", 4.5),
    ],
)
def test_numbers_are_read(typed: object, unit: str, number: float) -> None:
    assert typed_values.number(typed, unit) == pytest.approx(number, abs=1e-9)


@pytest.mark.parametrize(
    ("typed", "unit"),
    [
        ("ok", ""),
        ("", ""),
        ("four", ""),
        ("1,234", "s"),
        ("1.234,5", "s"),
        ("1,234.5", "s"),
        ("12 34", "s"),
        ("1_000", "s"),
        ("305 K", "°F"),
        ("305 s", "°F"),
        ("12 F", "s"),
        ("12 s", ""),
        ("inf", ""),
        ("nan", ""),
        ("1e999", ""),
        ("٣٠٥", "°F"),
        ("4;5", ""),
        ("=4", ""),
        (True, ""),
        (math.inf, ""),
        (10**400, ""),
        (None, ""),
        (b"4", ""),
    ],
)
def test_what_is_not_surely_a_number_is_refused(typed: object, unit: str) -> None:
    with pytest.raises(ResultsError, match=r"got .*; accepted") as caught:
        typed_values.number(typed, unit)
    assert "\n" not in str(caught.value)


def test_a_number_that_could_be_two_says_so() -> None:
    with pytest.raises(ResultsError, match="without a comma; this one could mean two numbers"):
        typed_values.number("1,234", "s")


@given(st.integers(0, 9999), st.integers(0, 99), st.sampled_from([",", "."]))
def test_a_decimal_comma_is_never_lost(whole: int, part: int, comma: str) -> None:
    assert typed_values.number(f"{whole}{comma}{part:02d}", "°F") == pytest.approx(
        whole + part / 100
    )


@given(st.text(max_size=12))
def test_any_text_is_a_number_or_a_clear_word(typed: str) -> None:
    try:
        assert math.isfinite(typed_values.number(typed, "°F"))
    except ResultsError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize("blank", [None, "", "  ", "-", "n/a", "NaN", "?", float("nan"), pd.NA])
def test_not_known_yet(blank: object) -> None:
    assert typed_values.is_missing(blank)


@pytest.mark.parametrize("told", [0, "0", "no", False, "none", "x"])
def test_known(told: object) -> None:
    assert not typed_values.is_missing(told)


def test_readings_are_in_the_factors_unit() -> None:
    factor = Factor("press temperature", 150, 170, "°C")
    assert typed_values.reading(factor, "320 F") == 160
    assert typed_values.reading(factor, 320, "°F") == 160
    assert typed_values.reading(factor, "160 C", "°F") == 160
    with pytest.raises(ResultsError, match="-273"):
        typed_values.reading(factor, -300)
    word = Factor("pressure", levels=("light", "medium", "firm"), ordered=True)
    assert typed_values.reading(word, " MEDIUM ") == "medium"
    with pytest.raises(ResultsError, match="light, medium, firm"):
        typed_values.reading(word, 2)


def test_half_grades_and_pass_words() -> None:
    assert typed_values.grade(Outcome("shade", step=0.5), "4-5") == 4.5
    assert typed_values.grade(Outcome("hand", kind="passfail"), "Pass") == 1
    assert (
        typed_values.grade(Outcome("force", 0, 40, 12, kind="measured", unit="N"), "12,5 N") == 12.5
    )
    with pytest.raises(ResultsError, match="'4-5'"):
        typed_values.grade(Outcome("peel"), "4-5")


@given(st.text())
def test_guarded_text_comes_back_and_is_no_formula(text: str) -> None:
    guarded = safe_text.escape_formula(text)
    assert safe_text.unescape_formula(guarded) == text
    assert not guarded.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"))


def test_words_are_parted_and_kept_once() -> None:
    assert typed_values.defect_words("haze; lifted  corner, haze\nblisters") == (
        "haze",
        "lifted corner",
        "blisters",
    )
