"""The papers to print before a session, and the sheets to import afterwards."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.describe.errors import DtfexpError
from dtfexp.show.paper.labels import coupon_labels_pdf
from dtfexp.show.paper.pdf_page import known_paper
from dtfexp.show.paper.run_sheet import run_sheet_pdf

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook


def write_sheets(book: Logbook, folder: Path, paper: str = "A4") -> list[Path]:
    """Write run-sheet.pdf, coupon-labels.pdf and the book's own export into ``folder``.

    The export's results.xlsx and results.csv have the same columns and can be imported. ``paper``:
    "A4" or "Letter". Returns the paths, papers first. Raises ``DtfexpError`` for another paper
    size, a book without presses and a folder that cannot be written.
    """
    size = known_paper(paper)
    if not len(book.runs()):
        raise DtfexpError(f"{book.path} has no presses yet; add a plan first")
    drawn = {
        "run-sheet.pdf": run_sheet_pdf(book, paper=size),
        "coupon-labels.pdf": coupon_labels_pdf(book, paper=size),
    }
    exported = book.export(folder)
    for name, content in drawn.items():
        half = folder / f".{name}.{os.getpid()}.part"
        try:
            half.write_bytes(content)
            half.replace(folder / name)
        except OSError as error:
            half.unlink(missing_ok=True)
            raise DtfexpError(
                f"{folder / name} cannot be written ({error.strerror or error}); close it in any "
                "other program, or choose another folder"
            ) from None
    return [*(folder / name for name in drawn), *exported]
