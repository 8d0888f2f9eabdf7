"""Pictures of coupons read into a logbook: measured, kept with the grades they propose."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING, Protocol

from dtfexp.book.coupons.picture import checked, picture
from dtfexp.book.coupons.readings import CouponBook, Reading, keep_reading, readings, standing
from dtfexp.coupon.payload import session_code
from dtfexp.coupon.reading import reading as reader
from dtfexp.coupon.reading.refusing import Refused
from dtfexp.describe.errors import CouponError

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from dtfexp.coupon.measures import CouponMeasures

Source = bytes | str | os.PathLike[str]
#: JPEG quality of the part of a picture that is kept with a coupon.
_QUALITY = 92
_NEEDED = ("zxingcpp", "skimage")


class PicturedBook(CouponBook, Protocol):
    """What reading pictures needs of its logbook."""

    def runs(self) -> pd.DataFrame: ...


@dataclass(frozen=True)
class PictureReadings:
    """What one picture gave: its name, the readings kept, the coupons refused."""

    name: str
    readings: tuple[Reading, ...]
    refused: tuple[Refused, ...]


def read_pictures(
    book: PicturedBook,
    sources: Sequence[Source],
    *,
    washes: int = 0,
    by: str = "",
    told: Callable[[int, int, str], None] = lambda done, steps, now: None,
) -> list[PictureReadings]:
    """Read the coupons in pictures, and keep what is measured of each; one result a picture.

    ``washes``: how many the coupons had. Colours are compared with the coupon's own picture at the
    press (no washes), where there is one. Raises ``CouponError``, and keeps nothing, when a file is
    missing or no picture, or the libraries for reading are not there.
    """
    needs_libraries()
    for source in sources:
        checked(source)
    presses = {int(number) for number in book.runs()["press"]}
    # Readings after a wash change nothing in these: once for all pictures.
    before = _before(book) if washes else {}
    done = []
    for place, source in enumerate(sources):
        name = "picture" if isinstance(source, bytes) else os.path.basename(source)

        def heard(step: int, steps: int, place: int = place, name: str = name) -> None:
            told(100 * place + 100 * step // max(steps, 1), 100 * len(sources), f"reading {name}")

        heard(0, 1)
        seen = picture(source)
        found = reader.read(seen, session_code(book.mark), presses, before, heard)
        kept = [
            keep_reading(book, one.measures, _jpeg(seen[one.part]), washes=washes, by=by)
            for one in found.coupons
        ]
        done.append(PictureReadings(name, tuple(kept), found.refused))
    return done


def needs_libraries() -> None:
    """Raise ``CouponError`` when what reading needs is not installed."""
    missing = [name for name in _NEEDED if find_spec(name) is None]
    if missing:
        raise CouponError(
            f"reading pictures needs {' and '.join(missing)}, which is not installed; "
            "run: pip install 'dtfexp[read]'"
        )


def _before(book: CouponBook) -> dict[str, CouponMeasures]:
    """Return the measures at the press of every coupon that was read then, by its label's text."""
    return {
        one.measures.label.text: one.measures
        for one in standing(readings(book)).values()
        if one.washes == 0
    }


def _jpeg(part: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(part).save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()
