"""Photos of coupons: files in a folder beside the logbook, referenced from its journal.

A photo is named by its contents, so the same one is stored once and none is ever overwritten. The
file is on the disk before the note that names it: a note never points at a photo that was lost.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from dtfexp.book.store import entry_fields
from dtfexp.book.store.journal import JournalOwner
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.store.journal import Note

KIND = "photo"
#: Bytes; a phone's photo as it is. The recording form sends far smaller ones.
LARGEST = 8_000_000
_BEGINNINGS = ((b"\xff\xd8\xff", "jpg"), (b"\x89PNG\r\n\x1a\n", "png"))
_TYPES = {"jpg": "image/jpeg", "png": "image/png", "webp": "image/webp"}
#: Begins with the contents' own sum, ends with their kind: never a path to another place.
_NAMED = re.compile(r"[0-9a-f]{32}\.(jpg|png|webp)")


class PhotoBook(JournalOwner, Protocol):
    """What photos need of their logbook."""

    @property
    def path(self) -> Path: ...

    def history(self, press: int | None = None) -> pd.DataFrame: ...


@dataclass(frozen=True)
class Photo:
    """One photo of one press: the note's id, the file, when and by whom it was kept."""

    id: str
    press: int
    path: Path
    at: datetime
    by: str

    @property
    def media_type(self) -> str:
        """What a browser calls this kind of file."""
        return _TYPES[self.path.suffix[1:]]

    def read(self) -> bytes:
        """The file's bytes; ``LogbookError`` when it is gone or was changed."""
        try:
            content = self.path.read_bytes()
        except OSError as error:
            raise LogbookError(
                f"press {self.press}: photo {self.path.name} cannot be read "
                f"({error.strerror or error}); the folder {self.path.parent.name} belongs beside "
                "the logbook"
            ) from None
        if _name(content, self.path.suffix[1:]) != self.path.name:
            raise LogbookError(
                f"press {self.press}: photo {self.path.name} was changed after it was kept"
            )
        return content


def folder_of(book: PhotoBook) -> Path:
    """Where the photos of ``book`` lie: ``<file name>.photos`` beside it."""
    return photo_folder_of_path(book.path)


def photo_folder_of_path(path: Path) -> Path:
    """Where the photos of the logbook at ``path`` lie."""
    return path.with_name(f"{path.name}.photos")


def copy_photos(source: Path, target: Path) -> None:
    """Copy every photo of one folder that another lacks; ``OSError`` when that fails."""
    if not source.is_dir():
        return
    for photo in sorted(source.iterdir()):
        if not photo.name.startswith("."):
            target.mkdir(exist_ok=True)
            _store(target / photo.name, photo.read_bytes())


def content(photo: bytes | str | os.PathLike[str]) -> bytes:
    """The bytes of a photo, or of the file of that name."""
    if isinstance(photo, bytes):
        return photo
    try:
        return Path(photo).read_bytes()
    except OSError as error:
        raise LogbookError(f"{photo}: cannot be read ({error.strerror or error})") from None


def keep_photo(
    book: PhotoBook, press: int, content: bytes, *, by: str = "", id: str | None = None
) -> str:
    """Keep a JPEG, PNG or WebP photo of ``press``; returns the note's id once all is on disk.

    The same ``id`` twice keeps one. Raises ``LogbookError``: unknown press, no such picture, more
    than 8 MB, a folder that cannot be written.
    """
    number = entry_fields.press_number(press)
    book.history(number)  # says so when the press is not in the book
    if len(content) > LARGEST:
        raise LogbookError(
            f"press {number}: the photo has {len(content) / 1e6:.1f} MB; at most "
            f"{LARGEST / 1e6:g} MB is kept. Make it smaller and try again"
        )
    name = _name(content, _suffix(number, content))
    place = folder_of(book) / name
    try:
        _store(place, content)
    except OSError as error:
        raise LogbookError(
            f"{place.parent}: the photo cannot be written ({error.strerror or error}); nothing "
            "was kept"
        ) from None
    return book.keep(KIND, {"press": number, "file": name}, by=by, id=id)


def photos(book: PhotoBook, press: int | None = None) -> list[Photo]:
    """The photos that hold, of one press or of all, in the order in which they were kept.

    A photo taken back (``book.take_back``) is not among them; its file stays.
    """
    found = [_photo(book, note) for note in book.kept(KIND)]
    return [photo for photo in found if press is None or photo.press == press]


def _photo(book: PhotoBook, note: Note) -> Photo:
    """The photo of a note; a note made by hand may name any file, and no other is opened."""
    name = note.said.get("file")
    if not isinstance(name, str) or not _NAMED.fullmatch(name):
        raise LogbookError(f"photo: the file is {fields.quoted(name)}, which no logbook writes")
    number = entry_fields.press_number(note.said.get("press"))
    return Photo(note.id, number, folder_of(book) / name, note.at, note.by)


def counts(found: Iterable[Photo]) -> dict[int, int]:
    """How many photos each press has."""
    number: dict[int, int] = {}
    for photo in found:
        number[photo.press] = number.get(photo.press, 0) + 1
    return number


def _suffix(press: int, content: bytes) -> str:
    for beginning, suffix in _BEGINNINGS:
        if content.startswith(beginning):
            return suffix
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "webp"
    raise LogbookError(
        f"press {press}: the file begins with {fields.quoted(content[:8])}, which is no photo; "
        "accepted are JPEG, PNG and WebP"
    )


def _name(content: bytes, suffix: str) -> str:
    return f"{hashlib.sha256(content).hexdigest()[:32]}.{suffix}"


def _store(place: Path, content: bytes) -> None:
    """Write the file whole, and on the disk when this returns; the same contents again is fine."""
    if place.exists() and place.read_bytes() == content:
        return
    place.parent.mkdir(exist_ok=True)
    half = place.with_name(f".{place.name}.{os.getpid()}.part")
    try:
        with half.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        half.replace(place)
    except OSError:
        half.unlink(missing_ok=True)
        raise
    # The new name must reach the disk too; Windows cannot open a folder and does not need it.
    for folder in (place.parent, place.parent.parent):
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
