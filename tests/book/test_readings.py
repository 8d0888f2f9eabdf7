"""Maps and checks of the machines: kept, summed up, corrected, and handed to the fit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dtfexp import Logbook, LogbookError
from dtfexp.maths.physics.infrared import true_temperature

# Two passes at 320 °F: spots in rows from the back.
FIRST = [[306, 310, 307], [311, 316, 312], [308, 312, 305]]
SECOND = [[308, 312, 309], [313, 318, 314], [310, 314, 307]]


def test_a_map_tells_offset_ends_spread_and_repeatability(book: Logbook) -> None:
    kept = book.bench.map("press temperature", 320, [FIRST, SECOND], by="Bo")
    found = kept.summary
    # By hand: spots 307 311 308 312 317 313 309 313 306, each pass 1 from the spot's mean.
    assert found.mean == pytest.approx(2796 / 9)
    assert found.offset == pytest.approx(2796 / 9 - 320)
    assert (found.coldest, found.coldest_spot) == (306, "front right")
    assert (found.hottest, found.hottest_spot) == (317, "middle centre")
    assert found.spread == 5.5
    assert found.repeatability == pytest.approx(math.sqrt(2))
    assert (kept.by, kept.caution) == ("Bo", "")
    assert "coldest 306.0 front right" in repr(kept)
    with Logbook.open(book.path) as other:
        assert other.bench.maps() == [kept]


def test_one_pass_has_no_repeatability_and_celsius_says_so(book: Logbook) -> None:
    celsius = [f"{value} C" for value in (150, 152, 151, 153, 156, 154, 152, 154, 149)]
    kept = book.bench.map("press temperature", "160 C", celsius)
    assert kept.set_point == 320
    assert kept.summary.offset == pytest.approx(
        (np.mean([150, 152, 151, 153, 156, 154, 152, 154, 149]) - 160) * 1.8
    )
    assert math.isnan(kept.summary.repeatability)


def test_a_gun_is_corrected_and_cautioned(book: Logbook) -> None:
    seen = [f"{true_temperature(160, 0.95, set_to=0.85, reflected=30):.9f} C"] * 9
    kept = book.bench.map(
        "press temperature", 320, seen, instrument="gun", emissivity=0.85, reflected="30 C"
    )
    assert kept.summary.mean == pytest.approx(320, abs=1e-5)
    assert "bare, shiny metal" in kept.caution and "contact probe" in kept.caution
    (note,) = book.kept("map")
    assert note.said["gun_said"][0][0] < 315
    plain = book.bench.map("press temperature", 320, FIRST, instrument="gun")
    assert plain.summary.mean == pytest.approx(np.mean(FIRST))
    assert plain.caution


def test_readings_reach_the_fit_as_set_points(book: Logbook) -> None:
    book.record(1, {"peel": 4}, actual={"press temperature": 315})
    book.record(2, {"peel": 4}, actual={"press temperature": 300})
    session, results = book.bench.for_fit()
    assert session == book.session
    assert results["press temperature_actual"].tolist()[:2] == [315, 300], "never measured"
    book.bench.map("press temperature", 320, [FIRST, SECOND])
    book.bench.check("press temperature", 340, 330)
    book.bench.check("cure time", "1 min", 63)
    true = book.bench.true_settings()
    assert true.spreads == {"press temperature": 5.5}
    assert true.lines["press temperature"].df == 1
    assert true.lines["cure time"].intercept == 3
    session, results = book.bench.for_fit()
    line = true.lines["press temperature"]
    told = results["press temperature_actual"]
    assert line.mean_reached(told.iloc[0]).value == pytest.approx(315)
    assert told.iloc[0] == pytest.approx(324, abs=1), "set 325, reached what it always does"
    assert math.isnan(told.iloc[2])
    factor = session.factor("press temperature")
    assert factor.spread == pytest.approx(5.5 / line.slope)
    assert len(factor.spots) == 9 and sum(factor.spots) == pytest.approx(0, abs=1e-5)
    assert min(factor.spots) == pytest.approx((306 - 2796 / 9) / line.slope, abs=1e-5)
    assert book.results()["press temperature_actual"].iloc[0] == 315, "the book keeps what was read"


def test_a_note_taken_back_measures_nothing(book: Logbook) -> None:
    kept = book.bench.map("press temperature", 320, FIRST)
    book.take_back(kept.id)
    assert book.bench.true_settings().lines == {}
    assert book.bench.maps() == []


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda b: b.map("press temperature", 320, [1, 2, 3]),
            "it has 3 readings; accepted nine",
        ),
        (lambda b: b.map("press temperature", 320, []), "it has 0 readings"),
        (lambda b: b.map("press temperature", 320, ["hot"] * 9), "pass 1, back left: .*'hot'"),
        (lambda b: b.map("press temperature", 320, [155] * 9), "if it is in °C, write '155 °C'"),
        (lambda b: b.map("press temperature", "320 s", FIRST), "a number in °F"),
        (lambda b: b.map("press temperature", 320, FIRST, instrument="eye"), "probe, gun"),
        (lambda b: b.map("press temperature", 320, FIRST, emissivity=0.9), "is for a gun"),
        (
            lambda b: b.map("press temperature", 320, FIRST, instrument="gun", emissivity=2),
            "0.01 to 1",
        ),
        (lambda b: b.map("cure time", 60, FIRST), "use a check"),
        (lambda b: b.map("peel wait", "hot", FIRST), "settings are words"),
        (lambda b: b.map("presss temperature", 320, FIRST), "did you mean 'press temperature'"),
        (lambda b: b.check("press temperature", 320, None), "a number in °F"),
    ],
)
def test_what_is_no_reading_is_refused_in_one_line(book: Logbook, call, says: str) -> None:
    with pytest.raises(LogbookError, match=says) as caught:
        call(book.bench)
    assert "\n" not in str(caught.value)
    assert book.kept() == []
