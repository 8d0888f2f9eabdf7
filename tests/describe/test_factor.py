"""Factors: ranges, steps, words, and refusing what makes no sense."""

import copy
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dtfexp import Factor, SessionError
from dtfexp.describe.factor import tidy_step


def cure(**changes):
    given = {"name": "cure", "low": 110, "high": 145, "unit": "C", "step": 5, "stage": "cure"}
    return Factor(**(given | changes))


def test_contract_call_with_positions():
    factor = Factor("press temperature", 150, 170, "F", 5, "press", True, 2.5, 160)
    assert (factor.low, factor.high, factor.unit, factor.step) == (150.0, 170.0, "°F", 5.0)
    assert (factor.stage, factor.hard_to_change, factor.spread) == ("press", True, 2.5)
    assert factor.usual == 160.0
    assert factor.is_numeric and factor.is_temperature and factor.levels == ()


def test_defaults():
    factor = Factor("press time", 10, 20)
    assert (factor.unit, factor.step, factor.stage) == ("", None, "press")
    assert (factor.hard_to_change, factor.spread, factor.usual) == (False, 0.0, 15.0)
    words = Factor("peel at", levels=("hot", "warm", "cold"))
    assert (words.stage, words.ordered, words.usual, words.unit) == ("peel", False, "hot", "")
    assert (words.low, words.high, words.step, words.spread) == (None, None, None, 0.0)
    assert not words.is_numeric and not words.is_temperature
    assert words.settings() == ("hot", "warm", "cold")


def test_ordered_words_have_their_middle_as_usual():
    assert Factor("pressure", levels=["light", "medium", "firm"], ordered=True).usual == "medium"


def test_settings_stop_at_the_last_whole_step():
    assert cure().settings() == (110, 115, 120, 125, 130, 135, 140, 145)
    assert cure(step=10).settings() == (110, 120, 130, 140)


def test_decimal_steps_land_on_decimals():
    # 0.1 * 3 is 0.30000000000000004 in binary; a setting must read 0.3
    assert Factor("p", 0, 0.5, "bar", step=0.1).settings() == (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)


def test_usual_is_put_on_a_setting():
    assert cure(usual=127).usual == 125
    assert cure(usual=128).usual == 130
    assert cure().usual == 125  # middle is 127.5: the tie goes to the cooler one
    assert cure(step=10, usual=145).usual == 140


def test_snap():
    factor = cure()
    assert [factor.snap(v) for v in (0, 112.5, 113, 127.5, 500)] == [110, 110, 115, 125, 145]
    words = Factor("peel at", levels=("hot", "cold"))
    assert words.snap(" Cold ") == "cold"
    with pytest.raises(SessionError, match="setting: got 'tepid'; accepted one of hot, cold"):
        words.snap("tepid")
    for odd in (float("nan"), float("inf"), "125", True, None):
        with pytest.raises(SessionError, match="finite number"):
            factor.snap(odd)


@given(
    st.integers(-50, 400), st.integers(1, 200), st.sampled_from([0.1, 0.25, 0.5, 1, 2, 5, 7]),
    st.floats(-100, 700),
)  # fmt: skip
def test_snap_gives_a_nearest_setting(low, width, step, value):
    step = min(step, width)
    factor = Factor("x", low, low + width, step=step)
    settings = factor.settings()
    assert settings[0] == low and low + width - step < settings[-1] <= low + width
    assert factor.usual in settings
    got = factor.snap(value)
    assert got in settings
    best = min(abs(s - min(max(value, settings[0]), settings[-1])) for s in settings)
    assert abs(got - min(max(value, settings[0]), settings[-1])) == pytest.approx(best, abs=1e-6)


@pytest.mark.parametrize(
    ("low", "high", "unit", "step"),
    [
        (110, 145, "°C", 1), (8, 24, "s", 1), (0, 1.0, "s", 1), (0, 0.5, "s", 0.02),
        (1.5, 4, "bar", 0.1), (20, 60, "psi", 2), (0, 100, "%", 5), (0, 1, "", 0.05),
        (0, 30000, "s", 1000),
    ],
)  # fmt: skip
def test_step_when_none_is_given(low, high, unit, step):
    assert tidy_step(low, high, unit) == pytest.approx(step, rel=1e-12)
    assert Factor("x", low, high, unit).grid_step == tidy_step(low, high, unit)
    assert Factor("x", low, high, unit).step is None


