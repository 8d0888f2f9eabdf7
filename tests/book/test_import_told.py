"""What an import did: with every sheet, column and cell; where each value came from; taken back."""

from __future__ import annotations

import hashlib
from pathlib import Path

import openpyxl
import pytest

from dtfexp import Logbook, LogbookError, ResultsError

# The plan of conftest: press 1 is cotton jersey, load 1, round 1, 60 s, 325 °F, hot.


def workbook(path: Path, **sheets: list[list[object]]) -> Path:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for title, rows in sheets.items():
        sheet = made.create_sheet(title.removeprefix("hidden_"))
        if title.startswith("hidden_"):
            sheet.sheet_state = "hidden"
        for row in rows:
            sheet.append(row)
    made.save(path)
    return path


def test_every_sheet_column_and_cell_is_told(book: Logbook, tmp_path: Path) -> None:
    path = workbook(
        tmp_path / "a.xlsx",
        shopping=[["film", 3]],
        results=[["press", "fabric", "peel", "mood", "note"], [1, None, 4, "sunny", None],
                 [2, "nylon shell", 5, None, "x"]],
        June=[["press", "peel"], [1, 1]],
        empty=[],
        hidden_old=[["press", "peel", "wash"], [1, 2, 2]],
    )  # fmt: skip
    taken = book.import_sheet(path)
    assert (taken.file, taken.sheet) == ("a.xlsx", "results")
    assert taken.digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert [str(column) for column in taken.columns] == [
        "'press': the number of the press, 2 cells, 0 new",
        "'fabric': compared with the plan, 1 cell, 0 new",
        "'peel': grade of peel, 2 cells, 2 new",
        "'note': note, 1 cell, 1 new",
        "'mood': not known, left out (1 cell)",
    ]
    assert taken.other_sheets == (
        "'shopping': not read",
        "'June': not read, another sheet comes first",
        "'empty': empty",
        "'old': hidden, not read",
    )
    told = repr(taken)
    assert "a.xlsx, sheet 'results': 2 rows read, 2 entries added, 0 rows unchanged." in told
    assert "sheet 'June' has known headings too and was not read" in told
    assert "sheet 'old' has known headings too and was not read (hidden" in told
    assert "not known" in taken._repr_html_() and "<script" not in taken._repr_html_()


def test_a_hidden_sheet_never_wins(book: Logbook, tmp_path: Path) -> None:
    results = [["press", "peel", "wash"], [1, 2, 2]]
    path = workbook(tmp_path / "a.xlsx", hidden_first=results, second=[["press", "peel"], [1, 5]])
    book.import_sheet(path)
    assert book.history()["peel"].tolist() == [5]
    path = workbook(tmp_path / "b.xlsx", first=[["a"]], hidden_second=results)
    with pytest.raises(ResultsError, match="no column 'press'"):
        book.import_sheet(path)
    path = workbook(tmp_path / "c.xlsx", first=[], hidden_second=results)
    with pytest.raises(ResultsError, match="only hidden sheets hold anything \\('second'\\)"):
        book.import_sheet(path)


@pytest.mark.parametrize(
    ("block", "told"),
    [
        ("B2:B3", "row 2, column 'peel': the cells B2:B3 are merged"),
        ("B3:C3", "row 3, column 'peel': the cells B3:C3 are merged"),
        ("B1:B2", "row 2, column 'peel': the cells B1:B2 are merged"),
        ("A1:XFD1048576", "row 2, column 'press': the cells A1:XFD1048576 are merged"),
    ],
)
def test_merged_cells_that_hold_results_are_refused(book, tmp_path, block, told) -> None:
    made = openpyxl.Workbook()
    for row in (["press", "peel", "wash"], [1, 4, None], [2, 5, None]):
        made.active.append(row)
    # Set beside openpyxl, which would lay out every cell of the block.
    made.active.merged_cells.add(block)
    made.save(tmp_path / "a.xlsx")
    with pytest.raises(ResultsError, match=told):
        book.import_sheet(tmp_path / "a.xlsx")


