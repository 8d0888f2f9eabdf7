"""A sheet file as a plain table of cells, whatever program wrote it; nothing is understood here.

CSV in UTF-8, UTF-16 or the Windows code page, parted by commas, semicolons or tabs; .xlsx from
any spreadsheet. What the bytes are decides, not the name of the file. Row numbers are those a
spreadsheet shows: the first row of the file is row 1.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from dtfexp.describe.errors import ResultsError

#: str, a number, bool, a date, None for an empty cell, or Unusable.
Cell = Any
#: How many of the cells of a row are headings that the session knows.
Recognise = Callable[[Sequence[Cell]], int]

ACCEPTED = "a results sheet saved as .xlsx, or as CSV text (UTF-8)"
_LARGEST_FILE = 20_000_000
_LARGEST_UNPACKED = 60_000_000
_MOST_ROWS = 20_000
_TITLE_ROWS = 10
_MOST_CELLS = 500
#: How .xlsx writes a line end or control sign, and the first sign of text that looks like one.
_ESCAPED = re.compile(r"_x(00[01][0-9A-Fa-f])_|_x005F_(?=x[0-9A-Fa-f]{4}_)")


@dataclass(frozen=True)
class Unusable:
    """A cell that holds no plain value: a formula, or an error of the spreadsheet."""

    what: str
    shown: str


@dataclass(frozen=True)
class Table:
    """The cells of one sheet. ``rows`` holds (row number, cells); blank rows are left out.

    ``guarded`` says that text may carry the apostrophe that keeps it from being a formula;
    ``exact`` that every row must have as many cells as the heading row.
    """

    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    guarded: bool
    exact: bool
    remarks: tuple[str, ...] = ()


def read(path: Path, recognise: Recognise) -> Table:
    """The table in ``path``, its first row the headings; ``ResultsError`` in one line if none."""
    content = _bytes_of(path)
    if content.startswith(b"PK\x03\x04"):
        return _workbook(path, content, recognise)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise ResultsError(
            f"{path.name}: an old .xls file, or one locked with a password; accepted is {ACCEPTED}"
        )
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        raise ResultsError(f"{path.name}: not a spreadsheet inside; accepted is {ACCEPTED}")
    text, remarks = _decode(path, content)
    return _csv(path, text, recognise, remarks)


def is_blank(cell: Cell) -> bool:
    """True for an empty cell and for one of spaces only."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def from_headings(path: Path, table: Table, recognise: Recognise) -> Table:
    """``table`` without the title rows above its headings.

    The heading row is the one, among the first ten, with the most headings that are known;
    of several, the first.
    """
    if not table.rows:
        raise ResultsError(f"{path.name}: the file has no rows; accepted is {ACCEPTED}")
    known = [recognise(cells) for _, cells in table.rows[:_TITLE_ROWS]]
    start = known.index(max(known))
    return Table(table.rows[start:], table.guarded, table.exact, table.remarks)


def _bytes_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise ResultsError(f"{path}: a folder; accepted is {ACCEPTED}")
        if path.stat().st_size > _LARGEST_FILE:
            raise ResultsError(
                f"{path.name}: larger than {_LARGEST_FILE // 1_000_000} MB; accepted is {ACCEPTED}"
            )
        content = path.read_bytes()
    except FileNotFoundError:
        raise ResultsError(f"{path}: there is no such file; check the name") from None
    except OSError as error:
        raise ResultsError(f"{path}: cannot be read ({error.strerror or error})") from None
    if not content.strip(b" \t\r\n\x00\xef\xbb\xbf\xff\xfe"):
        raise ResultsError(f"{path.name}: the file is empty; accepted is {ACCEPTED}")
    return content


def _decode(path: Path, content: bytes) -> tuple[str, tuple[str, ...]]:
    remarks: tuple[str, ...] = ()
    if content.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        raise _unreadable(path)
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        tries = ["utf-16"]
    else:
        tries = ["utf-8-sig", "cp1252"]
    for encoding in tries:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if re.search(r"[\x00-\x08\x0e-\x1f\x7f]", text):
            raise _unreadable(path)
        if encoding == "cp1252":
            remarks = (
                f"{path.name}: read as Windows text (code page 1252), because it is not UTF-8; "
                "look at accents and ° in the notes, or save it as .xlsx",
            )
        return text, remarks
    raise _unreadable(path)


