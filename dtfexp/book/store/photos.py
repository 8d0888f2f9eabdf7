"""Photos of coupons: files in a folder beside the logbook, referenced from its journal.

A photo is named by its contents, so the same one is stored once and none is ever overwritten. The
file is on the disk before the note that names it: a note never points at a photo that was lost.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import stat
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from dtfexp.book.store import entries, entry_fields, journal, store
from dtfexp.book.store.journal import JournalOwner
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    import sqlite3

    import pandas as pd

    from dtfexp.book.store.journal import Note

KIND = "photo"
#: A note that says this names a photo without metadata, which stands instead of that file.
INSTEAD = "instead_of"
#: Bytes; a phone's photo as it is. The recording form sends far smaller ones.
LARGEST = 8_000_000
_BEGINNINGS = ((b"\xff\xd8\xff", "jpg"), (b"\x89PNG\r\n\x1a\n", "png"))
_TYPES = {"jpg": "image/jpeg", "png": "image/png", "webp": "image/webp"}
#: Begins with the contents' own sum, ends with their kind: never a path to another place.
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)
_ORIENTATION = 0x0112
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
    told = list(said)
    cleaned = _cleaned(told)
    files = [one.get("file") for one in told]
    named_ = [name for name in files if isinstance(name, str) and _NAMED.fullmatch(name)]
    return list(dict.fromkeys(cleaned.get(name, name) for name in named_))


def _cleaned(said: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Return the file of a photo as an older version kept it -> the file without its metadata."""
    pairs = [(one.get(INSTEAD), one.get("file")) for one in said]
    return {
        old: new
        for old, new in pairs
        if isinstance(old, str) and isinstance(new, str) and _NAMED.fullmatch(new)
    }


def clean(connection: sqlite3.Connection, folder: Path, at: datetime) -> None:
    """Put a photo without metadata beside each that an older version kept with it.

    A note says that it stands instead; the photo as it was kept, and its own note, stay.
    """
    for note in journal.read(connection, KIND):
        if INSTEAD in note.said or not named([note.said]):
            continue
        old, press = str(note.said["file"]), note.said.get("press")
        with suppress(LogbookError):
            whole = read_named(folder / old)
            suffix = old.rpartition(".")[2]
            bare = without_metadata(whole, suffix)
            if bare == whole:
                continue
            new = _name(bare, suffix)
            said = {"press": press, "file": new, INSTEAD: old}
            _store(folder / new, bare)
            key = entries.derived_id(KIND, press, old)
            journal.append(connection, journal.Note(key, KIND, said, at, note.by))


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


