"""The heat limit on every paper: bars that end at it, and a fabric that cannot be pressed."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pymupdf
import pytest

from dtfexp import Fabric, Factor, Outcome, Session, fit, plan
from dtfexp.dialin.fit import Fit
from dtfexp.dialin.schedule import cured
from dtfexp.dialin.window.window import Margin
from dtfexp.show.figures.window_bars import Bar
from dtfexp.show.notebook.cells import show_window
from dtfexp.show.notebook.explorer import Explorer
from dtfexp.show.paper.card import settings_card
from dtfexp.show.report.machine_readable import as_dict
from dtfexp.show.report.report import write_papers
from dtfexp.show.text import tables
from dtfexp.show.text.edge_text import nearer_margin
from dtfexp.show.text.fabric_results import fabric_result
from dtfexp.show.text.number_format import NumberFormat

HOT: dict[str, Any] = {"spread": 6.1, "readings": [(150.0, 156.0)], "spots": (-6.1, -2.0, 2.0, 6.1)}
LINE = (
    "nylon takes 150 °C at most, and the lowest setting of press heat, 140 °C, reaches up to "
    "152.1 °C (measured): 2.1 °C too hot; calibrate the heat press, lower the range, take a powder "
    "that melts lower, or use another method"
)


def bench() -> Session:
    heat = Factor("press heat", 140, 180, "°C", 1, hard_to_change=True, spread=3, usual=150)
    factors = [heat, Factor("press time", 8, 24, "s", 1, spread=1)]
    return Session("bench", factors, [Outcome("grade")], ["cotton", Fabric("nylon", 150)])


@pytest.fixture(scope="module")
def told() -> Fit:
    """Everything passes on a press that was not measured."""
    session = bench()
    return fit(session, plan(session, 10).runs.assign(grade=5.0))


@pytest.fixture(scope="module")
def closed(told: Fit) -> Fit:
    """The same presses once the platen was measured: nothing is left for nylon."""
    heat, time = told.session.factors
    measured = told.session.altered(factors=[replace(heat, **HOT), time])
    return fit(measured, told.results)


def words(pdf: bytes) -> str:
    text = pymupdf.open(stream=pdf)[0].get_text()
    return " ".join(text.replace("\u00a0", " ").split())


@pytest.mark.parametrize("pass_rate", [0.6, 0.999])
def test_a_cards_bar_ends_at_the_limit(told: Fit, pass_rate: float) -> None:
    """Proven or not: no bar runs past what the fabric may meet, and the diamond is on the bar."""
    finding = fabric_result(told, "nylon", pass_rate=pass_rate, confidence=pass_rate, maps=0)
    assert finding.window.found is (pass_rate == 0.6)
    bar = Bar.of(told.session, told.session.factor("press heat"), finding.window)
    assert (bar.low, bar.high, bar.limited_by) == (140, 147, told.session.fabric("nylon"))
    assert bar.place(147) == 1.0 and bar.place(140) == 0.0
    other = Bar.of(told.session, told.session.factor("press time"), finding.window)
    assert (other.low, other.high, other.limited_by) == (8, 24, None)
    text = words(settings_card(finding, told.session, NumberFormat("°C")))
    assert "147 °C, heat limit" in text and "180" not in text
    assert "(not measured: allowance 3 °C): set 147 °C or less." in text
    fahrenheit = words(settings_card(finding, told.session, NumberFormat("°F")))
    # 147 °C is 296.6 °F, rounded down; 3 °C wide is 5.4 °F, rounded up.
    assert "nylon takes 302 °F (150 °C) at most." in fahrenheit
    assert "(not measured: allowance 6 °F): set 296 °F or less." in fahrenheit


@pytest.mark.parametrize(
    ("unit", "limit", "read_in", "most"), [("°C", 150, "°F", 296), ("°F", 299, "°C", 145)]
)
def test_no_setting_is_told_above_the_highest_one_told(
    tmp_path: Path, unit: str, limit: int, read_in: str, most: int
) -> None:
    """The dial's 147 °C is 296.6 °F and its 294 °F is 145.6 °C: told to the nearest degree, the
    target and the window's end stand a degree above "set 296 °F or less"."""
    low, high, spread = (140, 180, 3) if unit == "°C" else (284, 340, 5)
    heat = Factor("press heat", low, high, unit, 1, spread=spread, usual=high)
    factors = [heat, Factor("press time", 8, 24, "s", 1, spread=1)]
    session = Session(
        "bench", factors, [Outcome("grade")], ["cotton", Fabric("nylon", limit, unit)]
    )
    found = fit(session, plan(session, 6).runs.assign(grade=5.0))
    at_most = session.allowed(heat, "nylon")[-1]
    finding = fabric_result(found, "nylon", pass_rate=0.6, confidence=0.6, maps=0)
    at_limit = finding.window.target | {"press heat": at_most}
    alone = {"press heat": (low, at_most), "press time": None}
    window = replace(finding.window, target=at_limit, core_high=at_limit, alone=alone)
    finding = replace(finding, window=window)
    reading = NumberFormat.of(session, read_in)
    assert f"set {most} {read_in} or less" in session.limit_note("nylon", read_in)
    over = f"{most + 1} {read_in}"
    for text in (
        words(settings_card(finding, session, reading)),
        reading.text(heat, at_most),
        reading.sentence(f"press heat {at_most:g} {unit}"),
        cured.reading(session.altered(temperature_unit=read_in), heat, at_most),
    ):
        assert f"{most} {read_in}" in text.replace("\u00a0", " ")
        assert over not in text.replace("\u00a0", " ")
    document = as_dict([finding], session, found.results, reading)
    nylon = document["windows"][0]
    told = nylon["target"]["press heat"], nylon["core_high"]["press heat"]
    assert (*told, nylon["alone"]["press heat"]["high"]) == (most,) * 3
    # A press for cotton, hotter than nylon allows, is told as it is.
    assert reading.text(heat, at_most + 1) != reading.text(heat, at_most)


