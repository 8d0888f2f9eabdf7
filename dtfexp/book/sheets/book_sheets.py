"""What a logbook does with files: sheets out, sheets in; an import or a plan taken back."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from dtfexp.book.store import entries, entry_fields, imports, journal, stored_plans

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    import pandas as pd

    from dtfexp.book.bench.bench import Bench
    from dtfexp.book.store.store import Store
    from dtfexp.book.tables.imported import Imported
    from dtfexp.describe.session import Session


class BookSheets:
    """The part of ``Logbook`` that writes and reads sheets, and takes back what came in whole."""

    _store: Store
    _by: str
    _clock: Callable[[], datetime]

    if TYPE_CHECKING:

        @property
        def session(self) -> Session: ...

        @property
        def bench(self) -> Bench: ...

    @property
    def mark(self) -> str:
        """A short word that tells this book from any other, on what it prints."""
        with self._store.reading() as connection:
            return stored_plans.book_mark(connection)

    def one_view(self) -> AbstractContextManager[None]:
        """Return a block in which everything that is read of this book is of one moment.

        What belongs together is read in one, or an entry of another program falls between. Inside
        it nothing can be recorded: ``LogbookError``.
        """
        return self._store.one_view()

    @contextmanager
    def _writing(self, by: str) -> Iterator[tuple[sqlite3.Connection, datetime, str]]:
        """Yield the connection of one transaction, with its time and its author."""
        who = entry_fields.person(by) or self._by
        with self._store.writing() as connection:
            yield connection, entry_fields.zoned(self._clock()), who

    def export(self, folder: str | PathLike[str]) -> list[Path]:
        """Write everything into ``folder``; ``logbook.json`` is for ``Logbook.restore``.

        ``results.csv``, ``results.xlsx``, ``history.csv``, ``session.toml`` and ``logbook.json``.

        A sheet in ``folder`` that was changed since it was exported is kept under another name.
        Returns the paths written, then those of such sheets.
        """
        from dtfexp.book.sheets.exporting import export

        return export(self._store, self.session, entry_fields.zoned(self._clock()), Path(folder))

    def import_results(self, path: str | PathLike[str], *, accept: bool = False) -> int:
        """Take in a results sheet (.csv or .xlsx), all rows or none; returns the rows taken.

        Anything in the sheet that was set aside raises a Python warning; ``import_sheet`` returns
        it instead. ``ResultsError`` names file, row, column and value; it
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

    def imports(self) -> pd.DataFrame:
        """Return one row per import.

        ``import`` (its id), ``file``, ``sheet``, ``digest`` (SHA-256), ``time`` (with zone),
        ``by``, ``added`` (entries and notes), ``taken_back`` (True when it was).
        """
        with self._store.reading() as connection:
            return imports.frame(journal.read(connection, imports.KIND))

    def undo_import(self, which: str | None = None, *, by: str = "") -> int:
        """Take back one import as a whole: ``which`` by its id or file name, else the last one.

        What still holds of it is put back to what held before, by further entries; all of it stays
        in ``history``. Returns how many entries and notes that took. ``LogbookError`` when there is
        no such import.
        """
        with self._writing(by) as (connection, at, who):
            return imports.take_back(connection, self.session, which, at, who)

    def undo_plan(self, *, by: str = "") -> tuple[int, ...]:
        """Take back the last plan, of which nothing is recorded yet; returns its press numbers.

        Its presses keep their numbers and count no more, by a further entry each; a next plan goes
        on after them. ``LogbookError`` when work on it has begun or no plan stands.
        """
        with self._writing(by) as (connection, at, who):
            return stored_plans.take_back(connection, self.session, at, who)

    def can_undo_plan(self) -> bool:
        """Whether a plan stands of which nothing is recorded yet."""
        with self._store.reading() as connection:
            found = entries.current(entries.read(connection, self.session))
            presses, begun = stored_plans.last_plan(connection, found)
        return bool(presses) and not begun

    def taken_back(self) -> tuple[int, ...]:
        """Return the presses of plans taken back."""
        with self._store.reading() as connection:
            found = entries.read(connection, self.session)
            return stored_plans.taken_back(entries.current(found))
