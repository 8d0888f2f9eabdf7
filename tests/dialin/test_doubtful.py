"""Which readings the fit does not believe, each by hand, in half-ranges."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dtfexp import Factor
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.doubtful import doubtful_readings
from tests.dialin.test_window_box import session_of

NONE = float("nan")


@pytest.mark.parametrize(
    ("off", "spread", "doubted"),
    [
        # Beyond 0.75 of a half-range, which five spreads of 0.1 do not reach.
        ([0.0, 0.76, 0.0], 0.1, [1]),
        ([0.0, 0.75, 0.0], 0.1, []),
        ([0.0, -0.76, 0.0], 0.1, [1]),
        # Five spreads of 0.2 are a whole half-range.
        ([0.0, 1.0, 0.0], 0.2, []),
        ([0.0, 1.01, 0.0], 0.2, [1]),
        # A machine off by one half-range at all other presses is so at this one as well ...
        ([1.0, 1.0, 1.0, 1.1], 0.1, []),
        # ... where three others tell, not two, blanks not counted.
        ([1.0, 1.0, 1.1], 0.1, [0, 1, 2]),
        ([1.0, NONE, 1.0, 1.1], 0.1, [0, 2, 3]),
        ([1.0, 1.0, 1.1, 0.0], 0.1, [3]),
        # Their median: one of them slipped too.
        ([0.0, 0.1, 9.0, 0.2, 0.91], 0.1, [2, 4]),
        ([NONE, NONE], 0.1, []),
        ([], 0.1, []),
    ],
)
def test_a_reading_is_doubted_beside_what_the_machine_is_off_by(off, spread, doubted) -> None:
    found = doubtful_readings(np.array(off, dtype=float), np.full(len(off), spread), 0.75)
    assert list(np.flatnonzero(found)) == doubted


def test_a_time_may_be_off_by_four_times_as_people_cure_on() -> None:
    """30 to 120 s acts by its logarithm: a half-range is a factor of two, two of them of four."""
    time = Factor("cure time", 30, 120, "s", 1, "cure", usual=60)
    heat = Factor("heat", 100, 160, "°C", 1, "cure", usual=130)
    coding = Coding(session_of(time, heat))
    used = pd.DataFrame({"cure time": [30, 30, 30], "cure time_actual": [119, 121, np.nan]})
    assert list(coding.is_doubtful(time, used)) == [False, True, False]
    used = pd.DataFrame({"heat": [130, 130, 130], "heat_actual": [152, 153, 107]})
    assert list(coding.is_doubtful(heat, used)) == [False, True, True]
