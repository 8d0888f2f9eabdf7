"""Outcomes: scales, directions, and what counts as a grade."""

import math

import numpy as np
import pytest

from dtfexp import Factor, Outcome, Session, SessionError
from dtfexp.describe.outcome import wash_series
from dtfexp.describe.signs.guide import published_scale


def test_defaults_are_a_five_step_scale():
    outcome = Outcome("peel")
    assert outcome.grades == (1, 2, 3, 4, 5)
    assert (outcome.worst, outcome.best, outcome.accept, outcome.step) == (1, 5, 4, 1)
    assert (outcome.kind, outcome.unit, outcome.washes, outcome.sign) == ("graded", "", None, 1)
    assert [outcome.passes(g) for g in (3, 4, 5)] == [False, True, True]
    assert [outcome.rank(g) for g in (1, 5)] == [0, 4]


def test_contract_call_with_positions():
    outcome = Outcome("bond", 0, 30, 12.5, 1, "measured", "N/cm")
    assert (outcome.kind, outcome.unit, outcome.accept) == ("measured", "N/cm", 12.5)


def test_best_may_be_the_smaller_number():
    # Cross-cut: class 0 best, 5 worst (ISO 2409:2020, from memory).
    outcome = Outcome("cross-cut", worst=5, best=0, accept=1)
    assert outcome.grades == (5, 4, 3, 2, 1, 0) and outcome.sign == -1
    assert [outcome.passes(g) for g in (0, 1, 2)] == [True, True, False]
    assert outcome.rank(0) == 5


def test_half_grades_of_the_grey_scale():
    # ISO 105-A02:1993: nine ordered grades, half steps written 4-5 (seen). The colour
    # differences are CIELAB units at each grade.
    a02 = {
        "5": 0, "4-5": 0.8, "4": 1.7, "3-4": 2.5, "3": 3.4, "2-3": 4.8, "2": 6.8, "1-2": 9.6,
        "1": 13.6,
    }  # fmt: skip
    outcome = Outcome("colour after wash", step=0.5)
    read = [outcome.check(text) for text in a02]
    assert read == sorted(outcome.grades, reverse=True) and len(read) == 9
    assert outcome.check("4-5") == outcome.check(4.5) == outcome.check("5 - 4") == 4.5
    # ISO 105-A05:1996, from memory: full grades exact to print, half grades within 0.04.
    for text, difference in a02.items():
        if difference <= 3.40:
            grade = 5 - difference / 1.7
        else:
            grade = 5 - math.log10(difference / 0.85) / math.log10(2)
        assert grade == pytest.approx(outcome.check(text), abs=0.04)


def test_a_measured_colour_difference_is_best_at_zero():
    outcome = Outcome("ΔE after wash", worst=13.6, best=0, accept=1.7, kind="measured", unit="dE")
    assert outcome.unit == "ΔE" and outcome.grades == () and outcome.step == 0
    assert outcome.check(0.83) == 0.83 and outcome.passes(1.7) and not outcome.passes(1.71)
    with pytest.raises(ValueError, match=r"a number from 0 to 13\.6 ΔE"):
        outcome.check(-0.1)
    with pytest.raises(ValueError, match="no grades to rank"):
        outcome.rank(1.0)


def test_pass_or_fail():
    outcome = Outcome("fit to sell", kind="passfail")
    assert (outcome.worst, outcome.best, outcome.accept, outcome.step) == (0, 1, 1, 1)
    for word in ("pass", " Pass ", "yes", "TRUE", True, np.True_, 1, "1", 1.0):
        assert outcome.check(word) == 1.0
    for word in ("fail", "No", "false", False, np.False_, 0, "0"):
        assert outcome.check(word) == 0.0
    for odd in ("ok", 2, 0.5, "", None, math.nan):
        with pytest.raises(ValueError, match=r"1 \(pass\) or 0 \(fail\)"):
            outcome.check(odd)
    assert Outcome("defect", worst=1, best=0, accept=0, kind="passfail").check("pass") == 0.0
    assert Outcome("sold", worst=0, best=1, kind="passfail").accept == 1.0


@pytest.mark.parametrize("value", [4, 4.0, "4", " 4 ", "4.0", "4,0", np.int64(4), np.float32(4)])
def test_ways_to_write_four(value):
    assert Outcome("peel").check(value) == 4.0
    assert isinstance(Outcome("peel").check(value), float)


@pytest.mark.parametrize(
    "value",
    [6, 0, 3.5, "ok", "", "4-5", "1,000", "4_0", "nan", math.nan, math.inf, None, True, [4], 4j],
)
def test_what_is_no_grade(value):
    with pytest.raises(ValueError, match="accepted one of 1, 2, 3, 4, 5"):
        Outcome("peel").check(value)


def test_missing_grade_does_not_pass():
    assert not Outcome("peel").passes(math.nan)


