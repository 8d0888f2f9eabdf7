"""Every coupon in a picture: measured, or refused with the reason. Never taken for another one."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.measures import CouponMeasures
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import finding, lighting, matching, measuring, refusing, searching
from dtfexp.coupon.reading.rectified import seen
from dtfexp.coupon.reading.refusing import Reason, Refused

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bytes = NDArray[np.uint8]

#: Parts of the artwork that are seen, at least, where a code has been read.
_LAID = 45
#: The measures before washing of a coupon, by its label's text.
Before = Mapping[str, CouponMeasures]


@dataclass(frozen=True)
class Found:
    """A coupon in a picture: ``place`` is where, in the part of it that shows all of the coupon.

    ``picture`` is that part, (rows, columns, 3) of sRGB.
    """

    place: finding.Place
    picture: Bytes


@dataclass(frozen=True)
class CouponRead:
    """One coupon measured, and the part of the picture that shows it."""

    measures: CouponMeasures
    picture: Bytes


@dataclass(frozen=True)
class PictureRead:
    """What a picture gave: the coupons measured, by press, and those refused."""

    coupons: tuple[CouponRead, ...]
    refused: tuple[Refused, ...]


def read(
    picture: Bytes, session: str, presses: Collection[int], before: Before | None = None
) -> PictureRead:
    """Return what the coupons in a picture, (rows, columns, 3) of sRGB, measure.

    ``session``: the five characters of the logbook, ``presses`` those it has; no other coupon is
    measured.
    """
    found, refused = find(picture, session, presses)
    return told(found, refused, [measure(one, before or {}) for one in found])


def find(
    picture: Bytes, session: str, presses: Collection[int]
) -> tuple[list[Found], list[Refused]]:
    """Return the coupons in a picture that can be measured, and those that cannot."""
    places: list[finding.Place] = []
    loose: list[finding.Place] = []
    for coded in finding.places(picture, finding.codes(picture)):
        place = _sure(picture, coded)
        (places if _laid(picture, place) else loose).append(place)
    searched = searching.search(picture, places, session, sorted(presses))
    places += searched.places
    places += [one for one in loose if not _again(one, places)]
    refused = [
        Refused(None, refusing.of_unread(picture, place, why)) for place, why in searched.unread
    ]
    if not places and not refused:
        return [], [Refused(None, refusing.of_picture(picture))]
    texts = [place.label.text for place in places]
    found = []
    for place in places:
        reason = _not_ours(place.label, session, presses)
        if reason is None and texts.count(place.label.text) > 1:
            reason = "twice"
        reason = reason or refusing.of_place(picture.shape, place)
        if reason is None:
            found.append(_cut(picture, place))
        elif Refused(place.label, reason) not in refused:
            refused.append(Refused(place.label, reason))
    return found, refused


def measure(found: Found, before: Before) -> CouponMeasures | Reason:
    """Return the measures of a coupon, or why it cannot be measured."""
    straight = seen(found.picture, found.place)
    reason, quality = refusing.of_seen(straight)
    if reason is not None:
        return reason
    even = lighting.even(straight)
    reason = refusing.of_even(straight, even)
    if reason is not None:
        return reason
    start = before.get(found.place.label.text)
    return replace(measuring.measured(straight, even, start), quality=quality)


def told(
    found: Collection[Found],
    refused: Collection[Refused],
    answers: Collection[CouponMeasures | Reason],
) -> PictureRead:
    """Return what a picture gave, from the answers to what was found in it."""
    measured, others = [], list(refused)
    for one, answer in zip(found, answers, strict=True):
        if isinstance(answer, CouponMeasures):
            measured.append(CouponRead(answer, one.picture))
        else:
            others.append(Refused(one.place.label, answer))
    measured.sort(key=lambda one: (one.measures.label.press, one.measures.label.half))
    return PictureRead(tuple(measured), tuple(others))


def _sure(picture: Bytes, place: finding.Place) -> finding.Place:
    """Return a place whose marks are not all seen as the whole artwork says it is."""
    if place.marks == 4:
        return place
    matrix = matching.aligned(picture, place.homography, place.label.half)
    if matrix is None:
        return place
    return replace(finding.placed(place.label, matrix, place.marks), code=place.code)


def _laid(picture: Bytes, place: finding.Place) -> bool:
    """Tell whether the artwork is seen where its code says; one code alone says it roughly."""
    return matching.parts_seen(picture, place.homography, place.label.half) >= _LAID


def _again(place: finding.Place, others: Collection[finding.Place]) -> bool:
    """Tell whether the code of a place is on another one of the same coupon."""
    return any(
        other.label == place.label
        and place.code is not None
        and searching.covers(other, np.array(place.code))
        for other in others
    )


def _cut(picture: Bytes, place: finding.Place) -> Found:
    """Return a coupon in the part of a picture that shows it."""
    rows, columns = refusing.part_of(place)
    shift = np.array([[1, 0, -columns.start], [0, 1, -rows.start], [0, 0, 1.0]])
    # A copy, so that the whole picture need not be kept.
    here = replace(place, homography=shift @ place.homography)
    return Found(here, picture[rows, columns].copy())


def _not_ours(label: Label, session: str, presses: Collection[int]) -> Reason | None:
    if label.session != session:
        return "other session"
    return None if label.press in presses else "not planned"
