"""The results as a workbook to type into: checked cells, units in the headings, a grading guide."""

from __future__ import annotations

import io
import math
import re
import zipfile
from typing import TYPE_CHECKING, Any

from dtfexp.book.sheets import sheet_columns
from dtfexp.book.store import entries
from dtfexp.describe import fields

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session

_GUIDE = "grading guide"
#: The parts of a workbook's properties that tell when it was written, and the first date of a zip.
_MOMENT = re.compile(rb"<dcterms:(created|modified)\b[^>]*>[^<]*</dcterms:\1>")
_NO_DATE = (1980, 1, 1, 0, 0, 0)
_WIDEST = 40
#: In .xlsx the text _x0041_ means the letter A; escaping its first sign keeps it as it is.
_LOOKS_ESCAPED = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")


def workbook_bytes(session: Session, results: pd.DataFrame) -> bytes:
    """``results`` (as ``exporting.sheet_frame`` makes it) as an .xlsx file.

    Every number that was set has an empty column for what was really reached. Grade cells offer
    and accept only the grades of their outcome; an import checks everything again, because a
    spreadsheet does not check what is pasted.
    """
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = "results"
    guide = book.create_sheet(_GUIDE)
    ranges = _write_guide(guide, session)
    frame = _with_readings(session, results)
    _write_results(sheet, session, frame)
    _add_checks(sheet, session, list(frame.columns), len(frame) + 1, ranges)
    out = io.BytesIO()
    book.save(out)
    return _undated(out.getvalue())


def _undated(content: bytes) -> bytes:
    """Remove the time of writing: the same results give the same bytes."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as written,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as undated,
    ):
        for name in written.namelist():
            part = written.read(name)
            if name == "docProps/core.xml":
                part = _MOMENT.sub(b"", part)
            undated.writestr(zipfile.ZipInfo(name, _NO_DATE), part, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _with_readings(session: Session, results: pd.DataFrame) -> pd.DataFrame:
    frame = results.copy()
    place = list(frame.columns).index("excluded")
    for factor in session.factors:
        name = f"{factor.name}_actual"
        if factor.is_numeric and name not in frame:
            frame.insert(place, name, float("nan"))
            place += 1
    return frame


def _heading(session: Session, name: str) -> str:
    """Return the name with its unit in brackets, which an import reads back."""
    unit = {f"{f.name}{tail}": f.unit for f in session.factors for tail in ("", "_actual")}
    unit |= {outcome.name: outcome.unit for outcome in session.outcomes}
    return f"{name} ({unit[name]})" if unit.get(name) else name


def _write_results(sheet: Any, session: Session, frame: pd.DataFrame) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    to_fill = {o.name for o in session.outcomes} | {"excluded", sheet_columns.REASON}
    to_fill |= {f"{f.name}_actual" for f in session.factors} | {
        entries.DEFECTS,
        entries.NOTE,
        sheet_columns.LOOK,
    }
    names = [str(name) for name in frame.columns]
    for column, name in enumerate(names, start=1):
        head = _put(sheet, 1, column, _heading(session, name))
        head.font = Font(bold=True)
        head.alignment = Alignment(wrap_text=True, vertical="top")
        shade = "FFF2CC" if name in to_fill else "E7E6E6"
        head.fill = PatternFill("solid", start_color=shade)
        longest = max([len(name), *(len(str(value)) for value in frame[name].dropna())])
        wide = (
            _WIDEST if name in (entries.NOTE, sheet_columns.REASON) else min(longest + 2, _WIDEST)
        )
        sheet.column_dimensions[get_column_letter(column)].width = max(9, wide)
    for row, cells in enumerate(frame.itertuples(index=False, name=None), start=2):
        for column, value in enumerate(cells, start=1):
            cell = _put(sheet, row, column, value)
            if names[column - 1] in (entries.NOTE, sheet_columns.REASON):
                cell.alignment = Alignment(wrap_text=True, vertical="top")
    # The headings and the press numbers stay in sight.
    sheet.freeze_panes = "B2"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"


def _put(sheet: Any, row: int, column: int, value: Any) -> Any:
    """Write one cell; text always as text, whatever it looks like."""
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        if value:
            cell.value = _LOOKS_ESCAPED.sub("_x005F_", value)
            cell.data_type = "s"
            # Text that looks like a formula stays text also after someone edits the cell.
            cell.quotePrefix = value[0] in "=+-@"
    elif isinstance(value, float):
        cell.value = None if math.isnan(value) else fields.int_if_whole(value)
    elif value is not None:
        cell.value = int(value)
    return cell


def _write_guide(sheet: Any, session: Session) -> dict[str, str]:
    """Write the guide's sheet; return, per graded outcome, the cells with its grades."""
    from openpyxl.styles import Alignment, Font

    for column, (heading, width) in enumerate(
        (("outcome", 22), ("grade", 8), ("what it means", 70), ("passes", 9)), start=1
    ):
        _put(sheet, 1, column, heading).font = Font(bold=True)
        sheet.column_dimensions["ABCD"[column - 1]].width = width
    ranges = {}
    row = 2
    for outcome in session.outcomes:
        first = row
        for grade, sentence in _lines(outcome):
            _put(sheet, row, 1, _title(outcome))
            _put(sheet, row, 2, grade)
            _put(sheet, row, 3, sentence).alignment = Alignment(wrap_text=True, vertical="top")
            passes = grade is not None and outcome.passes(grade)
            _put(sheet, row, 4, "yes" if passes else "" if grade is None else "no")
            row += 1
        if outcome.grades:
            ranges[outcome.name] = f"'{_GUIDE}'!$B${first}:$B${row - 1}"
    notes = (
        "Judge on dry, cold cloth, washes at least some hours after the last wash.",
        "Leave a grade blank while it is not known. Write what was really reached in the columns "
        "that end in _actual.",
        "A press made twice has two rows; say in 'excluded' why one of them does not count.",
    )
    for line in notes:
        row += 1
        _put(sheet, row, 1, line)
    sheet.freeze_panes = "A2"
    return ranges


def _title(outcome: Outcome) -> str:
    if outcome.washes is None:
        return outcome.name
    return f"{outcome.name} ({outcome.washes} wash{'' if outcome.washes == 1 else 'es'})"


def _lines(outcome: Outcome) -> list[tuple[float | None, str]]:
    if outcome.grades:
        return [(grade, outcome.guide.get(grade, "")) for grade in reversed(outcome.grades)]
    unit = f" {outcome.unit}" if outcome.unit else ""
    better = "or more" if outcome.sign > 0 else "or less"
    return [(None, f"measured: {outcome.accepted}; {outcome.accept:g}{unit} {better} passes")]


def _add_checks(
    sheet: Any, session: Session, names: list[str], last: int, ranges: dict[str, str]
) -> None:
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    if last < 2:
        return
    for outcome in session.outcomes:
        letter = get_column_letter(names.index(outcome.name) + 1)
        if outcome.grades:
            check = DataValidation(type="list", formula1=ranges[outcome.name])
        else:
            low, high = sorted((outcome.worst, outcome.best))
            check = DataValidation(
                type="decimal", operator="between", formula1=f"{low!r}", formula2=f"{high!r}"
            )
        check.allow_blank = True
        check.showErrorMessage = True
        check.errorTitle = outcome.name[:32]
        check.error = f"{outcome.accepted}, or blank while it is not known"[:255]
        check.showInputMessage = True
        check.promptTitle = outcome.name[:32]
        check.prompt = f"{outcome.accepted}; see the sheet '{_GUIDE}'"[:255]
        sheet.add_data_validation(check)
        check.add(f"{letter}2:{letter}{last}")
