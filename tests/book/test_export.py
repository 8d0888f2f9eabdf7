"""What a logbook writes out: four files that any program opens, and that carry no formula."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from dtfexp import Logbook, LogbookError, Session
from dtfexp.dialin.encode.results import check_results

NASTY = [
    "=1+1",
    '=HYPERLINK("http://example.invalid","press me")',
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    "'=already guarded",
    "''=twice",
    "'plain apostrophe",
    'commas, "quotes" and; semicolons',
    "two\nlines\tand a tab",
    "#N/A",
    "TRUE",
    "007",
    "_x0041_",
    "5 °F – ΔE é 日本 🔥",
    "-",
]


@pytest.fixture
def full(new_book):
    book = new_book(presses=len(NASTY))
    for press, note in enumerate(NASTY, start=1):
        book.record(press, {"peel": 1 + press % 5}, [f"d{press}", "haze"], note=note)
    book.record(1, {"wash": 4.5, "hand": 1}, actual={"press temperature": 317.25})
    book.record(2, {"colour change": 0.75}, block="=roll")
    book.exclude(3, "@fell on the floor")
    return book


def test_five_files_are_written(full: Logbook, tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "er"
    written = full.export(folder)
    names = ["results.csv", "results.xlsx", "history.csv", "session.toml", "logbook.json"]
    assert [path.name for path in written] == names
    assert sorted(path.name for path in folder.iterdir()) == sorted(names)
    assert Session.load(folder / "session.toml") == full.session


def test_results_csv_is_a_results_frame(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path)
    frame = pd.read_csv(tmp_path / "results.csv", dtype={"note": str}, keep_default_na=True)
    checked = check_results(full.session, frame)
    expected = check_results(full.session, full.results())
    names = [c for c in expected.columns if c not in ("defects", "note", "block")]
    pd.testing.assert_frame_equal(checked[names], expected[names])


def test_no_csv_cell_is_a_formula(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path)
    for name in ("results.csv", "history.csv"):
        content = (tmp_path / name).read_bytes()
        assert content.startswith(b"\xef\xbb\xbf")
        rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))
        assert len({len(row) for row in rows}) == 1
        for cell in (cell for row in rows for cell in row):
            assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
            if cell.startswith("-"):
                float(cell)


def test_history_csv_has_every_entry(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path)
    frame = pd.read_csv(tmp_path / "history.csv")
    assert len(frame) == len(full.history())
    assert pd.to_datetime(frame["time"], utc=True).notna().all()
    assert list(frame["id"]) == list(full.history()["id"])


def test_the_workbook_checks_what_is_typed(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "results.xlsx")
    assert book.sheetnames == ["results", "grading guide"]
    sheet = book["results"]
    head = {cell.value: cell.column_letter for cell in sheet[1]}
    assert "press temperature (°F)" in head
    assert "press temperature_actual (°F)" in head
    assert "cure time_actual (s)" in head
    assert "colour change (ΔE)" in head
    assert sheet.freeze_panes == "B2"
    last = len(NASTY) + 1
    checks = {str(check.sqref): check for check in sheet.data_validations.dataValidation}
    peel = checks[f"{head['peel']}2:{head['peel']}{last}"]
    assert (peel.type, peel.allow_blank, peel.showErrorMessage) == ("list", True, True)
    guide = book["grading guide"]
    assert peel.formula1.startswith("'grading guide'!"), "no = in front, or a spreadsheet balks"
    area = peel.formula1.split("!")[1].replace("$", "")
    assert [cell[0].value for cell in guide[area]] == [5, 4, 3, 2, 1]
    change = checks[f"{head['colour change (ΔE)']}2:{head['colour change (ΔE)']}{last}"]
    assert (change.type, change.formula1, change.formula2) == ("decimal", "0.0", "12.0")
    assert len(checks) == 4
    assert all(9 <= d.width <= 40 for d in sheet.column_dimensions.values())


def test_the_guide_says_every_grade(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path)
    guide = openpyxl.load_workbook(tmp_path / "results.xlsx")["grading guide"]
    rows = [[cell.value for cell in row] for row in guide.iter_rows(min_row=2)]
    peel = full.session.outcome("peel")
    for grade, sentence in peel.guide.items():
        assert ["peel", grade, sentence, "yes" if grade >= 4 else "no"] in rows
    assert any(row[0] == "wash (5 washes)" and row[1] == 4.5 for row in rows)
    assert any(row[0] == "colour change" and "2 ΔE or less passes" in row[2] for row in rows)


def test_no_workbook_cell_is_a_formula(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path)
    book = openpyxl.load_workbook(tmp_path / "results.xlsx")
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert kinds <= {"s", "n"}
    sheet = book["results"]
    column = next(cell.column for cell in sheet[1] if cell.value == "note")
    cells = [sheet.cell(row, column) for row in range(2, len(NASTY) + 2)]
    told = [cell.value.replace("_x005F_", "_") for cell in cells]
    assert told == NASTY
    assert all(cell.quotePrefix for cell in cells if cell.value[0] in "=+-@")


@pytest.mark.parametrize("name", ["results.csv", "results.xlsx"])
def test_a_fresh_book_filled_from_the_sheet_is_the_same(full, new_book, tmp_path, name) -> None:
    full.export(tmp_path / "out")
    fresh = new_book(presses=len(NASTY))
    taken = fresh.import_sheet(tmp_path / "out" / name)
    assert (taken.rows, taken.remarks) == (len(NASTY), ())
    pd.testing.assert_frame_equal(fresh.results(), full.results())
    assert fresh.history(3)["excluded"].tolist() == ["@fell on the floor"]
    again = fresh.import_sheet(tmp_path / "out" / name)
    assert (again.added, again.unchanged) == (0, len(NASTY))
    assert full.import_sheet(tmp_path / "out" / name).added == 0


def test_exporting_again_replaces_what_was_exported(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path / "out")
    full.record(1, {"peel": 1})
    full.export(tmp_path / "out")
    assert len(list((tmp_path / "out").iterdir())) == 5
    frame = pd.read_csv(tmp_path / "out" / "results.csv")
    assert frame["peel"].iloc[0] == 1


def test_a_sheet_typed_into_is_never_overwritten(full: Logbook, tmp_path: Path) -> None:
    full.export(tmp_path / "out")
    sheet = tmp_path / "out" / "results.csv"
    typed = sheet.read_bytes() + b"typed by hand"
    sheet.write_bytes(typed)
    told = full.export(tmp_path / "out")
    (kept,) = (tmp_path / "out").glob("results.changed-by-hand.*.csv")
    assert told[-1] == kept
    assert kept.read_bytes() == typed
    assert sheet.read_bytes() != typed
    sheet.write_bytes(typed + b"!")
    full.export(tmp_path / "out")
    assert len(list((tmp_path / "out").glob("results.changed-by-hand.*.csv"))) == 2


def test_a_folder_that_cannot_be_made_is_said(full: Logbook, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(LogbookError, match="cannot be written") as caught:
        full.export(tmp_path / "file")
    assert "\n" not in str(caught.value)


def test_an_empty_book_is_exported_too(new_book, tmp_path: Path) -> None:
    book = new_book(presses=0)
    book.export(tmp_path / "out")
    assert len(pd.read_csv(tmp_path / "out" / "results.csv")) == 0
    assert openpyxl.load_workbook(tmp_path / "out" / "results.xlsx")["results"].max_row == 1


def test_names_that_collide_with_sheet_columns_still_come_back(tmp_path: Path) -> None:
    from dtfexp import Factor, Outcome
    from dtfexp.dialin.design.plan import Plan

    session = Session(
        "odd names",
        [
            Factor("load", 1, 5, step=1),
            Factor("pressure (bar)", 1, 5, "bar", step=0.5),
            Factor("%rh", 1, 90, "%", step=1),
        ],
        [Outcome("notes"), Outcome("book_entry")],
        ["cotton"],
    )
    runs = pd.DataFrame(
        {
            "press": [1, 2],
            "fabric": ["cotton"] * 2,
            "oven_load": [1, 1],
            "press_round": [1, 1],
            "load": [2.0, 3.0],
            "pressure (bar)": [2.0, 3.0],
            "%rh": [40.0, 50.0],
        }
    )
    plan = Plan(session, runs, "auto", 0)
    with (
        Logbook.create(tmp_path / "a.dtfbook", session) as book,
        Logbook.create(tmp_path / "b.dtfbook", session) as other,
        Logbook.create(tmp_path / "c.dtfbook", session) as third,
    ):
        for each in (book, other, third):
            each.add(plan)
        book.record(
            1, {"notes": 3, "book_entry": 4}, actual={"%rh": 41, "pressure (bar)": "30 psi"}
        )
        book.export(tmp_path / "out")
        other.import_sheet(tmp_path / "out" / "results.csv")
        third.import_sheet(tmp_path / "out" / "results.xlsx")
        pd.testing.assert_frame_equal(other.results(), book.results())
        pd.testing.assert_frame_equal(third.results(), book.results())


def test_the_same_results_give_the_same_workbook_bytes_whenever_it_is_written(
    book: Logbook, tmp_path: Path
) -> None:
    book.export(tmp_path / "one")
    book.export(tmp_path / "two")
    one, two = (tmp_path / name / "results.xlsx" for name in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()
    # Nor would tomorrow change them: no part of the file holds a moment.
    with zipfile.ZipFile(one) as packed:
        assert {part.date_time for part in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        year = str(datetime.now().year).encode()
        assert not [name for name in packed.namelist() if year + b"-" in packed.read(name)]
    assert openpyxl.load_workbook(two).sheetnames == ["results", "grading guide"]
