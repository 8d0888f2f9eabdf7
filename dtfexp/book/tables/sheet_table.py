"""A sheet file as a plain table of cells, whatever program wrote it; nothing is understood here.

CSV in UTF-8, UTF-16 or the Windows code page, parted by commas, semicolons or tabs; .xlsx from
any spreadsheet. What the bytes are decides, not the name of the file. Row numbers are those a
spreadsheet shows: the first row of the file is row 1.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import re
import stat
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dtfexp.book.tables import workbook_table
from dtfexp.book.tables.limits import MOST_CELLS, MOST_COLUMNS, MOST_ROWS
from dtfexp.book.tables.workbook_table import Block
from dtfexp.describe.errors import ResultsError

#: str, a number, bool, a date, None for an empty cell, or Unusable.
Cell = Any
#: How many of the cells of a row are headings that the session knows.
Recognise = Callable[[Sequence[Cell]], int]

ACCEPTED = "a results sheet saved as .xlsx, or as CSV text (UTF-8)"
_LARGEST_FILE = 20_000_000
_LARGEST_TEXT = 5_000_000
_MOST_BLANK = 5 * MOST_ROWS
_TITLE_ROWS = 10
#: A row with so many known headings heads a sheet of the kind that is looked for.
_KNOWN_HEADINGS = 3


@dataclass(frozen=True)
class Table:
    """The cells of one sheet. ``rows`` holds (row number, cells); blank rows are left out.

    ``guarded`` says that text may carry the apostrophe that keeps it from being a formula;
    ``exact`` that every row must have as many cells as the heading row; ``remarks`` what a reader
    should look at. ``digest`` is the SHA-256 of the file, ``title`` the sheet's name, ``others``
    what became of each other sheet, ``merged`` the blocks of merged cells.
    """

    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    guarded: bool
    exact: bool
    remarks: tuple[str, ...] = ()
    digest: str = ""
    title: str = ""
    others: tuple[str, ...] = ()
    merged: tuple[Block, ...] = ()


def read(path: Path, recognise: Recognise) -> Table:
    """Return the table in ``path``, its first row the headings; else ``ResultsError``."""
    content = _bytes_of(path)
    table = _table(path, content, recognise)
    return replace(table, digest=hashlib.sha256(content).hexdigest())


def _table(path: Path, content: bytes, recognise: Recognise) -> Table:
    if content.startswith(b"PK\x03\x04"):
        return _workbook(path, content, recognise)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise ResultsError(
            f"{path.name}: an old .xls file, or one locked with a password; accepted is {ACCEPTED}"
        )
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        raise ResultsError(f"{path.name}: not a spreadsheet inside; accepted is {ACCEPTED}")
    if len(content) > _LARGEST_TEXT:
        raise ResultsError(
            f"{path.name}: more than {_LARGEST_TEXT // 1_000_000} MB of text; accepted are at most "
            f"{MOST_ROWS} rows and {MOST_CELLS} cells"
        )
    text, remarks = _decode(path, content)
    return _csv(path, text, recognise, remarks)


def is_blank(cell: Cell) -> bool:
    """Return True for an empty cell and for one of spaces only."""
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
    return replace(table, rows=table.rows[start:])


def refuse_merged(file: str, table: Table, columns: Sequence[int]) -> None:
    """Refuse merged cells below the headings of the known ``columns`` (from 0).

    Only the first of them holds the value, and it is unknown which of the others it is for.
    """
    rows, known = [number for number, _ in table.rows[1:]], [index + 1 for index in columns]
    for block, row, column in workbook_table.merged_over(table.merged, rows, known):
        heading = table.rows[0][1][column - 1]
        raise ResultsError(
            f"{file}, row {row}, column {heading!r}: the cells {workbook_table.block_name(block)} "
            "are merged; accepted is one cell for each row, so unmerge them and write the value in "
            "every cell that it is meant for"
        )


def _bytes_of(path: Path) -> bytes:
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise ResultsError(f"{path}: a folder; accepted is {ACCEPTED}")
        if not stat.S_ISREG(found.st_mode):  # reading a pipe would wait for ever
            raise ResultsError(f"{path}: no plain file; accepted is {ACCEPTED}")
        if found.st_size > _LARGEST_FILE:
            raise ResultsError(
                f"{path.name}: larger than {_LARGEST_FILE // 1_000_000} MB; accepted is {ACCEPTED}"
            )
        content = path.read_bytes()
    except FileNotFoundError:
        raise ResultsError(f"{path}: there is no such file; check the name") from None
    except ValueError as error:  # a name that no file can have
        raise ResultsError(f"{path!s:.60}: cannot be read ({error})") from None
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
    count = 0
    try:
        for number, cells in enumerate(reader, start=1 + skipped):
            if not all(is_blank(cell) for cell in cells):
                rows.append((number, tuple(cells)))
                count += len(cells)
            _check_size(path, number, len(rows), len(cells), count)
    except csv.Error as error:
        if "field larger" in str(error):
            raise ResultsError(
                f"{path.name}, near line {reader.line_num + skipped}: a cell holds more than "
                f"{csv.field_size_limit()} characters, or its quotes do not close; accepted is "
                f"{ACCEPTED}"
            ) from None
        raise ResultsError(
            f"{path.name}, near line {reader.line_num + skipped}: the quotes do not close as they "
            f"should ({error}); accepted is {ACCEPTED}"
        ) from None
    return tuple(rows)


def _check_size(path: Path, number: int, rows: int, columns: int, cells: int) -> None:
    if (
        rows <= MOST_ROWS and columns <= MOST_COLUMNS and cells <= MOST_CELLS
        and number <= _MOST_BLANK
    ):  # fmt: skip
        return
    raise ResultsError(
        f"{path.name}, row {number}: too large; accepted are at most {MOST_ROWS} rows and "
        f"{MOST_COLUMNS} columns, {MOST_CELLS} cells in all"
    )


def _workbook(path: Path, content: bytes, recognise: Recognise) -> Table:
    """Return the visible sheet with the most known headings; the first in a tie."""
    found = workbook_table.sheets(path.name, content, ACCEPTED)
    scores = [
        max((recognise(cells) for _, cells in sheet.rows[:_TITLE_ROWS]), default=0)
        for sheet in found
    ]
    shown = [k for k, sheet in enumerate(found) if sheet.visible and sheet.rows]
    if not shown:
        hidden = [sheet.title for sheet in found if sheet.rows]
        if not hidden:
            raise ResultsError(f"{path.name}: every sheet in it is empty; accepted is {ACCEPTED}")
        text = ", ".join(map(repr, hidden))
        raise ResultsError(f"{path.name}: only hidden sheets hold anything ({text}); unhide the "
                           "one that is meant")  # fmt: skip
    best = max(shown, key=lambda k: scores[k])
    chosen, others, remarks = found[best], [], []
    for k, sheet in enumerate(found):
        if k == best:
            continue
        what = _left(sheet, scores[k])
        others.append(f"{sheet.title!r}: {what}")
        if sheet.rows and scores[k] >= _KNOWN_HEADINGS:
            remarks.append(
                f"{path.name}: sheet {sheet.title!r} has known headings too and was not read "
                f"({what}); import it from a file of its own if it counts"
            )
    if chosen.hidden_rows:
        remarks.append(
            f"{path.name}, sheet {chosen.title!r}: {chosen.hidden_rows} of its rows are hidden; "
            "they were read as well"
        )
    return Table(
        chosen.rows, False, False, tuple(remarks),
        title=chosen.title, others=tuple(others), merged=chosen.merged,
    )  # fmt: skip


def _left(sheet: workbook_table.Sheet, score: int) -> str:
    if not sheet.rows:
        return "empty"
    if not sheet.visible:
        return "hidden, not read"
    return "not read, another sheet comes first" if score >= _KNOWN_HEADINGS else "not read"
