"""Pictures of coupons dropped on the form: read, kept, and what they gave in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.book.coupons import pictures
from dtfexp.describe.errors import CouponError
from dtfexp.describe.fields import count_phrase
from dtfexp.show.text.reading_text import picture_lines

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.coupon.reading.reading import PictureRead


def known(book: Logbook, message: Mapping[str, Any]) -> pictures.Known:
    """Return what the logbook knows of the coupons in the picture ``attached`` to a message.

    ``washes``: how many they have had.
    """
    return pictures.known(book, message.get("washes") or 0)


def look(coupons: pictures.Known, message: Mapping[str, Any]) -> PictureRead:
    """Read the picture, without the logbook. Raises ``CouponError`` for a file that is none."""
    if len(message["attached"]) != 1:
        raise CouponError("the form sent no picture; nothing was kept")
    (found,) = pictures.look([bytes(message["attached"][0])], coupons)
    return found


def keep(book: Logbook, message: Mapping[str, Any], found: PictureRead, by: str) -> dict[str, Any]:
    """Keep what the picture gave; ``text`` in short, ``lines`` in full.

    The same picture sent twice is kept once.
    """
    kept = pictures.keep(book, "picture", found, washes=message.get("washes") or 0, by=by)
    presses = ", ".join(str(one.press) for one in kept.readings)
    text = f"{count_phrase(len(kept.readings), 'coupon')} read" + (presses and f": press {presses}")
    if kept.refused:
        text += f"; {len(kept.refused)} not read, see below"
    return {"text": text, "lines": picture_lines(kept)[1:]}
