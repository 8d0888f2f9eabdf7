"""Pictures of coupons read into a logbook: measured, kept with the grades they propose."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, Protocol

from dtfexp.book.coupons.picture_file import checked, picture
from dtfexp.book.coupons.readings import CouponBook, Reading, keep_reading, readings, standing
from dtfexp.coupon.payload import session_code
from dtfexp.coupon.reading import reading as reader
from dtfexp.coupon.reading.refusing import Refused
from dtfexp.describe.errors import CouponError
from dtfexp.maths.inference.single_thread import SINGLE_THREAD

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from dtfexp.coupon.measures import CouponMeasures

Source = bytes | str | os.PathLike[str]
#: JPEG quality of the part of a picture that is kept with a coupon.
_QUALITY = 92
#: Pictures held at a time. From so many pictures or coupons on, several cores are faster than one,
#: which has not to start others; the share of the work that looking for coupons is.
_AT_ONCE, _MANY_PICTURES, _MANY_COUPONS, _LOOKED = 8, 3, 5, 0.3
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


@dataclass(frozen=True)
class Known:
    """What a logbook knows of its coupons, so that pictures are read without it."""

    session: str
    presses: frozenset[int]
    before: reader.Before


def known(book: PicturedBook, washes: int) -> Known:
    """Return what reading pictures of coupons that had some ``washes`` needs of a logbook."""
    presses = frozenset(int(number) for number in book.runs()["press"])
    # Readings after a wash change nothing in these: once for all pictures.
    return Known(session_code(book.mark), presses, _before(book) if washes else {})


def look(
    sources: Sequence[Source],
    book: Known,
    told: Callable[[int, int, str], None] = lambda done, steps, now: None,
) -> Iterator[reader.PictureRead]:
    """Yield what each picture gives.

    Raises ``CouponError`` when a file is missing or no picture, or the libraries for reading are
    not there.
    """
    needs_libraries()
    for source in sources:
        checked(source)
    with SINGLE_THREAD:  # measuring is many small sums
        yield from _read(sources, book, told)


def keep(
    book: CouponBook, name: str, found: reader.PictureRead, *, washes: int = 0, by: str = ""
) -> PictureReadings:
    """Keep what a picture gave."""
    kept = [
        keep_reading(book, one.measures, jpeg(one.picture), washes=washes, by=by)
        for one in found.coupons
    ]
    return PictureReadings(name, tuple(kept), found.refused)


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
    answers = look(sources, known(book, washes), told)
    return [
        keep(book, _name(source), found, washes=washes, by=by)
        for source, found in zip(sources, answers, strict=True)
    ]


def _read(
    sources: Sequence[Source], book: Known, told: Callable[[int, int, str], None]
) -> Iterator[reader.PictureRead]:
    """Yield what each picture gives; many pictures, and many coupons, are read on several cores."""
    from joblib import Parallel, delayed

    def at_once(count: int, least: int) -> Any:
        return Parallel(n_jobs=-1 if count >= least else 1, return_as="generator")

    for start in range(0, len(sources), _AT_ONCE):
        batch = sources[start : start + _AT_ONCE]
        found = []
        looks = at_once(len(batch), _MANY_PICTURES)(
            delayed(_found)(source, book.session, book.presses) for source in batch
        )
        for place, source in enumerate(batch, start):
            told(100 * place, 100 * len(sources), f"looking at {_name(source)}")
            found.append(next(looks))
        coupons = [one for some, _ in found for one in some]
        measures = at_once(len(coupons), _MANY_COUPONS)(
            delayed(reader.measure)(one, book.before) for one in coupons
        )
        answers = []
        for done in range(len(coupons)):
            part = (_LOOKED + (1 - _LOOKED) * done / len(coupons)) * len(batch)
            now = f"measuring coupon {done + 1} of {len(coupons)}"
            told(int(100 * (start + part)), 100 * len(sources), now)
            answers.append(next(measures))
        left = iter(answers)
        for some, refused in found:
            yield reader.told(some, refused, [next(left) for _ in some])


def _found(
    source: Source, session: str, presses: frozenset[int]
) -> tuple[list[reader.Found], list[Refused]]:
    return reader.find(picture(source), session, presses)


def _name(source: Source) -> str:
    return "picture" if isinstance(source, bytes) else os.path.basename(source)


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


def jpeg(part: NDArray[np.uint8]) -> bytes:
    """Return a part of a picture as it is kept."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(part).save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()