def test_merged_titles_and_remarks_elsewhere_are_no_matter(book: Logbook, tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    for row in (["Shirts of May"], ["press", "peel", "mood"], [1, 4, "sunny"], [2, 5, None]):
        made.active.append(row)
    for block in ("A1:C1", "C3:C4", "A9:C9"):
        made.active.merge_cells(block)
    made.active.row_dimensions[3].hidden = True
    made.save(tmp_path / "a.xlsx")
    taken = book.import_sheet(tmp_path / "a.xlsx")
    assert taken.added == 2
    assert any("1 of its rows are hidden; they were read as well" in one for one in taken.remarks)


def test_each_value_knows_where_it_came_from(book: Logbook, take, tmp_path: Path) -> None:
    book.record(1, {"peel": 4})
    take("press,peel,wash\n1,4,3\n2,5,\n", "may.csv")
    path = workbook(tmp_path / "b.xlsx", June=[["press", "wash"], [2, 4]])
    book.import_sheet(path)
    history = book.history()
    assert history["from_file"].tolist() == ["", "may.csv, row 2", "may.csv, row 3",
                                             "b.xlsx, sheet 'June', row 2"]  # fmt: skip
    imports = book.imports()
    assert imports["file"].tolist() == ["may.csv", "b.xlsx"]
    assert imports["digest"].iloc[1] == hashlib.sha256(path.read_bytes()).hexdigest()
    (first, _) = book.kept("import")
    assert first.said["columns"] == {"grade/peel": "peel", "grade/wash": "wash"}
    assert set(first.said["entries"].values()) == {2, 3}


def test_an_import_that_says_nothing_new_leaves_no_trace(book: Logbook, take) -> None:
    take("press,peel\n1,4\n")
    assert take("press,peel\n1,4\n").id == ""
    assert len(book.imports()) == 1


def test_an_import_is_taken_back_whole_and_may_come_again(book: Logbook, take, tmp_path) -> None:
    book.record(1, {"peel": 2}, note="bench")
    text = (
        "press,peel,wash,note,cure look,excluded\n"
        "1,4,3,sheet,good,\n2,5,4,,,\n3,1,,,,slipped\n3,5,,,,\n4,4,,,,yes\n5,,,kept,grainy,\n"
    )
    taken = take(text)
    assert taken.spoiled == 1
    book.record(2, {"wash": 1})  # corrected since: that is no part of the import
    before = len(book.history())
    # Presses 1, 2, 3, 4 and 5, and the looks of two loads.
    assert book.undo_import() == 7
    found = book.results().set_index("press")
    assert (found.loc[1, "peel"], found.loc[1, "note"]) == (2, "bench")
    assert found["wash"].dropna().to_dict() == {2: 1}
    assert found["peel"].dropna().to_dict() == {1: 2}
    assert not found["excluded"].any() and "cure_look" not in found
    history = book.history()
    assert len(history) == before + 5
    assert (history["from_file"].tail(5) == "import of shop.csv taken back").all()
    assert book.imports()["taken_back"].tolist() == [True]
    with pytest.raises(LogbookError, match="no import stands in this book"):
        book.undo_import()
    again = take(text)
    assert again.added == 7, "all of it but the spoiled try, which is in the history already"
    found = book.results().set_index("press")
    assert (found.loc[1, "peel"], found.loc[2, "peel"], found.loc[3, "peel"]) == (4, 5, 5)
    assert found["cure_look"].tolist() == ["good"] * 4 + ["grainy"] * 4
    # Kept through an archive.
    book.export(tmp_path / "out")
    with Logbook.restore(tmp_path / "out" / "logbook.json", tmp_path / "r.dtfbook") as other:
        assert other.history()["from_file"].tolist() == book.history()["from_file"].tolist()
        assert other.undo_import() == 7


def test_one_of_several_imports_is_taken_back_by_its_file_or_id(book: Logbook, take) -> None:
    first = take("press,peel\n1,4\n2,4\n", "a.csv")
    take("press,peel\n1,5\n3,5\n", "b.csv")
    book.undo_import("a.csv")
    assert book.results().set_index("press")["peel"].dropna().to_dict() == {1: 5, 3: 5}
    with pytest.raises(LogbookError, match=r"no import 'a\.csv' stands.* of one: b\.csv"):
        book.undo_import(first.file)
    book.undo_import(book.imports()["import"].iloc[1])
    assert book.results()["peel"].isna().all()


def test_whole_numbers_with_a_mark_in_them_are_never_guessed(fault) -> None:
    for wrong in ("1.000", "1,000", "1'000"):
        message = fault(f'press;peel\n"{wrong}";4\n')
        assert "row 2, column 'press'" in message and "1 to 8" in message
    assert "'1.000'" in fault("press,oven_load,peel\n1,1.000,4\n")