def test_tenths_are_exact():
    outcome = Outcome("score", worst=0, best=1, accept=0.7, step=0.1)
    assert outcome.grades == (0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
    assert outcome.check(0.1 + 0.2) == 0.3 and outcome.passes(0.1 + 0.6)


def test_guides():
    assert list(Outcome("peel").guide) == [1, 2, 3, 4, 5]
    assert Outcome("peel").guide != Outcome("wash").guide != Outcome("hand").guide
    assert Outcome("cross-cut", worst=5, best=0, accept=1).guide == {}
    assert Outcome("sold", kind="passfail").guide == {0: "fail", 1: "pass"}
    own = Outcome("wash", step=0.5, guide={"4-5": " nearly ", 5: "new"})
    assert own.guide == {4.5: "nearly", 5.0: "new"}
    assert own == Outcome("wash", step=0.5, guide={5: "new", 4.5: "nearly"})
    assert hash(own) == hash(Outcome("wash", step=0.5, guide={}))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"worst": 5}, "worst and best are both 5"),
        ({"worst": "low"}, "worst: got 'low'"),
        ({"best": math.nan}, "best: got nan"),
        ({"best": True}, "best: got True"),
        ({"accept": 6}, "accept: got 6; accepted one of 1, 2, 3, 4, 5"),
        ({"accept": 3.5}, "accept: got 3.5; accepted one of 1, 2, 3, 4, 5"),
        ({"accept": None}, "accept: got None"),
        ({"step": 0}, "step: got 0; accepted above 0"),
        ({"step": -1}, "step: got -1"),
        ({"step": 5}, "no more than the scale from worst to best, 4"),
        ({"step": 3}, "step is 3; whole steps must lead from worst 1 to best 5"),
        ({"step": 0.01}, "makes more than 101 grades"),
        ({"kind": "stars"}, "kind: got 'stars'; accepted one of graded, passfail, measured"),
        ({"unit": "stars"}, "unit 'stars' is not known"),
        ({"washes": -1}, "washes: got -1; accepted a whole number from 0 to 1000"),
        ({"washes": 2.5}, "washes: got 2.5"),
        ({"washes": True}, "washes: got True"),
        ({"series": "wash"}, "series is 'wash', but washes is missing"),
        ({"series": 5, "washes": 5}, "series: got 5; accepted text"),
        ({"guide": "good"}, "guide: got 'good'; accepted a sentence for each grade"),
        ({"guide": {6: "x"}}, "guide: got 6; accepted one of 1, 2, 3, 4, 5"),
        ({"guide": {5: ""}}, "guide for grade 5: got ''; accepted one line of text"),
        ({"guide": {5: "a\nb"}}, "accepted one line of text"),
        ({"kind": "passfail", "accept": 5, "worst": 0, "best": 1}, "accept: got 5; accepted 1"),
        ({"kind": "passfail", "accept": 0, "worst": 0, "best": 1}, "for pass or fail the best, 1"),
        ({"kind": "measured", "accept": 6}, "accept: got 6; accepted a number from 1 to 5"),
    ],
)
def test_a_bad_outcome_names_field_value_and_what_is_accepted(changes, said):
    with pytest.raises(SessionError) as caught:
        Outcome(**({"name": "peel"} | changes))
    text = str(caught.value)
    assert text.startswith("outcome 'peel'") and said in text and "\n" not in text


@pytest.mark.parametrize(
    ("name", "washes", "standard"),
    [
        # Numbers of the standards as written down from memory, texts not seen.
        ("wash", None, "ISO 15487"),
        ("edges", 5, "ISO 15487"),
        ("Colour change", 5, "ISO 105-A02"),
        ("adhesion", None, "ISO 2409"),
        ("peel", None, ""),
    ],
)
def test_a_published_scale_is_named_where_there_is_one(name, washes, standard):
    told = published_scale(name, washes)
    assert standard in told and bool(told) == bool(standard)


def test_a_series_is_what_says_so_and_nothing_else():
    one, five = (
        Outcome("wash five", washes=5, series="Wash"),
        Outcome("1st", washes=1, series="wash "),
    )
    apart = [Outcome("wash 1", washes=1), Outcome("wash 20", washes=20)]
    assert wash_series([one, *apart, five, Outcome("peel")]) == [(five, one)]
    assert wash_series([one, *apart]) == []


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"best": 10}, "outcome 'b': series 'wash' is judged on another scale by 'a'"),
        ({"step": 0.5}, "a series has one kind, worst, best, step and unit"),
        ({"washes": 1}, "series 'wash' is judged twice after the same number of washes"),
    ],
)
def test_a_series_on_two_scales_is_refused(other, said):
    outcomes = [
        Outcome("a", washes=1, series="wash"),
        Outcome(**({"name": "b", "washes": 5, "series": "wash"} | other)),
    ]
    with pytest.raises(SessionError) as caught:
        Session("s", [Factor("cure", 100, 150, "C")], outcomes, ["cotton"])
    assert said in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("outcome", "least"),
    [(Outcome("peel"), 0), (Outcome("Wash 40"), 1), (Outcome("wash", washes=0), 0),
     (Outcome("hand", washes=5), 5)],
)  # fmt: skip
def test_when_it_is_judged_is_said_or_stands_in_its_name(outcome: Outcome, least: int) -> None:
    assert outcome.least_washes == least
