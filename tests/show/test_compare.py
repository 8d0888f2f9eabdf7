"""Windows side by side: what moved is told in the unit that is read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from dtfexp import Factor, LogbookError, Session, SessionError
from dtfexp.show.figures.window_comparison import (
    ComparedWindow,
    compared_bars,
    comparison_table,
    not_compared,
)
from dtfexp.show.report.session_comparison import compare_windows
from dtfexp.show.text.number_format import NumberFormat
from tests.show.conftest import StandInFit, make_results, make_session


def sides(**moved: Any) -> list[ComparedWindow]:
    session = make_session()
    window = StandInFit(session, make_results(session)).window("polyester")
    later = replace(window, target={**window.target, **moved}, pass_rate=0.92)
    return [ComparedWindow("spring", session, window), ComparedWindow("autumn", session, later)]


def rows(pair: list[ComparedWindow], unit: str) -> dict[str, list[str]]:
    table = comparison_table(pair, NumberFormat(unit))
    assert list(table.heads) == ["Setting", "spring", "autumn", "Target moved"]
    return {row[0]: [cell.replace("\u00a0", " ") for cell in row[1:]] for row in table.rows}


def test_what_moved_and_what_did_not() -> None:
    pair = sides(cure_temperature=130.0, press_time=13.0, pressure="firm")
    found = rows(pair, "°C")
    assert found["cure temperature"] == ["125 °C (120 to 135)", "130 °C (120 to 135)", "+5 °C"]
    assert found["press time"][2] == "\u22122 s"
    assert found["pressure"][2] == "medium to firm"
    assert found["peel film"][2] == "as before"
    assert found["expect to pass"][1:] == ["about 92 of 100", "\u22125 points"]
    spring, autumn = pair
    other = replace(autumn, window=replace(autumn.window, fabric="nylon"))
    table = comparison_table([spring, other], NumberFormat("°C"))
    assert table.heads[-1] == "Targets apart" and "the same" in {row[-1] for row in table.rows}
    # Five degrees of one scale are nine of the other, not 41.
    assert rows(pair, "°F")["cure temperature"][2] == "+9 °F"


def test_sessions_of_other_units_and_settings_are_matched_by_name() -> None:
    celsius = StandInFit(make_session(), make_results(make_session()))
    session = Session(
        "in Fahrenheit",
        [Factor("cure_temperature", 230, 302, "°F", 1, "cure", usual=275), Factor("dwell", 5, 25)],
        [*celsius.session.outcomes],
        ["polyester"],
    )
    fahrenheit = StandInFit(session, make_results(session, 4))
    pair = [
        ComparedWindow("spring", celsius.session, celsius.window("polyester")),
        ComparedWindow("autumn", session, fahrenheit.window("polyester")),
    ]
    found = rows(pair, "°C")
    assert list(found) == ["cure temperature", "expect to pass"]
    assert found["cure temperature"][2] == "+10 °C"
    assert "dwell" in not_compared(pair) and "cure time" in not_compared(pair)
    shown = compare_windows(celsius, fahrenheit, "polyester")  # type: ignore[arg-type]
    assert "+10" in repr(shown) and "Not compared" in repr(shown)


def test_a_side_without_a_window_is_said_and_the_drawing_holds_every_side(
    no_window: StandInFit,
) -> None:
    found, lost = sides()[0], no_window.window("polyester")
    pair = [found, ComparedWindow("autumn", no_window.session, lost)]
    assert "window not known" in rows(pair, "°C")["press time"][1]
    assert rows(pair, "°C")["expect to pass"][1].endswith("not proven")
    ax = compared_bars(pair, unit="°F")
    texts = [text.get_text() for text in ax.texts]
    assert texts.count("spring") == texts.count("autumn") == 4
    assert texts.count("257") == 2  # 125 °C on both sides
    assert "cure temperature (°F)" in texts


def test_without_a_second_session_the_fabrics_stand_side_by_side(fit: StandInFit) -> None:
    shown = compare_windows(fit, unit="°F")  # type: ignore[arg-type]
    html = shown.html.replace("\u00a0", " ")
    assert "cotton jersey" in html and "polyester" in html and "257 °F" in html
    assert "Targets apart" in html and html.count("<svg") == 1
    with pytest.raises(SessionError, match="name two fabrics, or give two sessions"):
        compare_windows(fit, fabric="polyester")  # type: ignore[arg-type]


def test_every_fabric_that_both_sessions_have_is_compared(fit: StandInFit) -> None:
    session = make_session(["Polyester", "felt"], name="spring")
    earlier = StandInFit(session, make_results(session, 6))
    told = repr(compare_windows(earlier, fit))  # type: ignore[arg-type]
    assert told.startswith("polyester\n") and "felt" not in told and "cotton" not in told
    told = repr(compare_windows(earlier, fit, "felt", "cotton jersey"))  # type: ignore[arg-type]
    assert told.startswith("felt and cotton jersey\n")
    other = StandInFit(make_session(["denim"]), make_results(make_session(["denim"]), 2))
    with pytest.raises(SessionError, match="no fabric in common"):
        compare_windows(other, fit)  # type: ignore[arg-type]
    with pytest.raises(LogbookError, match="7: got no session; accepted a Logbook"):
        compare_windows(7, fit)  # type: ignore[arg-type]
