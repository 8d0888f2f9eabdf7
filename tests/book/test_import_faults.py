"""Sheets that are wrong: nothing of them is taken in, and one line says where and why."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import pytest

from dtfexp import Logbook, ResultsError

# The plan of conftest: press 1 is cotton jersey, load 1, round 1, 60 s, 325 °F, hot.


def names(message: str, *parts: str) -> None:
    for part in parts:
        assert part in message, message


def test_grades_that_are_none(fault) -> None:
    for wrong in ("6", "0", "3.5", "ok", "4,5", "4-5", "=2+2", "4 F", "1e9", "yes", "four"):
        message = fault(f'press,peel\n1,5\n2,"{wrong}"\n')
        names(message, "shop.csv, row 3, column 'peel'", repr(wrong), "one of 1, 2, 3, 4, 5")
    names(fault("press,wash\n2,4.25\n"), "row 2", "'4.25'", "steps of 0.5")
    names(fault("press,hand\n2,maybe\n"), "row 2", "'maybe'", "pass")
    names(fault("press,colour change\n2,13\n"), "'13'", "0 to 12 ΔE")
    names(fault("press,colour change\n2,red\n"), "'red'", "number")


def test_presses_that_are_not_planned(fault, new_book, tmp_path) -> None:
    for wrong in ("9", "0", "-1", "1.5", "one", ""):
        message = fault(f"press,peel\n1,5\n{wrong},4\n")
        names(message, "shop.csv, row 3, column 'press'", "planned press (1 to 8)")
    empty = new_book(presses=0)
    (tmp_path / "a.csv").write_text("press,peel\n1,4\n")
    with pytest.raises(ResultsError, match="none yet, add a plan first"):
        empty.import_results(tmp_path / "a.csv")


def test_a_press_that_stands_twice(fault) -> None:
    message = fault("press,peel\n1,5\n2,4\n1,4\n")
    names(message, "row 4, column 'press'", "the value is 1", "row 2 already", "'excluded'")
    fault("press,peel,excluded\n1,5,\n1,4,\n1,4,slipped\n")
    fault("press,peel,excluded\n1,5,\n1,4,no\n")


def test_settings_that_differ_from_the_plan(fault) -> None:
    message = fault("press,press temperature,peel\n1,330,4\n")
    names(
        message,
        "row 2, column 'press temperature'",
        "'330'",
        "the plan says 325 °F for press 1",
        "'press temperature_actual'",
    )
    names(fault("press,press temperature (°C),peel\n1,161,4\n"), "'161'", "325 °F")
    names(fault("press,press temperature,peel\n1,163 C,4\n2,162 C,4\n"), "row 3", "320 °F")
    names(fault("press,peel wait,peel\n1,cold,4\n"), "'cold'", "the plan says hot")
    names(fault("press,fabric,peel\n1,nylon shell,4\n"), "'nylon shell'", "says cotton jersey")
    names(fault("press,oven_load,peel\n1,2,4\n"), "column 'oven_load'", "'2'", "the plan says 1")
    names(fault("press,press_round,peel\n1,x,4\n"), "column 'press_round'", "'x'")


def test_readings_that_are_none(fault) -> None:
    for wrong in ("hot", "305 s", "305,5,1", "1,234", "-600", "305 K", "3 0 5"):
        message = fault(f'press,press temperature_actual,peel\n1,"{wrong}",4\n')
        names(message, "row 2, column 'press temperature_actual'", repr(wrong), "°F")
    names(fault("press,peel wait_actual\n1,tepid\n"), "'tepid'", "hot, warm, cold")


def test_a_decimal_comma_in_a_comma_file_is_never_misread(fault) -> None:
    message = fault("press,press temperature_actual,peel\n1,305,5,4\n")
    names(message, "row 2, column 4", "the value is '4'", "decimal comma")
    message = fault("press,press temperature_actual,peel,,\n1,305,5,4,\n")
    names(message, "row 2, column 4", "decimal comma")
    names(fault("press,press temperature_actual,peel,wash,note\n1,305,5,4\n"), "row 2", "4 cells")


def test_headings_that_are_wrong(fault) -> None:
    names(fault("peel,wash\n4,5\n"), "row 1", "no column 'press'", "peel")
    names(fault("pres,peel\n1,4\n"), "row 1, column 1", "'pres'", "'press'")
    names(fault("press,peal\n1,4\n"), "row 1, column 2", "'peal'", "'peel'")
    names(fault("press,colour chnage\n1,4\n"), "'colour chnage'", "'colour change'")
    names(fault("press,peel,press temp\n1,4,320\n"), "'press temp'", "'press temperature'")
    names(fault("press,peel,excuded\n1,4,yes\n"), "'excuded'", "'excluded'")
    names(fault("press,peel,Peel\n1,4,4\n"), "row 1, column 3", "'Peel'", "already")
    names(fault("press,mood\n1,4\n"), "no column with a grade", "peel, wash, colour change, hand")
    names(fault("press,press temperature_actual (K)\n1,4\n"), "'K'", "°F")
    names(fault("press,cure time_actual (°F)\n1,4\n"), "'°F'", "accepted is s")
    names(fault("press,peel\n"), "no rows below")
    names(fault("press,peel,\n1,4,stray\n"), "row 2, column 3", "'stray'", "without a heading")


def test_files_that_are_no_sheet(fault, book: Logbook, tmp_path: Path) -> None:
    names(fault(""), "shop.csv", "the file is empty", ".xlsx")
    names(fault(" \r\n\r\n"), "the file is empty")
    names(fault(b"\xff\xfe"), "the file is empty")
    names(fault(",,,\n,,\n"), "no rows")
    names(fault(bytes(range(256)) * 4), "binary")
    names(fault(b"\x89PNG\r\n\x1a\n\x00\x00"), "binary")
    names(fault(b"press,peel\n1,4\x00\n"), "binary")
    names(fault("press,peel\n1,4\n".encode("utf-16-le")), "binary")
    names(fault("press,peel\n1,4\n".encode("utf-32")), "encoding")
    names(fault(b"press,peel,note\n1,4," + b"\x81\x8d\n"), "encoding")
    names(fault(b"PK\x03\x04" + bytes(50), "a.xlsx"), "a.xlsx", "cannot be read as .xlsx")
    names(fault("press,peel\n1,4\n", "a.xlsx"), "not a spreadsheet inside")
    names(fault(b"\xd0\xcf\x11\xe0" + bytes(500), "a.xls"), "old .xls file")
    names(fault('press,peel,note\n1,4,"open\n'), "near line", "quotes")
    names(fault("\n".join("just prose, with commas" for _ in range(5))), "no column 'press'")
    for path, says in ((tmp_path / "no.csv", "no such file"), (tmp_path, "a folder")):
        with pytest.raises(ResultsError, match=says):
            book.import_results(path)


def test_a_zip_that_is_no_workbook(fault) -> None:
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("content.xml", "<a/>")
    names(fault(out.getvalue(), "a.ods"), "a.ods", "cannot be read as .xlsx")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("bomb", bytes(70_000_000))
    names(fault(out.getvalue(), "a.xlsx"), "too large once unpacked")


def test_cells_of_a_workbook_that_are_no_value(fault) -> None:
    names(
        fault([["press", "peel"], [1, 4], [2, "=B2+1"]]),
        "shop.xlsx, row 3, column 'peel'",
        "a formula",
        "'=B2+1'",
        "paste as values",
    )
    names(fault([["press", "peel"], ["=1", 4]]), "row 2, column 'press'", "a formula")
    names(fault([["press", "peel"], [1, "#REF!"]]), "row 2, column 'peel'", "#REF!")
    message = fault([["press", "wash"], [1, date(2026, 5, 4)]])
    names(message, "column 'wash'", "2026-05-04", "made a date")
    names(fault([["press", "peel"], [1, True]]), "column 'peel'", "True")
    names(fault([["press", "peel"], [1, 3.5]]), "3.5", "one of 1, 2, 3, 4, 5")
    names(fault([["press", "peel"], [True, 4]]), "column 'press'", "True")
    far = [["press", "peel"], [1, 4], *([] for _ in range(3))]
    far.append([None] * 600 + ["stray"])
    names(fault(far), "column 601", "stray cells")


def test_one_wrong_row_keeps_all_others_out(book: Logbook, fault) -> None:
    rows = "".join(f"{press},4\n" for press in range(1, 8))
    names(fault("press,peel\n" + rows + "8,nine\n"), "row 9")
    assert book.results()["peel"].isna().all()