def test_format_in_its_own_and_in_another_unit():
    press = Factor("press", 150, 170, "°C", step=5)
    assert press.format(160) == "160 °C"
    assert press.format(160, "F") == "320 °F"
    assert press.format(149, "F") == "300 °F"
    assert press.format(160.3333) == "160.3 °C"
    assert Factor("pressure", 1.5, 4, "bar", step=0.1).format(2.7) == "2.7 bar"
    assert Factor("pressure", 1.5, 4, "bar", step=0.1).format(2.7, "psi") == "39 psi"
    assert Factor("time", 0.5, 2, "min", step=0.25).format(0.75, "s") == "45 s"
    assert Factor("layers", 1, 5).format(2) == "2"
    assert Factor("peel at", levels=("hot", "cold")).format("hot") == "hot"
    with pytest.raises(SessionError, match="cannot convert"):
        press.format(160, "bar")


def test_bounds():
    assert cure().bounds == (110.0, 145.0)
    with pytest.raises(SessionError, match="words have no low and high"):
        Factor("peel at", levels=("hot", "cold")).bounds  # noqa: B018


def test_frozen_equal_hashable_copyable():
    factor = cure()
    with pytest.raises(AttributeError):
        factor.low = 5
    assert factor == cure() and hash(factor) == hash(cure()) and factor != cure(step=10)
    assert pickle.loads(pickle.dumps(factor)) == factor == copy.deepcopy(factor)
    assert repr(factor) == "Factor('cure', 110 to 145 °C, cure)"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"low": 150}, "low is 150 and high is 145; low must be below high"),
        ({"low": 145}, "low is 145 and high is 145; low must be below high"),
        ({"low": None}, "low is missing"),
        ({"high": None}, "high is missing"),
        ({"low": "110"}, "low: got '110'; accepted a finite number"),
        ({"low": True}, "low: got True"),
        ({"high": float("inf")}, "high: got inf"),
        ({"high": float("nan")}, "high: got nan"),
        ({"high": 10**400}, "accepted a finite number"),
        ({"low": -300}, "low: got -300; accepted -273.15 °C or more"),
        ({"low": -1, "unit": "s"}, "low: got -1; accepted 0 s or more"),
        ({"unit": "parsec"}, "unit 'parsec' is not known; use one of °C, °F"),
        ({"unit": None}, "unit None is not known"),
        ({"step": 0}, "step: got 0; accepted above 0"),
        ({"step": -5}, "step: got -5; accepted above 0"),
        ({"step": 36}, "no more than the range from low to high, 35"),
        ({"step": 1e-6}, "makes more than 5000 settings"),
        ({"step": "5"}, "step: got '5'"),
        ({"stage": "iron"}, "stage: got 'iron'; accepted one of print, cure, press, peel"),
        ({"stage": 3}, "stage: got 3; accepted one of print, cure, press, peel"),
        ({"hard_to_change": "yes"}, "hard_to_change: got 'yes'; accepted true or false"),
        ({"spread": -1}, "spread: got -1; accepted a number, 0 or more"),
        ({"spread": 36}, "spread: got 36; accepted no more than the range"),
        ({"usual": 150}, "usual: got 150; accepted from 110 to 145"),
        ({"usual": 100}, "usual: got 100; accepted from 110 to 145"),
        ({"usual": "hot"}, "usual: got 'hot'; accepted a number from 110 to 145"),
        ({"ordered": True}, "ordered is True; only a factor with levels"),
    ],
)
def test_a_bad_range_names_field_value_and_what_is_accepted(changes, said):
    with pytest.raises(SessionError) as caught:
        cure(**changes)
    text = str(caught.value)
    assert text.startswith("factor 'cure'") and said in text and "\n" not in text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"levels": ("hot",)}, "at least 2 different words"),
        ({"levels": ()}, "at least 2 different words"),
        ({"levels": ("hot", "HOT")}, "at least 2 different words"),
        ({"levels": "hot"}, "levels is 'hot'"),
        ({"levels": 3}, "levels is 3"),
        ({"levels": ("hot", 3)}, "levels holds 3"),
        ({"levels": ("hot", "")}, "levels holds ''"),
        ({"low": 3}, "low is 3; a factor with levels (words) has no low"),
        ({"step": 3}, "step is 3; a factor with levels (words) has no low"),
        ({"spread": 1}, "spread is 1; a factor with levels (words)"),
        ({"unit": "s"}, "unit is 's'; a factor with levels (words)"),
        ({"usual": "tepid"}, "usual: got 'tepid'; accepted one of hot, cold"),
        ({"usual": 3}, "usual: got 3; accepted one of hot, cold"),
        ({"ordered": 1}, "ordered: got 1; accepted true or false"),
    ],
)
def test_bad_words(changes, said):
    with pytest.raises(SessionError) as caught:
        Factor(**({"name": "peel at", "levels": ("hot", "cold")} | changes))
    text = str(caught.value)
    assert text.startswith("factor 'peel at'") and said in text and "\n" not in text


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "a\tb", 5, None, "x" * 81, "=SUM(A1)", "-x"])
def test_bad_names(name):
    with pytest.raises(SessionError, match=r"^factor: name is ") as caught:
        Factor(name, 1, 2)
    assert "\n" not in str(caught.value)
