"""What was measured of the machines reaches fit, report, card and the next presses."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from pypdf import PdfReader

from dtfexp import Fabric, Factor, Logbook, Outcome, Session, fit, next_presses, plan, report
from dtfexp.show.figures.figures import platen_map
from dtfexp.show.text.measured_conditions import MeasuredConditions
from dtfexp.show.text.number_format import NumberFormat
from tests.show.test_machine import SCHEMA

SESSION = Session(
    "Invented platen",
    [
        Factor("press temperature", 300, 340, "°F", step=5, spread=2, usual=320),
        Factor("press time", 5, 25, "s", step=1, usual=15),
    ],
    [Outcome("peel")],
    ["cotton"],
)
#: The invented platen is on average 40/3 °F cooler than its display, its corners cooler still.
MAP = [[304, 308, 304], [308, 312, 308], [304, 308, 304]]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("book") / "a.dtfbook"
    with Logbook.create(path, SESSION) as made:
        first = plan(SESSION, 8, seed=1)
        made.add(first)
        for run in first.runs.to_dict("records"):
            away = abs(run["press temperature"] - 320) / 8 + abs(run["press time"] - 15) / 5
            reached = round(run["press temperature"] - 40 / 3, 4)
            made.record(
                int(run["press"]),
                {"peel": float(np.clip(np.round(5.4 - away), 1, 5))},
                actual={"press temperature": reached},
            )
        for set_point in (300, 320, 340):
            made.bench.map(
                "press temperature", set_point, np.array([MAP, MAP]) + (set_point - 320), by="Bo"
            )
        made.bench.lot("powder", "P-12")
        made.bench.room(temperature="22 C", humidity=48)
        made.bench.room(temperature="26 C", humidity=55.4)
        made.bench.machine("press", low=212, high=400)
        yield made


def test_the_window_stays_in_set_points(book: Logbook) -> None:
    session, results = book.bench.for_fit()
    assert session.factor("press temperature").spread == pytest.approx(4)
    plain = book.results().drop(columns="press temperature_actual")
    told = results["press temperature_actual"].to_numpy()
    assert told == pytest.approx(plain["press temperature"].to_numpy(), abs=1e-3)
    read = fit(SESSION, book.results()).pass_rate(plain, "cotton")["pass_rate"]
    true = fit(SESSION, results).pass_rate(plain, "cotton")["pass_rate"]
    unread = fit(SESSION, plain).pass_rate(plain, "cotton")["pass_rate"]
    assert np.abs(true - unread).max() < 0.02
    assert np.abs(read - unread).max() > 0.1, "without the line the window would be elsewhere"


def test_the_papers_say_what_is_reached(book: Logbook, tmp_path: Path) -> None:
    written = {path.name: path for path in report(book, tmp_path)}
    page = written["report.html"].read_text()
    assert "What the machines really do" in page
    holds = page[page.index('<h2 id="bench">') : page.index("What the targets reach")]
    holds = holds.replace("\u00a0", " ")
    assert "Tried with the lots powder P-12." in holds
    assert "Room while testing: 72 to 79 °F, 48 to 55 %." in holds
    assert "Display of the press: 212 to 400 °F." in holds
    assert "Display of the oven" not in holds and "Not recorded" not in holds
    assert "Holds for this oven, press, film, powder and room" in holds
    assert page.count("Set and reached, press temperature") == 1
    assert "hottest 332" in page.replace("\u00a0", " ")
    assert "press temperature (°F), reached" in page
    first = book.results().iloc[0]
    assert f">{first['press temperature_actual']:.1f}<" in page, "as it was read"
    machine = json.loads(written["windows.json"].read_text("utf-8"))
    jsonschema.validate(machine, SCHEMA)
    assert machine["conditions"] == {
        "blocks": [],
        "lots": [{"material": "powder", "name": "P-12"}],
        "room": {
            "temperature": {"low": pytest.approx(71.6), "high": pytest.approx(78.8)},
            "humidity": {"low": 48, "high": 55.4},
        },
        "changed": None,
    }
    card = " ".join(PdfReader(written["card-cotton.pdf"]).pages[0].extract_text().split())
    card = card.replace("\u00a0", " ")
    assert "Press temperature set to" in card
    assert "Tried with the lots powder P-12." in card
    assert "Room while testing: 72 to 79 °F, 48 to 55 %." in card


def test_next_presses_of_a_measured_bench_go_into_the_book(book: Logbook, tmp_path: Path) -> None:
    session, results = book.bench.for_fit()
    more = next_presses(session, results, 2, seed=1)
    assert more.session != book.session, "its spread was measured"
    assert book.add(more) == len(more.runs)


def test_a_line_is_drawn_with_its_band_in_the_unit_that_is_read(book: Logbook) -> None:
    from matplotlib.figure import Figure

    from dtfexp.show.figures.figures import calibration_line

    factor = SESSION.factor("press temperature")
    line = book.bench.true_settings().lines[factor.name]
    own = Figure().add_subplot()
    assert calibration_line(line, factor, ax=own) is own
    drawn = own.lines[1]
    assert drawn.get_ydata()[0] == pytest.approx(300 - 40 / 3, abs=1e-3)
    assert len(own.collections[1].get_offsets()) == len(line.sets) == 14
    celsius = calibration_line(line, factor, unit="°C")
    assert celsius.get_xlabel() == "press temperature set (°C)"
    assert celsius.lines[1].get_ydata()[0] == pytest.approx((300 - 40 / 3 - 32) / 1.8, abs=1e-3)


def test_a_map_is_drawn_as_it_was_read(book: Logbook) -> None:
    from matplotlib.figure import Figure

    own = Figure().add_subplot()
    (last,) = book.bench.maps()[1:2]
    assert platen_map(last, ax=own) is own
    texts = [text.get_text() for text in own.texts]
    assert texts[:2] == ["304", "coldest"]
    assert texts[5:7] == ["312", "hottest"]
    celsius = platen_map(last, unit="°C")
    assert celsius.texts[0].get_text() == "151.1"
    assert "6.6 °C below it" not in own.get_title(loc="left")
    assert "below it" in celsius.get_title(loc="left")
    assert [label.get_text() for label in own.get_yticklabels()] == ["back", "middle", "front"]


def test_the_page_names_readings_past_what_a_fabric_takes(tmp_path: Path) -> None:
    session = Session(
        "Invented fleece", SESSION.factors, [Outcome("peel")], [Fabric("fleece", 330, "°F")]
    )
    with Logbook.create(tmp_path / "b.dtfbook", session) as made:
        made.add(plan(session, 4))
        made.record(2, {"peel": 4}, actual={"press temperature": 345}, accept=True)
        made.record(3, {"peel": 4}, actual={"press temperature": 320})
        (line,) = MeasuredConditions.of(made).past
        assert line.startswith("Press 2: press temperature reached 345 °F, and fleece takes 330 °F")
        conditions, reading = MeasuredConditions.of(made), NumberFormat("°F")
        told = conditions.holds_for(session, made.results(), reading)
        assert told[0] == line and "what the machines really reach" in " ".join(told)
        # Read in the session file, or hotter at a press than allowed for: recorded somewhere.
        told = conditions.holds_for(made.bench.measured_session(), made.results(), reading)
        assert "what the machines really reach" not in " ".join(told)
