"""How numbers are written: the same everywhere, honest when rounded."""

from __future__ import annotations

import pytest

from dtfexp import Factor, Outcome, Session, SessionError
from dtfexp.describe.fields import and_list
from dtfexp.show.text.number_format import (
    NumberFormat,
    at_least,
    between,
    out_of_text,
    per_cent,
    rounded_text,
)

CURE = Factor("cure", 110, 150, "°C", 5, "cure", spread=5)
TIME = Factor("time", 0.5, 2, "min", 0.25, "cure")


def test_a_session_in_celsius_is_read_in_celsius_unless_asked() -> None:
    session = Session("s", [CURE], [Outcome("peel")], ["cotton"])
    assert NumberFormat.of(session).temperature == "°C"
    assert NumberFormat.of(session, "degF").temperature == "°F"


@pytest.mark.parametrize("unit", ["K", "bar", "", 7])
def test_any_other_unit_is_refused_in_one_line(session: Session, unit: object) -> None:
    with pytest.raises(SessionError, match=r"^unit is .*°C or °F$"):
        NumberFormat.of(session, unit)  # type: ignore[arg-type]


def test_a_set_point_and_a_distance_convert_differently() -> None:
    # 160 °C is 320 °F, and 5 °C apart is 9 °F apart (exact by definition).
    reading = NumberFormat("°F")
    assert reading.text(CURE, 160) == "320\u00a0°F"
    assert reading.span(CURE, 5) == "9\u00a0°F"
    assert NumberFormat("°C").text(CURE, 160) == "160\u00a0°C"
    assert NumberFormat("°C").span(CURE, 5) == "5\u00a0°C"


def test_decimals_follow_the_dial() -> None:
    assert NumberFormat("°C").text(TIME, 0.75) == "0.75\u00a0min"
    assert NumberFormat("°C").text(TIME, 1) == "1\u00a0min"
    assert NumberFormat("°C").other(TIME) is None


def test_temperatures_inside_a_sentence_are_read_in_the_same_unit() -> None:
    text = "stay at or below 165 °C; press time 15 s, 30 % sure, lot-7 °C"
    assert (
        NumberFormat("°F")
        .sentence(text)
        .startswith("stay at or below 329\u00a0°F; press time 15 s")
    )
    assert NumberFormat("°C").sentence("at 149.5 °C") == "at 149.5\u00a0°C"


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (0.999, "about 99 of 100"),
        (0.97, "about 97 of 100"),
        (0.949, "about 94 of 100"),
        (0.01, "about 1 of 100"),
        (0.009, "fewer than 1 of 100"),
        (float("nan"), "not known"),
    ],
)
def test_a_rate_in_words_never_promises_more_than_the_rate(rate: float, words: str) -> None:
    assert out_of_text(rate) == words


def test_words_are_below_the_rate_over_the_whole_range() -> None:
    for step in range(50, 1000):
        rate = step / 1000
        part, whole = (int(n) for n in out_of_text(rate).split() if n.isdigit())
        assert part / whole <= rate + 1e-9


def test_per_cent_never_claims_certainty() -> None:
    assert per_cent(0.9999) == "over\u00a099\u00a0%"
    assert per_cent(0.0001) == "under\u00a01\u00a0%"
    assert per_cent(1.0) == "100\u00a0%"
    assert per_cent(0.5) == "50\u00a0%"


def test_a_probability_short_of_what_was_asked_never_reads_as_reached() -> None:
    assert at_least(0.8999) == "89\u00a0%"
    assert at_least(0.9) == "90\u00a0%"
    assert at_least(0.999) == "over\u00a099\u00a0%"
    assert at_least(0.004) == "under\u00a01\u00a0%"


def test_an_interval_is_rounded_outwards() -> None:
    assert between(0.879, 0.981) == "87 to 99\u00a0%"
    assert between(0.0, 1.0) == "0 to 100\u00a0%"
    assert between(0.997, 0.9999) == "over\u00a099\u00a0%"


def test_tidy_numbers_and_lists() -> None:
    assert rounded_text(-0.0001, 2) == "0"
    assert rounded_text(-5.5, 1) == "\u22125.5"
    assert rounded_text(100.0, 2) == "100"
    assert and_list(["a"]) == "a"
    assert and_list(["a", "b", "c"]) == "a, b and c"
    assert and_list(["a", "b", "c", "d"], 2) == "a, b and 2 more"
