"""From a logbook on the disk to the papers, with the real plan, fit and window."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader

import dtfexp
from dtfexp.describe.units import convert
from dtfexp.dialin import side_by_side
from dtfexp.shop import steps
from dtfexp.show.notebook.cells import show_window
from dtfexp.show.text.number_format import NumberFormat

SESSION = dtfexp.Session(
    "Invented winter jackets",
    [
        dtfexp.Factor("cure_temperature", 110, 150, "°C", 5, "cure", True, 3, 125),
        dtfexp.Factor("press_time", 5, 25, "s", 1, "press", spread=1, usual=15),
        dtfexp.Factor("film", levels=("hot", "cold")),
    ],
    [dtfexp.Outcome("peel"), dtfexp.Outcome("wash", washes=5)],
    ["cotton jersey", dtfexp.Fabric("nylon shell", 150)],
)


def grades(runs: pd.DataFrame) -> pd.DataFrame:
    """An invented bench: nylon never washes well, cotton does near 130 °C and 14 s."""
    away = ((runs["cure_temperature"] - 130) / 14) ** 2 + ((runs["press_time"] - 14) / 7) ** 2
    away = away + 0.4 * (runs["film"] == "cold")
    peel = np.clip(np.round(5.2 - away), 1, 5)
    wash = np.where(runs["fabric"] == "nylon shell", 2, peel)
    return pd.DataFrame({"press": runs["press"], "peel": peel, "wash": wash})


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("book") / "jackets.dtfbook"
    moment = [datetime(2026, 11, 2, 9, 0, tzinfo=UTC)]

    def clock() -> datetime:
        moment[0] += timedelta(minutes=7)
        return moment[0]

    with dtfexp.Logbook.create(path, SESSION, by="bench", clock=clock) as open_book:
        plan = dtfexp.plan(SESSION, 16, seed=5)
        open_book.add(plan)
        for row in grades(plan.runs).to_dict("records"):
            open_book.record(int(row["press"]), {"peel": row["peel"], "wash": row["wash"]})
        extra = dtfexp.next_presses(SESSION, open_book.results(), 8, seed=5)
        open_book.add(extra)
        for row in grades(extra.runs).to_dict("records"):
            open_book.record(int(row["press"]), {"peel": row["peel"], "wash": row["wash"]})
    return path


@pytest.fixture(scope="module")
def written(book: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("out")
    return {path.name: path for path in dtfexp.report(book, out)}


def told(path: Path) -> str:
    return " ".join(PdfReader(path).pages[0].extract_text().replace("\u00a0", " ").split())


def test_the_papers_are_those_of_the_contract(written: dict[str, Path]) -> None:
    assert list(written) == [
        "report.html",
        "card-cotton-jersey.pdf",
        "card-nylon-shell.pdf",
        "windows.csv",
        "windows.json",
    ]
    assert all(path.is_file() for path in written.values())


def test_cards_and_page_carry_the_numbers_of_windows_json(written: dict[str, Path]) -> None:
    told_by_machine = json.loads(written["windows.json"].read_text("utf-8"))
    html = written["report.html"].read_text("utf-8").replace("\u00a0", " ")
    reading = NumberFormat("°C")
    assert {w["found"] for w in told_by_machine["windows"]} == {True, False}
    for window in told_by_machine["windows"]:
        text = told(written[f"card-{window['fabric'].replace(' ', '-')}.pdf"])
        for factor in SESSION.factors:
            value = window["target"][factor.name]
            shown = reading.text(factor, value).replace("\u00a0", " ")
            assert shown in text
            assert shown in html
            if factor.is_temperature:
                assert f"{convert(value, '°C', '°F'):.0f} °F" in text
        assert f"{window['presses']} presses in all" in text
        if window["found"]:
            for side in ("low", "high"):
                edge = reading.text(SESSION.factors[1], window[side]["press_time"])
                assert edge.replace("\u00a0", " ") in text
        else:
            assert "NOT PROVEN" in text
            assert window["low"] is None
    assert told_by_machine["seeds"] == [5, 5]


def test_the_window_of_the_papers_is_the_window_of_the_fit(
    book: Path, written: dict[str, Path]
) -> None:
    with dtfexp.Logbook.open(book) as open_book:
        fit = dtfexp.fit(open_book.session, open_book.results())
    machine = json.loads(written["windows.json"].read_text("utf-8"))["windows"][0]
    window = fit.window("cotton jersey")
    assert window.found
    assert machine["target"] == window.target
    assert machine["low"] == window.low and machine["high"] == window.high
    assert machine["pass_rate"] == pytest.approx(window.pass_rate, abs=1e-6)
    at = fit.pass_rate(pd.DataFrame([window.target]), "cotton jersey").iloc[0]
    assert machine["pass_rate_low"] == pytest.approx(at["low"], abs=1e-6)


def test_an_open_book_gives_the_same_bytes_as_its_path(
    book: Path, written: dict[str, Path], tmp_path: Path
) -> None:
    with dtfexp.Logbook.open(book) as open_book:
        again = dtfexp.report(open_book, tmp_path)
        assert open_book.session == SESSION  # still open
    for path in again:
        assert path.read_bytes() == written[path.name].read_bytes(), path.name


def test_one_fabric_and_the_other_unit(book: Path, tmp_path: Path) -> None:
    paths = dtfexp.report(book, tmp_path, fabrics=["NYLON shell"], unit="F", paper="letter")
    assert [path.name for path in paths][1:2] == ["card-nylon-shell.pdf"]
    machine = json.loads((tmp_path / "windows.json").read_text("utf-8"))
    assert [w["fabric"] for w in machine["windows"]] == ["nylon shell"]
    assert machine["temperature_unit"] == "°F"
    text = told(tmp_path / "card-nylon-shell.pdf")
    box = PdfReader(tmp_path / "card-nylon-shell.pdf").pages[0].mediabox
    assert [float(side) for side in (box.width, box.height)] == pytest.approx([612, 792], abs=0.1)
    first = f"{machine['windows'][0]['target']['cure_temperature']:.0f} °F"
    assert first in text
    assert text.index(first) < text.index("°C")


def test_the_page_tells_when_the_last_entry_was_made(written: dict[str, Path]) -> None:
    html = written["report.html"].read_text("utf-8")
    machine = json.loads(written["windows.json"].read_text("utf-8"))
    moment = datetime.fromisoformat(machine["last_entry"])
    assert f"Data up to {moment:%Y-%m-%d %H:%M}." in html
    assert f"Data up to {moment:%Y-%m-%d}." in told(written["card-cotton-jersey.pdf"])


def test_a_new_book_without_a_press_still_gives_papers(tmp_path: Path) -> None:
    with dtfexp.Logbook.create(tmp_path / "new.dtfbook", SESSION) as open_book:
        paths = dtfexp.report(open_book, tmp_path / "out")
    assert len(paths) == 5
    text = told(tmp_path / "out" / "card-cotton-jersey.pdf")
    assert "NOT PROVEN" in text
    assert "No graded press of cotton jersey yet" in text
    machine = json.loads((tmp_path / "out" / "windows.json").read_text("utf-8"))
    assert machine["last_entry"] is None
    assert all(w["presses"] == 0 for w in machine["windows"])


def test_bad_arguments_are_one_clear_line(book: Path, tmp_path: Path) -> None:
    cases: list[tuple[type[Exception], str, dict[str, object]]] = [
        (dtfexp.SessionError, "silk", {"fabrics": ["silk"]}),
        (dtfexp.SessionError, "°C or °F", {"unit": "K"}),
        (dtfexp.DtfexpError, "A4, Letter", {"paper": "A5"}),
        (dtfexp.LogbookError, "fabrics is empty", {"fabrics": []}),
    ]
    for kind, words, options in cases:
        with pytest.raises(kind, match=words) as caught:
            dtfexp.report(book, tmp_path / "out", **options)  # type: ignore[arg-type]
        assert "\n" not in str(caught.value)
    with pytest.raises(dtfexp.LogbookError):
        dtfexp.report(tmp_path / "absent.dtfbook", tmp_path / "out")
    with pytest.raises(dtfexp.LogbookError, match="accepted a Logbook or the path of one"):
        dtfexp.report(7, tmp_path / "out")  # type: ignore[arg-type]
    assert not (tmp_path / "out").exists()


def test_a_cell_of_a_notebook_shows_the_same_window(book: Path) -> None:
    with dtfexp.Logbook.open(book) as open_book:
        fit = dtfexp.fit(open_book.session, open_book.results())
    shown = show_window(fit, "cotton jersey")
    window = fit.window("cotton jersey")
    html = shown._repr_html_().replace("\u00a0", " ")
    press = SESSION.factors[1]
    assert press.format(window.target["press_time"]) in html
    assert "<script" not in html and "<svg" in html
    assert repr(shown).startswith(f"cotton jersey: {window.expectation}")
    assert show_window(fit, "cotton jersey")._repr_html_() == shown._repr_html_()
    fahrenheit = show_window(fit, "cotton jersey", unit="°F").html.replace("\u00a0", " ")
    assert f"{convert(window.target['cure_temperature'], '°C', '°F'):.0f} °F" in fahrenheit
    stricter = show_window(fit, "nylon shell", pass_rate=0.95, confidence=0.95)
    assert "not proven" in repr(stricter)
    with pytest.raises(ValueError, match="pass_rate"):
        show_window(fit, "cotton jersey", pass_rate=90)


def test_against_an_earlier_book_the_report_says_what_moved(book: Path, tmp_path: Path) -> None:
    """The same words from paths, open logbooks and fits; and cards on the paper asked for."""
    earlier = tmp_path / "spring.dtfbook"
    session = dataclasses.replace(SESSION, name="Invented spring", fabrics=["Cotton Jersey"])
    with dtfexp.Logbook.create(earlier, session) as spring:
        spring.add(dtfexp.plan(session, 5, seed=1))
        for press in range(1, 6):
            spring.record(press, {"peel": 3 + press % 3, "wash": 4})
        with dtfexp.Logbook.open(book) as open_book:
            told = repr(dtfexp.compare_windows(spring, open_book))
            now = steps.earlier_session(str(book))
            papers = steps.write_papers(
                open_book,
                now,
                str(tmp_path / "cell"),
                None,
                "letter",
                steps.earlier_session(str(earlier)),
            )
    assert told == repr(dtfexp.compare_windows(earlier, book))
    assert told.startswith("cotton jersey\n") and "nylon" not in told
    dtfexp.report(book, tmp_path / "out", fabrics=["cotton jersey"], earlier=earlier)
    for folder in ("out", "cell"):
        html = (tmp_path / folder / "report.html").read_text(encoding="utf-8")
        part = html[html.index('<h2 id="moved">') : html.index('<h2 id="understood">')]
        assert "session Invented spring, 5 graded presses" in part
        assert "Then and now, cotton jersey" in part and "nylon" not in part
        for line in told.splitlines()[1:]:
            for cell in line.strip().split(": ", 1)[1].split(" | "):
                assert cell in part
    letter = PdfReader(next(path for path in papers if path.suffix == ".pdf")).pages[0].mediabox
    assert (float(letter.width), float(letter.height)) == (612, 792)  # 8.5 by 11 in, 72 to the inch


def test_a_worker_changes_no_byte(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = dtfexp.report(book, tmp_path / "alone")
    monkeypatch.setattr(side_by_side, "_further_cores", lambda: 1)
    beside = dtfexp.report(book, tmp_path / "beside")
    assert [path.read_bytes() for path in beside] == [path.read_bytes() for path in alone]