def _unreadable(path: Path) -> ResultsError:
    return ResultsError(
        f"{path.name}: not a sheet: it holds bytes that are no text (binary, or an unknown "
        f"encoding); accepted is {ACCEPTED}"
    )


def _csv(path: Path, text: str, recognise: Recognise, remarks: tuple[str, ...]) -> Table:
    parted = re.match(r"sep=(.)\r?\n", text, re.IGNORECASE)
    skipped = 0
    delimiters = [",", ";", "\t"]
    if parted:
        # A first line that some spreadsheets write to say what parts the cells.
        text, skipped, delimiters = text[parted.end() :], 1, [parted[1]]
    best: tuple[int, int, Table] | None = None
    problem: ResultsError | None = None
    for delimiter in delimiters:
        try:
            rows = _split(path, text, delimiter, skipped)
        except ResultsError as error:
            problem = problem or error
            continue
        if not rows:  # nothing but delimiters
            raise ResultsError(f"{path.name}: the file has no rows; accepted is {ACCEPTED}")
        table = Table(rows, True, delimiter == ",", remarks)
        shown = [cells for _, cells in rows[:_TITLE_ROWS]]
        score = max((recognise(cells) for cells in shown), default=0)
        width = max((len(cells) for cells in shown), default=0)
        if best is None or (score, width) > best[:2]:
            best = (score, width, table)
    if best is None or (best[0] == 0 and problem is not None):
        raise problem or _unreadable(path)
    return best[2]


def _split(
    path: Path, text: str, delimiter: str, skipped: int
) -> tuple[tuple[int, tuple[Cell, ...]], ...]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows = []
    try:
        for number, cells in enumerate(reader, start=1 + skipped):
            if not all(is_blank(cell) for cell in cells):
                rows.append((number, tuple(cells)))
    except csv.Error as error:
        raise ResultsError(
            f"{path.name}, near line {reader.line_num + skipped}: the quotes do not close as they "
            f"should ({error}); accepted is {ACCEPTED}"
        ) from None
    return tuple(rows)


def _workbook(path: Path, content: bytes, recognise: Recognise) -> Table:
    import warnings
    import zipfile

    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            if sum(part.file_size for part in packed.infolist()) > _LARGEST_UNPACKED:
                raise ResultsError(f"{path.name}: too large once unpacked; accepted is {ACCEPTED}")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(content), data_only=False)
        sheets = [_cells(path, sheet) for sheet in book.worksheets]
    except ResultsError:
        raise
    except Exception as error:  # a broken file can fail anywhere inside the reader
        raise ResultsError(
            f"{path.name}: cannot be read as .xlsx ({type(error).__name__}); open it in a "
            f"spreadsheet and save it again; accepted is {ACCEPTED}"
        ) from None
    tables = [Table(rows, False, False) for rows in sheets if rows]
    if not tables:
        raise ResultsError(f"{path.name}: every sheet in it is empty; accepted is {ACCEPTED}")
    scores = [max(recognise(cells) for _, cells in table.rows[:_TITLE_ROWS]) for table in tables]
    return tables[scores.index(max(scores))]


def _cells(path: Path, sheet: Any) -> tuple[tuple[int, tuple[Cell, ...]], ...]:
    if sheet.max_row > _MOST_ROWS or sheet.max_column > _MOST_CELLS:
        raise ResultsError(
            f"{path.name}, sheet {sheet.title!r}: it reaches to row {sheet.max_row}, column "
            f"{sheet.max_column}; accepted are at most {_MOST_ROWS} rows and {_MOST_CELLS} columns "
            "(delete stray cells far out)"
        )
    rows = []
    for number, row in enumerate(sheet.iter_rows(min_row=1, min_col=1), start=1):
        cells = tuple(_cell(cell) for cell in row)
        if not all(is_blank(cell) for cell in cells):
            rows.append((number, cells))
    return tuple(rows)


def _cell(cell: Any) -> Cell:
    value = cell.value
    kind = getattr(cell, "data_type", "n")
    if kind == "f":
        text = value if isinstance(value, str) else getattr(value, "text", None) or "="
        return Unusable("a formula", str(text))
    if kind == "e":
        return Unusable("an error of the spreadsheet", str(value))
    if isinstance(value, str):
        return _ESCAPED.sub(lambda match: chr(int(match[1] or "5F", 16)), value)
    if value is None or isinstance(value, (bool, int, float, datetime, date, time)):
        return value
    return Unusable("no plain value", str(value))
