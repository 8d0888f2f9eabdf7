"""A logbook written out as files that any program opens: CSV, .xlsx, TOML, and JSON of it all."""

from __future__ import annotations

import csv
import hashlib
import io
import math
import warnings
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import cure_looks
from dtfexp.book.coupons import readings as coupons
from dtfexp.book.sheets import frames, importing, sheet_columns, workbook
from dtfexp.book.store import archive, entries, journal, photos, stored_plans
from dtfexp.book.tables import safe_text
from dtfexp.describe import fields, tomltext
from dtfexp.describe.errors import LogbookError

#: In the name of a sheet that somebody changed, when it is kept aside.
CHANGED = ".changed-by-hand."

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.store.store import Store
    from dtfexp.describe.session import Session


def export(opened: Store, session: Session, at: datetime, folder: Path) -> list[Path]:
    """Write all of a logbook into ``folder``, its photos into the folder ``photos`` there.

    results.csv, results.xlsx, history.csv, session.toml and logbook.json; coupons.csv where
    coupons were read in pictures. Returns the paths written, then those of sheets that somebody
    changed since and that are kept under another name.
    """
    kept = photos.photo_folder_of_path(opened.path)
    with suppress(LogbookError, OSError), opened.writing() as connection:
        photos.clean(connection, kept, at)
    with opened.reading() as connection:
        presses = stored_plans.read_presses(connection)
        found = list(entries.read(connection, session))
        mark = stored_plans.book_mark(connection)
        looked = cure_looks.looks(journal.read(connection, cure_looks.KIND))
        notes = journal.read(connection, *frames.HISTORY_NOTES)
        pictures = photos.named(n.said for n in journal.read(connection, photos.KIND))
        whole = archive.archive_bytes(connection)
        known = {row[0] for row in connection.execute("SELECT fingerprint FROM exports")}
    state = entries.current(found)
    tokens = importing.sheet_tokens(mark, found, {press.press: None for press in presses})
    results = sheet_frame(session, frames.results(session, presses, state, looked), state, tokens)
    files = {
        "results.csv": csv_bytes(results),
        "results.xlsx": workbook.workbook_bytes(session, results),
        "history.csv": csv_bytes(_plain_times(frames.history(session, found, notes))),
        "session.toml": session.to_toml().encode("utf-8"),
        "logbook.json": whole,
    }
    if read := coupons.readings_of(notes):
        files["coupons.csv"] = csv_bytes(_plain_times(coupons.frame(read)))
    prints = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    # Written down before the files are: a file that this book wrote is always known as such.
    with suppress(LogbookError), opened.writing() as connection:
        connection.executemany(
            "INSERT OR IGNORE INTO exports (fingerprint, name, at) VALUES (?, ?, ?)",
            [(print_, name, at.isoformat()) for name, print_ in prints.items()],
        )
    hint = "; close it in any other program, or choose another folder"
    changed: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            changed += _keep_changed(folder / name, known | {prints[name]}, at)
            tomltext.write_file(content, folder / name, LogbookError, hint)
    except OSError as error:
        place, why = error.filename or folder, error.strerror or error
        raise LogbookError(f"{place}: cannot be written ({why}){hint}") from None
    # A logbook that cannot be written to keeps such photos to itself.
    held_back = photos.with_metadata(pictures, kept)
    given = [name for name in pictures if name not in held_back]
    for line in photos.copy_photos(given, kept, folder / archive.PHOTOS):
        warnings.warn(f"not exported: {line}", stacklevel=3)
    for name in held_back:
        warnings.warn(
            f"not exported: photo {name} holds what a camera writes (place, time, owner), and "
            f"{opened.path.name} cannot be written to, to keep one without; export it where it can",
            stacklevel=3,
        )
    return [*(folder / name for name in files), *changed]


def sheet_frame(
    session: Session,
    results: pd.DataFrame,
    state: frames.State,
    tokens: dict[int, str],
) -> pd.DataFrame:
    """Return ``results`` as a sheet.

    Excluded as yes or blank with the reason beside it, and the column that tells an import the age
    of the sheet.
    """
    sheet = results.copy()
    taken = {f.name.casefold() for f in session.factors} | {
        o.name.casefold() for o in session.outcomes
    }
    reasons = [str(state.get(p, {}).get(entries.EXCLUDED, "")) for p in sheet["press"]]
    sheet["excluded"] = ["yes" if out else "" for out in sheet["excluded"]]
    if sheet_columns.REASON not in taken:
        place = list(sheet.columns).index("excluded") + 1
        sheet.insert(place, sheet_columns.REASON, reasons)
    else:
        sheet["excluded"] = [_as_reason(reason) if reason else "" for reason in reasons]
    if sheet_columns.BOOK_ENTRY not in taken:
        sheet[sheet_columns.BOOK_ENTRY] = [tokens[press] for press in sheet["press"]]
    return sheet


def _as_reason(reason: str) -> str:
    """Return a reason that an import reads as one: "no" or "old" alone it would not."""
    try:
        return reason if isinstance(fields.excluded(reason), str) else f"left out: {reason}"
    except ValueError:
        return f"left out: {reason}"


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """``frame`` as CSV in UTF-8 with its mark, so that every spreadsheet reads ° aright.

    Text that a spreadsheet might run as a formula carries an apostrophe in front.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_text.escape_formula(str(name)) for name in frame.columns])
    for row in frame.itertuples(index=False, name=None):
        writer.writerow([_csv_cell(value) for value in row])
    return out.getvalue().encode("utf-8-sig")


def _csv_cell(value: Any) -> Any:
    if isinstance(value, str):
        return safe_text.escape_formula(value)
    if isinstance(value, float):
        return "" if math.isnan(value) else fields.int_if_whole(float(value))
    return "" if value is None else value


def _plain_times(frame: pd.DataFrame) -> pd.DataFrame:
    frame["time"] = [at.isoformat() for at in frame["time"]]
    return frame


def _keep_changed(path: Path, ours: set[str], at: datetime) -> list[Path]:
    """Move a file out of the way unless this book wrote it just so; return where it is kept."""
    if not path.exists() or hashlib.sha256(path.read_bytes()).hexdigest() in ours:
        return []
    stamp = at.strftime("%Y-%m-%d-%H%M%S")
    for again in ("", *(f"-{k}" for k in range(2, 1000))):
        aside = path.with_name(f"{path.stem}{CHANGED}{stamp}{again}{path.suffix}")
        if not aside.exists():
            path.rename(aside)
            return [aside]
    raise FileExistsError(f"{path}: too many copies are kept already")
