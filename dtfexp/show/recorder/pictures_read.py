"""Pictures of coupons dropped on the form: read, kept, and what they gave in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.book.coupons.pictures import read_pictures
from dtfexp.describe.errors import CouponError
from dtfexp.describe.fields import count_phrase
from dtfexp.show.text.reading_text import picture_lines

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook


def read(book: Logbook, message: Mapping[str, Any], by: str) -> dict[str, Any]:
    """Read the picture ``attached`` to a message; ``text`` in short, ``lines`` in full.

    ``washes``: how many the coupons have had. The same picture sent twice is kept once. Raises
    ``CouponError`` for a file that cannot be read.
    """
    if len(message["attached"]) != 1:
        raise CouponError("the form sent no picture; nothing was kept")
    content = bytes(message["attached"][0])
    (found,) = read_pictures(book, [content], washes=message.get("washes") or 0, by=by)
    presses = ", ".join(str(one.press) for one in found.readings)
    text = f"{count_phrase(len(found.readings), 'coupon')} read" + (
        presses and f": press {presses}"
    )
    if found.refused:
        text += f"; {len(found.refused)} not read, see below"
    return {"text": text, "lines": picture_lines(found)[1:]}