def with_metadata(names: Iterable[str], folder: Path) -> list[str]:
    """Return those photos of a folder that hold more than the picture; one that is gone is none."""
    found = []
    for name in names:
        with suppress(LogbookError):
            whole = read_named(folder / name)
            if without_metadata(whole, name.rpartition(".")[2]) != whole:
                found.append(name)
    return found


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

    What the camera wrote beside the picture (place, time, owner) is not kept.
    The same ``id`` given twice keeps one photo. Raises ``LogbookError``: unknown
    press, no such picture, more than 8 MB, a folder that cannot be written.
    """
    number = entry_fields.press_number(press)
    book.history(number)  # says so when the press is not in the book
    if len(content) > LARGEST:
        raise LogbookError(
            f"press {number}: the photo has {len(content) / 1e6:.1f} MB; at most "
            f"{LARGEST / 1e6:g} MB is kept. Make it smaller and try again"
        )
    suffix = _suffix(number, content)
    content = without_metadata(content, suffix)
    name = _name(content, suffix)
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
    notes = book.kept(KIND)
    cleaned = _cleaned(note.said for note in notes)
    found = [_photo(book, note, cleaned) for note in notes if INSTEAD not in note.said]
    return [photo for photo in found if press is None or photo.press == press]


def _photo(book: PhotoBook, note: Note, cleaned: Mapping[str, str]) -> Photo:
    """Return the photo of a note; a note made by hand may name any file, and no other is opened."""
    name = note.said.get("file")
    if not isinstance(name, str) or not _NAMED.fullmatch(name):
        raise LogbookError(f"photo: the file is {fields.quoted(name)}, which no logbook writes")
    number = entry_fields.press_number(note.said.get("press"))
    return Photo(note.id, number, folder_of(book) / cleaned.get(name, name), note.at, note.by)


def counts(found: Iterable[Photo]) -> dict[int, int]:
    """How many photos each press has."""
    number: dict[int, int] = {}
    for photo in found:
        number[photo.press] = number.get(photo.press, 0) + 1
    return number


def without_metadata(content: bytes, suffix: str) -> bytes:
    """Return the photo without what a camera adds: place, time, owner, remarks.

    The picture itself is not touched, except that one which is shown turned is turned. What cannot
    be taken apart stays as it is.
    """
    parts = {"jpg": _jpeg_parts, "png": _png_parts, "webp": _webp_parts}[suffix](content)
    if parts is None:
        return content
    return _upright(content, suffix) or b"".join(parts)


def _jpeg_parts(content: bytes) -> list[bytes] | None:
    """Return the segments that make the picture: ITU T.81, annex B (memory).

    Of the applications' own: JFIF (E0), the colour profile (E2), Adobe's colour transform (EE).
    """
    kept, at = [content[:2]], 2
    while at + 2 <= len(content) and content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xD9:
            return [*kept, content[at : at + 2]]  # phones hang further pictures behind the end
        end = at + 2 + int.from_bytes(content[at + 2 : at + 4], "big")
        if end < at + 4 or end > len(content):
            return None
        segment = content[at:end]
        profile = marker == 0xE2 and segment[4:].startswith(b"ICC_PROFILE")
        if profile or marker in (0xE0, 0xEE) or not (0xE0 <= marker <= 0xEF or marker == 0xFE):
            kept.append(segment)
        if marker == 0xDA:
            # The coded picture goes on to the next marker; 00 and restarts belong to it.
            next_ = _MARKER.search(content, end)
            if next_ is None:
                return None
            kept.append(content[end : next_.start()])
            end = next_.start()
        at = end
    return None


def _png_parts(content: bytes) -> list[bytes] | None:
    """Return the chunks that make the picture: ISO/IEC 15948 (memory)."""
    kept, at = [content[:8]], 8
    while at + 12 <= len(content):
        end = at + 12 + int.from_bytes(content[at : at + 4], "big")
        kind = content[at + 4 : at + 8]
        if end > len(content) or (at == 8 and kind != b"IHDR"):
            return None
        if kind not in (b"eXIf", b"tEXt", b"zTXt", b"iTXt", b"tIME"):
            kept.append(content[at:end])
        if kind == b"IEND":
            return kept
        at = end
    return None


def _webp_parts(content: bytes) -> list[bytes] | None:
    """Return the chunks that make the picture: RFC 9649 (memory)."""
    kept, at = [], 12
    while at + 8 <= len(content):
        size = int.from_bytes(content[at + 4 : at + 8], "little")
        end = at + 8 + size + size % 2
        kind, chunk = content[at : at + 4], content[at:end]
        if end > len(content):
            return None
        if kind == b"VP8X" and size:  # its flags say what the file holds: no EXIF (8), no XMP (4)
            chunk = chunk[:8] + bytes([chunk[8] & ~0x0C]) + chunk[9:]
        if kind not in (b"EXIF", b"XMP "):
            kept.append(chunk)
        at = end
    body = b"".join(kept)
    return [b"RIFF", (len(body) + 4).to_bytes(4, "little"), b"WEBP", body] if kept else None


def _upright(content: bytes, suffix: str) -> bytes | None:
    """Return the picture as it is shown, when the file says that it is to be turned; else None."""
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(content)) as opened:
            if opened.getexif().get(_ORIENTATION, 1) == 1:
                return None
            turned, profile = ImageOps.exif_transpose(opened), opened.info.get("icc_profile")
            out = io.BytesIO()
            kind = {"jpg": "JPEG", "png": "PNG", "webp": "WEBP"}[suffix]
            turned.info.clear()
            turned.save(out, kind, quality=95, icc_profile=profile)
            return out.getvalue()
    except (OSError, ValueError, SyntaxError, LookupError, Image.DecompressionBombError):
        return None  # no whole picture: nothing to turn


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
