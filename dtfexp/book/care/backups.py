"""Copies of a logbook: whole, checked, safe beside writers; automatic ones are kept by age.

When: before a write an hour or more after the last automatic copy (without any: an hour after the
file was last written before it was opened). Where: ``<file name>.backups`` beside the file. A copy
is a logbook like any other, its photos beside it.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import warnings
from collections.abc import Iterable
from contextlib import closing, suppress
from datetime import datetime, timedelta
from pathlib import Path

from dtfexp.book.store import journal, opening, photos, store
from dtfexp.describe.errors import LogbookError

EVERY = timedelta(hours=1)
#: Kept are the last few, the last of each day for a week, the last of each week for two months.
LAST, DAYS, WEEKS = 3, 7, 9
_STAMP = "%Y-%m-%d-%H%M%S"


def back_up(opened: store.Store, path: Path, at: datetime) -> Path:
    """Copy the logbook, photos first, to the new file ``path`` or into the folder ``path``.

    A photo that the book has lost already raises a warning. Raises ``LogbookError``: a file is
    there already, the place cannot be written, the book is damaged.
    """
    target = path / stamped(opened.path, at) if os.path.isdir(path) else path
    for line in _copy(opened, target, None):
        warnings.warn(f"not in the copy, lost before: {line}", stacklevel=3)
    return target


def copy_by_age(opened: store.Store) -> None:
    """Have ``opened`` copied automatically from now on, before it is written to."""
    copied = [at for at in copies_of(opened.path) if at <= now()]
    written = datetime.fromtimestamp(opened.path.stat().st_mtime)
    due = (copied[-1] if copied else min(written, now())) + EVERY

    def copy_if_due() -> None:
        nonlocal due
        at = now()
        if at < due:
            return
        due = at + EVERY
        try:
            _copy_now(opened, at)
        except store.Damaged:
            raise
        except (LogbookError, OSError) as error:
            # What is to be recorded goes first.
            warnings.warn(f"no automatic copy was made: {error}", stacklevel=5)

    opened.before_writing = copy_if_due


def _copy_now(opened: store.Store, at: datetime) -> None:
    folder = made_folder(opened.path)
    copied = [path for made, path in copies_of(opened.path).items() if made <= at]
    _copy(opened, folder / stamped(opened.path, at), copied[-1] if copied else None)
    copies = copies_of(opened.path)
    for made in copies.keys() - kept(copies, at):
        copies[made].unlink()
        shutil.rmtree(photos.photo_folder_of_path(copies[made]), ignore_errors=True)


def made_folder(book: Path) -> Path:
    """Return the folder of the copies of the logbook at ``book``, made if it is not there."""
    folder = store.backup_folder(book)
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise LogbookError(f"{folder} cannot be made ({error.strerror or error})") from None
    return folder


def now() -> datetime:
    """Return this moment by the clock of this computer, without a zone: copies are named by it."""
    return datetime.now()


def stamped(book: Path, at: datetime) -> str:
    """Return the name of a copy of ``book`` made at ``at``."""
    return f"{book.stem}.{at.strftime(_STAMP)}{book.suffix}"


def copies_of(book: Path) -> dict[datetime, Path]:
    """Return the automatic copies of the logbook at ``book`` by their time, the oldest first."""
    found = {}
    folder = store.backup_folder(book)
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        stamp = path.name.removeprefix(f"{book.stem}.").removesuffix(book.suffix)
        with suppress(ValueError):
            found[datetime.strptime(stamp, _STAMP)] = path
    return found


def kept(times: Iterable[datetime], now: datetime) -> set[datetime]:
    """Which copies stay: the last few, and the last of each day and week that is near enough."""
    latest = sorted(times, reverse=True)
    stay = set(latest[:LAST])
    # Day 1 of the calendar was a Monday.
    for length, many in ((1, DAYS), (7, WEEKS)):
        seen = set()
        for at in latest:
            age = (now.toordinal() - 1) // length - (at.toordinal() - 1) // length
            if age < many and age not in seen:
                seen.add(age)
                stay.add(at)
    return stay


def _copy(opened: store.Store, target: Path, before: Path | None) -> list[str]:
    """Copy book and photos; one line for each photo that is lost.

    The photos that the earlier copy ``before`` has are shared with it, where the drive can.
    """
    store.require_free(target)
    draft = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with opened.reading() as connection:
            store.copy(opened.path, connection, draft)
            pictures = photos.named(n.said for n in journal.read(connection, photos.KIND))
        with closing(store.connect(draft)) as copy:
            found = [damage.text for damage in opening.damages(opened.path, copy)]
        if found:
            raise store.Damaged(opened.path, found)
        lost = photos.copy_photos(
            pictures,
            photos.photo_folder_of_path(opened.path),
            photos.photo_folder_of_path(target),
            before and photos.photo_folder_of_path(before),
        )
        store.put_in_place(draft, target)
    except sqlite3.Error as error:
        raise store.error_line(target, error) from error
    finally:
        for left in (draft, draft.with_name(f"{draft.name}-journal")):
            left.unlink(missing_ok=True)
    return lost
