"""Photos of coupons as thumbnails inside the page, so that the page needs no other file.

Each thumbnail is encoded anew, which removes location, camera data and size.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from io import BytesIO
from typing import TYPE_CHECKING

from dtfexp.describe.errors import LogbookError
from dtfexp.describe.fields import count_phrase

if TYPE_CHECKING:
    from dtfexp.book.store.photos import Photo

LONGEST = 320
"""Pixels of the longer side."""
BUDGET = 4_000_000
"""Bytes of all pictures of one page, which keeps the report far below 15 MB."""


@dataclass(frozen=True)
class Picture:
    """One thumbnail: its data address within the page, and its size in pixels."""

    address: str
    width: int
    height: int


@dataclass(frozen=True)
class Pictures:
    """Thumbnails by press, and a note on photos not shown."""

    of: Mapping[int, Sequence[Picture]] = field(default_factory=dict)
    unread: Sequence[str] = ()
    left_out: int = 0

    @property
    def note(self) -> str:
        """A sentence on photos not shown; empty when all are."""
        said = [f"{why}." for why in self.unread]
        if self.left_out:
            more = count_phrase(self.left_out, "more photo is", "more photos are")
            said.append(f"{more} in the folder beside the logbook.")
        return " ".join(said)


def pictures(photos: Iterable[Photo], budget: int = BUDGET) -> Pictures:
    """Return thumbnails within the budget, the first of every press before any second one.

    A photo that is missing, changed or unreadable is noted, never an error.
    """
    found: dict[int, list[Picture]] = {}
    unread: list[str] = []
    used = left_out = 0
    for photo in _round_robin(photos):
        try:
            content, width, height = _thumbnail(photo)
        except LogbookError as error:
            unread.append(str(error).rstrip("."))
            continue
        address = f"data:image/jpeg;base64,{b64encode(content).decode()}"
        if used + len(address) > budget:
            left_out += 1
            continue
        used += len(address)
        found.setdefault(photo.press, []).append(Picture(address, width, height))
    return Pictures(found, unread, left_out)


def _round_robin(photos: Iterable[Photo]) -> list[Photo]:
    turn: dict[int, int] = {}
    ranked = []
    for photo in photos:
        turn[photo.press] = turn.get(photo.press, 0) + 1
        ranked.append((turn[photo.press], photo))
    return [photo for _, photo in sorted(ranked, key=lambda pair: (pair[0], pair[1].press))]


def _thumbnail(photo: Photo) -> tuple[bytes, int, int]:
    """Return the photo upright, small and as JPEG; ``LogbookError`` for a damaged picture."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    content = photo.read()
    try:
        with Image.open(BytesIO(content)) as opened:
            opened.draft("RGB", (2 * LONGEST, 2 * LONGEST))  # a large JPEG is read small: fast
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, UnidentifiedImageError, Image.DecompressionBombError):
        raise LogbookError(f"press {photo.press}: photo {photo.path.name} is damaged") from None
    upright.thumbnail((LONGEST, LONGEST))
    buffer = BytesIO()
    upright.save(buffer, "JPEG", quality=75, optimize=True)
    return buffer.getvalue(), upright.width, upright.height
