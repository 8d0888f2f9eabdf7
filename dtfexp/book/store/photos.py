"""Photos of coupons: files in a folder beside the logbook, referenced from its journal.

A photo is named by its contents, so the same one is stored once and none is ever overwritten. The
file is on the disk before the note that names it: a note never points at a photo that was lost.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from dtfexp.book.store import entry_fields, store
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
        """Return the file's bytes; ``LogbookError`` when it is gone or was changed."""
        try:
            return read_named(self.path)
        except LogbookError as error:
            raise LogbookError(f"press {self.press}: {error}") from None


def read_named(place: Path) -> bytes:
    """Return the bytes of a photo file, which must be what its name says.

    ``LogbookError`` when it is gone, was changed, or is no plain file: a link, a pipe or a device
    is never followed.
    """
    try:
        if not stat.S_ISREG(os.lstat(place).st_mode):
            raise LogbookError(
                f"photo {place.name} is a link, pipe or device; put the photo itself there"
            )
        with place.open("rb") as file:
            content = file.read(LARGEST + 1)
    except OSError as error:
        raise LogbookError(
            f"photo {place.name} cannot be read ({error.strerror or error}); the folder "
            f"{place.parent.name} belongs beside the logbook"
        ) from None
    if _name(content, place.suffix[1:]) != place.name:
        raise LogbookError(f"photo {place.name} was changed after it was kept")
    return content


def folder_of(book: PhotoBook) -> Path:
    """Where the photos of ``book`` lie: ``<file name>.photos`` beside it."""
    return photo_folder_of_path(book.path)


def photo_folder_of_path(path: Path) -> Path:
    """Return the photo folder of the logbook at ``path``: beside the file, not beside a link."""
    real = Path(os.path.realpath(path))
    return real.with_name(f"{real.name}.photos")


def named(said: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return the file of every photo that notes tell of (one taken back has a file too), each once.

    A note made by hand may name anything: what no logbook writes is left out.
    """
    found = dict.fromkeys(one.get("file") for one in said if isinstance(one.get("file"), str))
    return [name for name in found if name is not None and _NAMED.fullmatch(name)]


def copy_photos(
    names: Iterable[str], source: Path, target: Path, shared: Path | None = None
) -> list[str]:
    """Copy photos by their names from one folder to another; one line for each that is lost.

    Those that lie in the folder ``shared`` become the same file there, where the drive can.
    Raises ``LogbookError`` when the folder cannot be written.
    """
    lost = []
    for name in names:
        if shared is not None and (shared / name).is_file():
            with suppress(OSError):
                target.mkdir(exist_ok=True)
                os.link(shared / name, target / name)
                continue
        try:
            content = read_named(source / name)
        except LogbookError as error:
            lost.append(str(error))
            continue
        try:
            _store(target / name, content)
        except OSError as error:
            raise LogbookError(
                f"{target}: the photo cannot be written ({error.strerror or error})"
            ) from None
    return lost


def content(photo: bytes | str | os.PathLike[str]) -> bytes:
    """Return the bytes of a photo, or of the file of that name."""
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
    """Return the photos that hold, of one press or of all, in the order in which they were kept.

    A photo taken back (``book.take_back``) is not among them; its file stays.
    """
    found = [_photo(book, note) for note in book.kept(KIND)]
    return [photo for photo in found if press is None or photo.press == press]


def _photo(book: PhotoBook, note: Note) -> Photo:
    """Return the photo of a note; a note made by hand may name any file, and no other is opened."""
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
        "accepted JPEG, PNG and WebP"
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
    # The new name must reach the disk too.
    for folder in (place.parent, place.parent.parent):
        store.sync_folder(folder)
