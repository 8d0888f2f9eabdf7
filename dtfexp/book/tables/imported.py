"""What an import did with every sheet, column and cell of a file, told in numbers and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.book.tables.workbook_table import shown
from dtfexp.describe.fields import count_phrase
from dtfexp.describe.html_text import escape
from dtfexp.describe.summary import html_table

if TYPE_CHECKING:
    from dtfexp.book.tables.sheet_table import Table


@dataclass(frozen=True)
class ColumnTold:
    """One column of an import.

    Its heading, what it was read as ("" when left out), how many of its cells are filled, and how
    many were new.
    """

    heading: str
    read_as: str
    filled: int
    new: int = 0

    def __str__(self) -> str:
        cells = count_phrase(self.filled, "cell")
        if not self.read_as:
            return f"{self.heading!r}: not known, left out ({cells})"
        return f"{self.heading!r}: {self.read_as}, {cells}, {self.new} new"


@dataclass(frozen=True)
class Imported:
    """The result of an import.

    Rows taken, entries added, unchanged rows, spoiled tries in history, and remarks on what was set
    aside or looks odd.

    ``id`` names the import, for taking it back ("" when it added nothing); ``file`` and ``digest``
    (SHA-256) are of the file, ``sheet`` the sheet of a workbook that was read, ``other_sheets``
    what became of the others, ``columns`` what was done with each column.
    """

    rows: int
    added: int
    unchanged: int
    spoiled: int
    remarks: tuple[str, ...]
    id: str = ""
    file: str = ""
    digest: str = ""
    sheet: str = ""
    other_sheets: tuple[str, ...] = ()
    columns: tuple[ColumnTold, ...] = ()

    def lines(self) -> list[str]:
        """All of it in words, a line each."""
        place = f"{self.file}, sheet {self.sheet!r}" if self.sheet else self.file
        out = [
            f"{place}: {count_phrase(self.rows, 'row')} read, "
            f"{count_phrase(self.added, 'entry', 'entries')} added, "
            f"{count_phrase(self.unchanged, 'row')} unchanged."
        ]
        if self.spoiled:
            out.append(
                f"{count_phrase(self.spoiled, 'spoiled press', 'spoiled presses')} in the history, "
                "not counted."
            )
        if self.other_sheets:
            out.append(f"Other sheets: {'; '.join(self.other_sheets)}.")
        # Columns not known are named by a remark.
        out += [f"Column {one}." for one in self.columns if one.filled and one.read_as]
        out += [f"Note: {remark}" for remark in self.remarks]
        return out

    def __repr__(self) -> str:
        return "\n".join(self.lines())

    def _repr_html_(self) -> str:
        heads = ("column", "read as", "cells", "new")
        rows = [
            (one.heading, one.read_as or "not known, left out", str(one.filled), str(one.new))
            for one in self.columns
        ]
        lines = [line for line in self.lines() if not line.startswith("Column ")]
        text = "".join(f"<p>{escape(line)}</p>" for line in lines)
        return f'<div class="dtfexp-imported">{text}{html_table(heads, rows)}</div>'


def filled(table: Table, index: int) -> int:
    """How many cells of a column (from 0) hold something, below the headings."""
    return sum(index < len(cells) and not _blank(cells[index]) for _, cells in table.rows[1:])


def unknown_columns(table: Table, known: Sequence[int]) -> list[ColumnTold]:
    """Return the columns with a heading that are none of ``known`` (from 0)."""
    _, headings = table.rows[0]
    return [
        ColumnTold(shown(cell), "", filled(table, index))
        for index, cell in enumerate(headings)
        if index not in known and not _blank(cell)
    ]


def _blank(cell: object) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())
