"""What a logbook does with files: sheets out, sheets in, and an import taken back."""

from __future__ import annotations

from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.book.store import entry_fields

if TYPE_CHECKING:
    from collections.abc import Callable

    from dtfexp.book.bench.bench import Bench
    from dtfexp.book.sheets.importing import Imported
    from dtfexp.book.store.store import Store
    from dtfexp.describe.session import Session


class BookSheets:
    """The part of ``Logbook`` that writes and reads sheets."""

    _store: Store
    _by: str
    _clock: Callable[[], datetime]

    if TYPE_CHECKING:

        @property
        def session(self) -> Session: ...

        @property
        def bench(self) -> Bench: ...

    def export(self, folder: str | PathLike[str]) -> list[Path]:
        """Write ``results.csv``, ``results.xlsx``, ``history.csv``, ``session.toml``, and
        ``logbook.json``: all of it, for ``Logbook.restore``.

        A sheet in ``folder`` that was changed since it was exported is kept under another name.
        Returns the paths written.
        """
        from dtfexp.book.sheets.exporting import export

        return export(self._store, self.session, entry_fields.zoned(self._clock()), Path(folder))

    def import_results(self, path: str | PathLike[str], *, accept: bool = False) -> int:
        """Take in a results sheet (.csv or .xlsx), all rows or none; returns the rows taken.

        Anything in the sheet that was set aside is told as a Python warning; ``import_sheet``
        hands it over as a value instead. ``ResultsError`` names file, row, column and value; it
        also asks about readings that are hard to believe, which ``accept`` takes as they are.
        """
        import warnings

        taken = self.import_sheet(path, accept=accept)
        for remark in taken.remarks:
            warnings.warn(remark, stacklevel=2)
        return taken.rows

    def import_sheet(self, path: str | PathLike[str], *, accept: bool = False) -> Imported:
        """As ``import_results``, returning what happened: rows, entries added, remarks."""
        from dtfexp.book.sheets.importing import import_sheet

        gate = self.bench.measured_session()
        at = entry_fields.zoned(self._clock())
        return import_sheet(self._store, gate, Path(path), at, self._by, accept)
