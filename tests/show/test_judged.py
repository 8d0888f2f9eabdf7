"""What became of a press, and intervals of what was counted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Session
from dtfexp.dialin.confirm import press_verdicts
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.window import evidence
from tests.show.conftest import StandInFit, make_results


def test_one_failing_grade_settles_it_and_a_missing_one_does_not(session: Session) -> None:
    frame = make_results(session, 6)
    grades = [(5, 4), (3, np.nan), (5, np.nan), (np.nan, np.nan), (4, 3), (5, 5)]
    frame[["peel", "wash"]] = np.array(grades, dtype=float)
    frame["excluded"] = [False] * 5 + [True]
    assert press_verdicts.verdict_of_presses(session, frame) == [
        "passed",
        "failed",
        "waiting",
        "not graded",
        "failed",
        "left out",
    ]


def test_observed_counts_only_what_is_settled() -> None:
    words = ["passed", "failed", "waiting", "left out", "passed", "not graded"]
    assert press_verdicts.passed_and_judged(words) == (2, 3)


def test_wilson_interval_against_the_formula() -> None:
    # Wilson 1927: (p + z²/2n ± z sqrt(p(1-p)/n + z²/4n²)) / (1 + z²/n), z = 1.6449 for 90 %.
    z, passed, n = 1.6448536269514722, 17, 20
    p = passed / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    assert press_verdicts.wilson_interval(passed, n) == pytest.approx(
        (middle - half, middle + half), abs=1e-12
    )
    assert press_verdicts.wilson_interval(0, 0) == (0.0, 1.0)


def test_inside_the_window_goes_by_numbers_and_words(fit: StandInFit) -> None:
    window = fit.window("cotton jersey")
    names = [f.name for f in fit.session.factors]
    at = pd.DataFrame([window.target] * 4)[names]
    at.loc[1, "press_time"] = window.high["press_time"] + 1  # type: ignore[index]
    at.loc[2, "pressure"] = "firm"
    at.loc[3, "press_time"] = window.high["press_time"]  # type: ignore[index]
    assert press_verdicts.within_window(fit.session, at, window) == [True, False, False, True]


def test_nothing_is_inside_a_window_that_is_not_there(no_window: StandInFit) -> None:
    window = no_window.window("cotton jersey")
    assert not any(press_verdicts.within_window(no_window.session, no_window.results, window))


def test_words_between() -> None:
    levels = ("light", "medium", "firm")
    assert evidence.words_between(levels, "light", "medium") == ("light", "medium")
    assert evidence.words_between(levels, "firm", "firm") == ("firm",)


def test_an_empty_frame_has_no_verdicts(session: Session) -> None:
    assert press_verdicts.verdict_of_presses(session, check_results(session, pd.DataFrame())) == []
