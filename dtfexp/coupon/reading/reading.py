"""Every coupon in a picture: measured, or refused with the reason. Never taken for another one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import coupon_layout
from dtfexp.coupon.measures import CouponMeasures
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import finding, lighting, measuring, refusing, searching
from dtfexp.coupon.reading.rectified import seen
from dtfexp.coupon.reading.refusing import Reason, Refused

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: The measures before washing of a coupon, by its label's text.
Before = Mapping[str, CouponMeasures]


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
    found = finding.places(picture, finding.codes(picture))
    found += searching.search(picture, found, session, sorted(presses))
    if not found:
        return PictureRead((), (Refused(None, refusing.of_picture(picture)),))
    measured: list[CouponRead] = []
    refused: list[Refused] = []
    texts = [place.label.text for place in found]
    for done, place in enumerate(found):
        told(done, len(found))
        reason = _not_ours(place.label, session, presses)
        if reason is None and texts.count(place.label.text) > 1:
            reason = "twice"
        one = reason or _measured(picture, place, (before or {}).get(place.label.text))
        if isinstance(one, CouponMeasures):
            measured.append(CouponRead(one, _part(picture.shape, place)))
        elif Refused(place.label, one) not in refused:
            refused.append(Refused(place.label, one))
    told(len(found), len(found))
    measured.sort(key=lambda one: (one.measures.label.press, one.measures.label.half))
    return PictureRead(tuple(measured), tuple(refused))


def _part(shape: tuple[int, ...], place: finding.Place) -> tuple[slice, slice]:
    """Return the rows and columns of a picture that show a coupon."""
    layout = coupon_layout(place.label.half)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (layout.width, layout.height)
    px = finding.moved(place.homography, corners)
    (left, top), (right, bottom) = np.floor(px.min(0)), np.ceil(px.max(0))
    return (
        slice(max(int(top), 0), min(int(bottom), shape[0])),
        slice(max(int(left), 0), min(int(right), shape[1])),
    )


def _not_ours(label: Label, session: str, presses: Collection[int]) -> Reason | None:
    if label.session != session:
        return "other session"
    return None if label.press in presses else "not planned"


def _measured(
    picture: NDArray[np.uint8], place: finding.Place, before: CouponMeasures | None
) -> CouponMeasures | Reason:
    """Return the measures of the coupon at a place, or why it cannot be measured."""
    reason = refusing.of_place(picture.shape, place)
    if reason is not None:
        return reason
    straight = seen(picture, place)
    reason, quality = refusing.of_seen(straight)
    if reason is not None:
        return reason
    even = lighting.even(straight)
    reason = refusing.of_even(straight, even)
    if reason is not None:
        return reason
    return replace(measuring.measured(straight, even, before), quality=quality)
