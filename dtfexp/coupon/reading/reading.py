"""Every coupon in a picture: measured, or refused with the reason. Never taken for another one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import coupon_layout
from dtfexp.coupon.measures import CouponMeasures
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import finding, lighting, matching, measuring, refusing, searching
from dtfexp.coupon.reading.rectified import seen
from dtfexp.coupon.reading.refusing import Reason, Refused

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: The measures before washing of a coupon, by its label's text.
Before = Mapping[str, CouponMeasures]
#: From so many coupons on, several cores measure faster than one; px kept around a coupon.
_MANY, _AROUND = 5, 12


@dataclass(frozen=True)
class CouponRead:
    """One coupon measured, and the part of the picture (rows, columns) that shows all of it."""

    measures: CouponMeasures
    part: tuple[slice, slice]


@dataclass(frozen=True)
class PictureRead:
    """What a picture gave: the coupons measured, by press, and those refused."""

    coupons: tuple[CouponRead, ...]
    refused: tuple[Refused, ...]


def read(
    picture: NDArray[np.uint8],
    session: str,
    presses: Collection[int],
    before: Before | None = None,
    told: Callable[[int, int], None] = lambda done, steps: None,
) -> PictureRead:
    """Return what the coupons in a picture, (rows, columns, 3) of sRGB, measure.

    ``session``: the five characters of the logbook, ``presses`` those it has; no other coupon is
    measured. ``told`` hears how many of the coupons found are done.
    """
    found = [_sure(picture, one) for one in finding.places(picture, finding.codes(picture))]
    found += searching.search(picture, found, session, sorted(presses))
    if not found:
        return PictureRead((), (Refused(None, refusing.of_picture(picture)),))
    texts = [place.label.text for place in found]
    asked, refused = [], []
    for place in found:
        reason = _not_ours(place.label, session, presses)
        if reason is None and texts.count(place.label.text) > 1:
            reason = "twice"
        reason = reason or refusing.of_place(picture.shape, place)
        if reason is None:
            asked.append((place, _part(picture.shape, place)))
        elif Refused(place.label, reason) not in refused:
            refused.append(Refused(place.label, reason))
    measured = []
    answers = _all_measured(picture, asked, before or {})
    for done, ((place, part), one) in enumerate(zip(asked, answers, strict=True), start=1):
        told(done, len(asked))
        if isinstance(one, CouponMeasures):
            measured.append(CouponRead(one, part))
        else:
            refused.append(Refused(place.label, one))
    measured.sort(key=lambda one: (one.measures.label.press, one.measures.label.half))
    return PictureRead(tuple(measured), tuple(refused))


def _sure(picture: NDArray[np.uint8], place: finding.Place) -> finding.Place:
    """Return a place whose marks are not all seen as the whole artwork says it is."""
    if place.marks == 4:
        return place
    matrix = matching.aligned(picture, place.homography, place.label.half)
    return place if matrix is None else finding.placed(place.label, matrix, place.marks)


def _all_measured(
    picture: NDArray[np.uint8],
    asked: Sequence[tuple[finding.Place, tuple[slice, slice]]],
    before: Before,
) -> Iterator[CouponMeasures | Reason]:
    """Yield what is measured at each place, or why not; many coupons on several cores."""
    tasks = []
    for place, (rows, columns) in asked:
        shift = np.array([[1, 0, -columns.start], [0, 1, -rows.start], [0, 0, 1.0]])
        here = replace(place, homography=shift @ place.homography)
        tasks.append((picture[rows, columns], here, before.get(place.label.text)))
    if len(tasks) < _MANY:
        yield from (_measured(*task) for task in tasks)
        return
    from joblib import Parallel, delayed

    at_once = Parallel(n_jobs=-1, return_as="generator")
    yield from at_once(delayed(_measured)(*task) for task in tasks)


def _part(shape: tuple[int, ...], place: finding.Place) -> tuple[slice, slice]:
    """Return the rows and columns of a picture that show a coupon."""
    layout = coupon_layout(place.label.half)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (layout.width, layout.height)
    px = finding.moved(place.homography, corners)
    (left, top), (right, bottom) = np.floor(px.min(0)), np.ceil(px.max(0))
    return (
        slice(max(int(top) - _AROUND, 0), min(int(bottom) + _AROUND, shape[0])),
        slice(max(int(left) - _AROUND, 0), min(int(right) + _AROUND, shape[1])),
    )


def _not_ours(label: Label, session: str, presses: Collection[int]) -> Reason | None:
    if label.session != session:
        return "other session"
    return None if label.press in presses else "not planned"


def _measured(
    picture: NDArray[np.uint8], place: finding.Place, before: CouponMeasures | None
) -> CouponMeasures | Reason:
    """Return the measures of the coupon at a place, or why it cannot be measured."""
    straight = seen(picture, place)
    reason, quality = refusing.of_seen(straight)
    if reason is not None:
        return reason
    even = lighting.even(straight)
    reason = refusing.of_even(straight, even)
    if reason is not None:
        return reason
    return replace(measuring.measured(straight, even, before), quality=quality)