def test_without_a_limit_the_bar_spans_the_plan(told: Fit) -> None:
    window = told.window("cotton", pass_rate=0.6, confidence=0.6)
    bar = Bar.of(told.session, told.session.factor("press heat"), window)
    assert (bar.low, bar.high, bar.limited_by) == (140, 180, None)


def test_a_target_at_the_heat_limit_has_its_allowance_already(told: Fit) -> None:
    window = told.window("nylon", pass_rate=0.6, confidence=0.6)
    at_limit = replace(window, margin=window.margin | {"press heat": Margin(2.0, 0.0)})
    assert nearer_margin(at_limit, told.session.factor("press heat")) == math.inf
    # An edge that is neither limit nor end of a range counts.
    other = window.edges.assign(stopped_by="grade")
    assert nearer_margin(replace(at_limit, edges=other), told.session.factor("press heat")) == 0.0


def test_a_fabric_that_cannot_be_pressed_has_its_line_and_no_settings(
    closed: Fit, tmp_path: Path
) -> None:
    assert closed.session.nothing_left("nylon") == LINE
    written = write_papers(closed, tmp_path, fabrics=["cotton", "nylon"])
    assert [path.name for path in written][:3] == [
        "report.html", "card-cotton.pdf", "card-nylon.pdf",
    ]  # fmt: skip
    page = (tmp_path / "report.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert LINE in page and "nylon cannot be pressed: see below" in page
    card = words((tmp_path / "card-nylon.pdf").read_bytes())
    assert "DO NOT PRESS" in card and LINE in card
    assert "press time" not in card and "24 s" not in card and "Expect" not in card
    document = json.loads((tmp_path / "windows.json").read_text(encoding="utf-8"))
    nylon = next(one for one in document["windows"] if one["fabric"] == "nylon")
    assert nylon["target"] is None and nylon["pass_rate"] is None and nylon["low"] is None
    assert nylon["reason"] == f"{LINE}."
    with (tmp_path / "windows.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["fabric"] == "nylon"]
    assert {(row["found"], row["target"], row["high"]) for row in rows} == {("no", "", "")}


def test_the_line_is_told_in_the_readers_unit(closed: Fit) -> None:
    """2.1 °C too hot is 3.8 °F, and no temperature of 36 °F."""
    shown = show_window(closed, "nylon", unit="°F").text
    assert "nylon takes 302 °F (150 °C) at most" in shown and "4 °F too hot" in shown
    assert "do not press, no setting is left" in shown


def test_the_explorer_and_the_glance_cope(closed: Fit) -> None:
    knobs = Explorer(closed)
    knobs.fabric.value = "nylon"
    assert "do not press, no setting is left" in knobs.shown.value
    finding = fabric_result(closed, "nylon")
    row = tables.targets_table([finding], closed.session, NumberFormat("°C")).rows[0]
    assert list(row) == ["nylon", "cannot be pressed", "–", "–", "–", "5"]
