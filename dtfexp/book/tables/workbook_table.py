"""The sheets of an .xlsx file as plain cells, read within bounds.

A few kilobytes can stand for millions of cells: merged to the end of the sheet, packed tightly, or
formatted and empty. So every part is first counted as it streams by, and only a file within the
limits is read; merged cells are never laid out.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

from dtfexp.book.tables.limits import MOST_CELLS, MOST_COLUMNS, MOST_ROWS, column_letters
from dtfexp.describe.errors import ResultsError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

#: (first row, first column, last row, last column), from 1.
Block = tuple[int, int, int, int]

_MOST_PARTS = 1000
_LARGEST_UNPACKED = 40_000_000
#: A part that is packed this tightly, and is no longer small, holds no sheet that a person typed.
_TIGHTEST, _SMALL = 100, 2_000_000
_MOST_ELEMENTS = 1_500_000
_MOST_MERGES = 1000
_DEEPEST = 100
_CHUNK = 65_536
_REFERENCE = re.compile(r"\$?([A-Za-z]{1,3})\$?([0-9]{1,7})")
#: How .xlsx writes a line end or control sign, and the first sign of text that looks like one.
_ESCAPED = re.compile(r"_x(00[01][0-9A-Fa-f])_|_x005F_(?=x[0-9A-Fa-f]{4}_)")


@dataclass(frozen=True)
class Unusable:
    """A cell that holds no plain value: a formula, or an error of the spreadsheet."""

    what: str
    shown: str


def shown(cell: object) -> str:
    """Return a cell on one line of a message."""
    return " ".join(str(cell.shown if isinstance(cell, Unusable) else cell).split())


@dataclass(frozen=True)
class Sheet:
    """One sheet.

    ``rows`` holds (row number, cells) without blank rows; ``merged`` the blocks of merged cells;
    ``hidden_rows`` the number of hidden rows.
    """

    title: str
    visible: bool
    rows: tuple[tuple[int, tuple[Any, ...]], ...]
    merged: tuple[Block, ...]
    hidden_rows: int


@dataclass
class _Counted:
    """What one part of the file holds, counted before anything is read."""

    row: int = 0
    cells: int = 0
    merged: list[Block] = field(default_factory=list)
    hidden_rows: int = 0


def sheets(file: str, content: bytes, accepted: str) -> list[Sheet]:
    """Every sheet of the workbook; ``ResultsError`` for one that is too large or no workbook."""
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            counted = _count_all(file, packed, accepted)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(
                io.BytesIO(content), read_only=True, data_only=False, keep_links=False
            )
            return [_sheet(sheet, counted) for sheet in book.worksheets]
    except ResultsError:
        raise
    except Exception as error:  # a broken file can fail anywhere inside the reader
        raise ResultsError(
            f"{file}: cannot be read as .xlsx ({type(error).__name__}); open it in a "
            f"spreadsheet and save it again; accepted is {accepted}"
        ) from None


def _sheet(sheet: Any, counted: dict[str, _Counted]) -> Sheet:
    facts = counted.get(str(sheet._worksheet_path).lstrip("/"), _Counted())
    sheet.reset_dimensions()  # what the file says of its size may be anything
    rows = []
    for number, row in enumerate(sheet.iter_rows(), start=1):
        cells = tuple(_cell(cell) for cell in row)
        if not all(cell is None or (isinstance(cell, str) and not cell.strip()) for cell in cells):
            rows.append((number, cells))
    visible = sheet.sheet_state == "visible"
    return Sheet(str(sheet.title), visible, tuple(rows), tuple(facts.merged), facts.hidden_rows)


def _count_all(file: str, packed: zipfile.ZipFile, accepted: str) -> dict[str, _Counted]:
    parts = packed.infolist()
    if len(parts) > _MOST_PARTS or sum(part.file_size for part in parts) > _LARGEST_UNPACKED:
        raise ResultsError(
            f"{file}: too large once unpacked; accepted is {accepted}, at most "
            f"{_LARGEST_UNPACKED // 1_000_000} MB unpacked"
        )
    for part in parts:
        if part.file_size > _SMALL and part.file_size > _TIGHTEST * max(part.compress_size, 1):
            raise ResultsError(
                f"{file}: its part {part.filename!r} is packed {_TIGHTEST} times smaller than it "
                f"is, as no sheet is that somebody typed; accepted is {accepted}"
            )
    counted = {}
    elements = 0
    for part in parts:
        if part.filename.casefold().endswith((".xml", ".rels")):
            with packed.open(part) as stream:
                found, number = _count(file, part.filename, stream, elements)
            elements += number
            counted[part.filename] = found
    return counted


def _count(file: str, part: str, stream: Any, before: int) -> tuple[_Counted, int]:
    """Count one part as it streams by; ``ResultsError`` as soon as it is too much."""
    found = _Counted()
    elements = depth = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal elements, depth
        elements += 1
        depth += 1
        if before + elements > _MOST_ELEMENTS or depth > _DEEPEST:
            raise _too_much(file, part, "it holds more than a results sheet can", "")
        kind = name.rpartition(":")[2]
        if kind == "row":
            _count_row(file, part, found, attributes)
        elif kind == "c":
            found.cells += 1
            if found.cells > MOST_CELLS:
                raise _too_much(file, part, f"it has more than {MOST_CELLS} cells", "")
            if match := _REFERENCE.fullmatch(attributes.get("r", "")):
                _check_reach(file, part, int(match[2]), column_number(match[1]))
        elif kind == "mergeCell":
            found.merged.append(_block(attributes.get("ref", "")))
            if len(found.merged) > _MOST_MERGES:
                raise _too_much(file, part, f"it has more than {_MOST_MERGES} merged cells",
                                "unmerge them")  # fmt: skip

    def end(_name: str) -> None:
        nonlocal depth
        depth -= 1

    def doctype(*_: Any) -> None:
        raise ResultsError(f"{file}: its part {part!r} declares a document type; no sheet does")

    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.StartDoctypeDeclHandler = doctype
    while chunk := stream.read(_CHUNK):
        parser.Parse(chunk, False)
    parser.Parse(b"", True)
    return found, elements


def _count_row(file: str, part: str, found: _Counted, attributes: dict[str, str]) -> None:
    reference = attributes.get("r", "")
    found.row = (
        int(reference)
        if reference.isascii() and reference.isdigit() and len(reference) < 9
        else found.row + 1
    )
    found.hidden_rows += attributes.get("hidden") in ("1", "true")
    _check_reach(file, part, found.row, 1)


def _check_reach(file: str, part: str, row: int, column: int) -> None:
    if row > MOST_ROWS or column > MOST_COLUMNS:
        raise _too_much(
            file, part, f"it reaches to row {row}, column {column}",
            "delete stray cells and formatted empty rows far out",
        )  # fmt: skip


def _too_much(file: str, part: str, what: str, remedy: str) -> ResultsError:
    return ResultsError(
        f"{file}, its {part.rpartition('/')[2]}: {what}; accepted are at most {MOST_ROWS} rows and "
        f"{MOST_COLUMNS} columns, {MOST_CELLS} cells in all" + (f" ({remedy})" if remedy else "")
    )


def _block(reference: str) -> Block:
    corners = [_REFERENCE.fullmatch(corner) for corner in reference.split(":")]
    if not corners or len(corners) > 2 or not all(corners):
        return (1, 1, 0, 0)  # no reference: nothing is merged by it
    places = [(int(corner[2]), column_number(corner[1])) for corner in corners if corner]
    (top, left), (bottom, right) = places[0], places[-1]
    return (min(top, bottom), min(left, right), max(top, bottom), max(left, right))


def column_number(letters: str) -> int:
    """Return the number of a column from its letters: A is 1, Z 26, AA 27."""
    number = 0
    for letter in letters.upper():
        number = 26 * number + ord(letter) - 64
    return number


def block_name(block: Block) -> str:
    """Return a block as a spreadsheet shows it, such as B2:B3."""
    top, left, bottom, right = block
    return f"{column_letters(left)}{top}:{column_letters(right)}{bottom}"


def merged_over(
    blocks: Sequence[Block], rows: Sequence[int], columns: Sequence[int]
) -> Iterator[tuple[Block, int, int]]:
    """Yield the merged blocks over ``rows`` and ``columns`` (both from 1).

    Each with its first such row and column.
    """
    for block in blocks:
        top, left, bottom, right = block
        down = next((row for row in rows if top <= row <= bottom), None)
        across = next((column for column in columns if left <= column <= right), None)
        if down is not None and across is not None:
            yield block, down, across


def _cell(cell: Any) -> Any:
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
