"""The watch on daily counts: what it says of a rise, and what it refuses."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from dtfexp import PlanError, ResultsError, watch
from dtfexp.dialin.signs.defect_words import defect_counts


def counts(failed, pressed=20, start="2026-03-02", **columns):
    days = pd.date_range(start, periods=len(failed)).strftime("%Y-%m-%d")
    frame = pd.DataFrame({"day": days, "fabric": "cotton", "pressed": pressed, "failed": failed})
    return frame.assign(**columns)


def test_a_rise_says_since_when_how_big_and_which_symptom():
    failed = [1, 0, 1, 2, 0, 0, 4, 5, 3, 4]
    seen = [f"bubbles: {n}" if k < 6 else f"grainy underside: {n - 1}; bubbles: 1"
            for k, n in enumerate(failed)]  # fmt: skip
    found = watch(counts(failed, symptoms=seen), "cotton", usual=0.04, caught=0.15)
    alarm = found.alarm
    assert alarm is not None and alarm.since == "2026-03-08" and alarm.until == ""
    assert (alarm.failed, alarm.pressed, alarm.days) == (16, 80, 4)
    assert alarm.symptoms[0] == ("grainy underside", 12)
    # Wilson's score interval of 64 passing of 80 at 90 % (z = 1.6449), by hand.
    z, p, n = 1.6448536, 0.2, 80
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)
    middle = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    assert (alarm.low, alarm.high) == pytest.approx((middle - half, middle + half), abs=1e-7)
    assert "ALARM" in found.sentence and "mostly grainy underside" in found.sentence
    assert found.run_days >= 250 and f"{found.run_days:.0f} days" in found.promise


def test_a_rise_that_is_over_is_told_as_past():
    found = watch(counts([0, 0, 6, 6, *[0] * 12]), "cotton", usual=0.04, caught=0.15)
    assert found.alarm is None and found.alarms[0].until and "1 alarm before" in found.sentence


def test_warm_up_days_are_kept_and_do_not_count():
    frame = counts([0, 20, 0], warm_up=[False, True, False])
    found = watch(frame, "cotton", usual=0.05)
    assert not found.alarms and found.days["counted"].tolist() == [True, False, True]
    assert np.isnan(found.days["score"].iloc[1]) and "of 40 garments failed" in found.sentence
    assert watch(frame.assign(warm_up=False), "cotton", usual=0.05).alarms


def test_an_alarm_is_never_taken_back_by_later_days():
    failed = [0, 0, 3, 5, 3, 0, 0, 1, 0, 0, 4, 0]
    alarms = [
        [a.day for a in watch(counts(failed[:n]), "cotton", usual=0.04).alarms]
        for n in range(1, len(failed) + 1)
    ]
    for earlier, later in pairwise(alarms):
        assert later[: len(earlier)] == earlier
    # Larger days leave the limit where it was; what they do to false alarms is told.
    larger = watch(counts(failed, pressed=60), "cotton", usual=0.04)
    as_said = watch(counts(failed), "cotton", usual=0.04)
    assert larger.limit == as_said.limit and larger.run_days < 250 <= as_said.run_days


def test_days_before_a_repair_are_left_out():
    frame = counts([6, 6, 6, 0, 0])
    assert watch(frame, "cotton", usual=0.04).alarm
    since = watch(frame, "cotton", usual=0.04, since="2026-03-05")
    assert not since.alarms and len(since.days) == 2


def test_no_day_yet():
    found = watch(pd.DataFrame(), "cotton", usual=0.04, per_day=35)
    assert "no alarm" in found.sentence and "35 garments" in found.promise


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"failed": [21]}, "row 1, failed: got 21; accepted a whole number from 0 to 20"),
        ({"failed": ["x"]}, "failed: got 'x'"),
        ({"day": ["yesterday"]}, "day: got 'yesterday'"),
        ({"pressed": [float("nan")]}, "pressed: got nan"),
    ],
)
def test_counts_that_cannot_be(change, said):
    frame = counts([1]).assign(**change)
    with pytest.raises(ResultsError) as caught:
        watch(frame, "cotton", usual=0.04)
    assert said in str(caught.value)


def test_settings_that_cannot_be():
    with pytest.raises(ResultsError, match="2026-03-02 twice"):
        watch(pd.concat([counts([1]), counts([2])]), "cotton", usual=0.04)
    with pytest.raises(ResultsError, match="column 'failed' is missing"):
        watch(counts([1]).drop(columns="failed"), "cotton", usual=0.04)
    with pytest.raises(PlanError, match="usual: got 4"):
        watch(counts([1]), "cotton", usual=4)
    with pytest.raises(PlanError, match="caught: got 0"):
        watch(counts([1]), "cotton", usual=0.04, caught=0.03)


def test_symptoms_of_a_day():
    assert defect_counts("Bubbles: 2; grainy  underside") == {"bubbles": 2, "grainy underside": 1}
    assert defect_counts({"Bubbles": 2}) == {"bubbles": 2} and defect_counts("") == {}
