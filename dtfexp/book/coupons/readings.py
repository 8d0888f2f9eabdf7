"""Readings of coupons: a picture, its measures and the grades it proposes, kept in the journal.

A reading is never changed: a later one of the same coupon after as many washes stands in its
place, and both stay. A proposal is no grade: what a person decides is an ordinary entry, beside
which the history shows what was proposed when it was made.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

from dtfexp.book.store import entries, entry_fields, journal, photos
from dtfexp.coupon.measures import SINGLE, CouponMeasures
from dtfexp.coupon.payload import Half, session_code
from dtfexp.coupon.proposals import Proposal, proposals, proposals_of_said
from dtfexp.describe import fields
from dtfexp.describe.errors import CouponError, LogbookError

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.store.entries import Entry
    from dtfexp.book.store.journal import Note

READING = "coupon reading"


class CouponBook(photos.PhotoBook, Protocol):
    """What readings need of their logbook."""

    @property
    def mark(self) -> str: ...


@dataclass(frozen=True)
class Reading:
    """One coupon read in one picture, after so many washes: what was measured and is proposed."""

    id: str
    press: int
    half: Half
    washes: int
    measures: CouponMeasures
    proposals: Mapping[str, Proposal]
    photo: str
    at: datetime
    by: str


def keep_reading(
    book: CouponBook,
    measures: CouponMeasures,
    picture: bytes,
    *,
    washes: int = 0,
    by: str = "",
) -> Reading:
    """Keep the measures of one coupon, its ``picture`` and the grades they propose.

    ``washes``: how many the coupon had when the picture was taken. The same measures of the same
    picture are kept once. Raises ``CouponError`` for a coupon of another logbook, ``LogbookError``
    for an unknown press or a picture that is none.
    """
    label = measures.label
    if label.session != session_code(book.mark):
        raise CouponError(
            f"coupon {label.press}: its code {label.text} is of another logbook than "
            f"{book.path.name}; nothing was kept"
        )
    count = fields.whole_number(washes, f"press {label.press}", "washes", 0, 1000)
    told = measures.said()
    key = entries.derived_id(READING, count, told, hashlib.sha256(picture).hexdigest())
    photo = photos.keep_photo(book, label.press, picture, by=by, id=f"{key} photo")
    proposed = proposals(book.session.outcomes, measures, count)
    said = {
        "press": label.press,
        "washes": count,
        "photo": photo,
        "measures": told,
        "proposals": {name: one.said() for name, one in proposed.items()},
    }
    book.keep(READING, said, by=by, id=key)
    return _reading(next(note for note in book.kept(READING) if note.id == key))


def readings(book: CouponBook, press: int | None = None) -> list[Reading]:
    """Return every reading that was not taken back, of one press or of all, in order of arrival."""
    number = None if press is None else entry_fields.press_number(press)
    return [one for one in readings_of(book.kept(READING)) if number in (None, one.press)]


def readings_of(notes: Iterable[Note]) -> list[Reading]:
    """Return the readings among notes that were not taken back."""
    return [_reading(note) for note in journal.current_notes(notes) if note.kind == READING]


def standing(found: Iterable[Reading]) -> dict[tuple[int, Half, int], Reading]:
    """Return (press, half, washes) -> the reading that holds: the last one."""
    return {(one.press, one.half, one.washes): one for one in found}


def proposed(found: Iterable[Reading]) -> dict[int, dict[str, Proposal]]:
    """Return press -> outcome -> what the readings that hold propose.

    A half kept from the wash proposes nothing after washing.
    """
    told: dict[int, dict[str, Proposal]] = {}
    for reading in standing(found).values():
        if reading.half != "keep" or not reading.washes:
            told.setdefault(reading.press, {}).update(reading.proposals)
    return told


def proposed_before(
    found: Sequence[Reading], made: Iterable[Entry]
) -> dict[str, dict[str, Proposal]]:
    """Return entry -> outcome -> what was proposed for the grades it says, when it was made."""
    told: dict[str, dict[str, Proposal]] = {}
    for entry in made:
        graded = {name.removeprefix(entries.GRADE) for name in entry.said}
        known = [one for one in found if one.press == entry.press and one.at <= entry.at]
        own = proposed(known).get(entry.press, {})
        if both := {name: one for name, one in own.items() if name in graded}:
            told[entry.id] = both
    return told


def in_words(told: Mapping[str, Proposal]) -> str:
    """Return proposals as the history shows them."""
    return "; ".join(
        f"{name} {one.value:g} ({one.low:g} to {one.high:g}): {one.why}"
        for name, one in told.items()
    )


def frame(found: Sequence[Reading]) -> pd.DataFrame:
    """Return one row per reading, superseded ones too, in their order.

    ``press``, ``half``, ``washes``, ``time``, ``by``, ``holds`` (bool), ``against``; for each
    single measure its value and ``<measure>_sd``; ``<block>_ciede2000`` of each block;
    ``proposed`` in words; ``id``.
    """
    import pandas as pd

    held = {one.id for one in standing(found).values()}
    rows = []
    for one in found:
        row: dict[str, Any] = {
            "press": one.press, "half": one.half, "washes": one.washes, "time": one.at,
            "by": one.by, "holds": one.id in held, "against": one.measures.against,
        }  # fmt: skip
        for name in SINGLE:
            value = getattr(one.measures, name)
            row[name] = float("nan") if value is None else value.value
            row[f"{name}_sd"] = float("nan") if value is None else value.sd
        for name, change in one.measures.colours.items():
            row[f"{name}_ciede2000"] = change.ciede2000.value
        row["proposed"] = "; ".join(f"{name} {p.value:g}" for name, p in one.proposals.items())
        row["id"] = one.id
        rows.append(row)
    return pd.DataFrame(rows, columns=None if rows else ["press", "half", "washes", "time", "id"])


def _reading(note: Note) -> Reading:
    """Return the reading of a note; ``LogbookError`` for one that no logbook writes."""
    said = note.said
    try:
        measures = CouponMeasures.of_said(said["measures"])
        return Reading(
            note.id, entry_fields.press_number(said["press"]), measures.label.half,
            int(said["washes"]), measures, proposals_of_said(said["proposals"]),
            str(said["photo"]), note.at, note.by,
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LogbookError(f"note {note.seq} ({READING}) cannot be read: {error}") from None
