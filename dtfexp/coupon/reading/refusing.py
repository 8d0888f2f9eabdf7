"""What is wrong with a picture, or with a coupon in it, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from dtfexp.coupon.layout import BARE as EDGE
from dtfexp.coupon.layout import INKS, coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading.finding import Place, moved
from dtfexp.coupon.reading.lighting import Even, inside
from dtfexp.coupon.reading.mirrored import mirrors
from dtfexp.coupon.reading.rectified import Seen

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Reason = Literal[
    "no code", "small", "cut off", "slanted", "dark", "bright", "blurred", "glare", "not flat",
    "other session", "not planned", "not ours", "worn", "twice",
]  # fmt: skip
_WHITE = list(INKS).index("white")
#: Least px/mm; largest blur (standard deviation, mm); how much narrower the coupon may be seen in
#: one direction than in the other.
LEAST_SCALE, MOST_BLUR, MOST_SLANT = 4.3, 0.32, 2.0
#: Least and largest value of the white print in the picture, 0..255, and the share of it above.
DARKEST, BRIGHTEST, _CLIPPED = 85, 252, 0.02
#: Share of the coupon without any detail left, in no channel.
_BLANK = 0.002
#: px by which a patch without detail is made narrower and wider; least level just beyond it when it
#: fades away as light does, not as a white thing ends.
_RIM, _FADES = 3, 200
#: Share of a strip beside the solid that looks like it: the coupon lies otherwise than it seems.
_BESIDE = 0.6
#: px kept around a coupon.
_AROUND = 12

WHAT_TO_DO: dict[Reason, str] = {
    "no code": "no coupon's code can be read; take all of the coupon, go nearer, hold the camera "
    "still, and use even light without flash or shine; with both codes worn away, grade it by eye",
    "small": "the coupon is too small in the picture; go nearer, or take fewer coupons in one "
    "picture",
    "cut off": "part of the coupon is outside of the picture; take all of it, with its four corner "
    "marks",
    "slanted": "the picture is taken too far from the side; hold the camera straight above",
    "dark": "the picture is too dark; take it in more light",
    "bright": "the picture is too bright: white has no detail left; take it with less light or a "
    "lower exposure",
    "blurred": "the picture is blurred; hold the camera still, tap the coupon to focus, and take "
    "it again",
    "glare": "light is mirrored in the print; turn the flash off, or move the lamp or the coupon",
    "not flat": "the print is not where its code says; lay the coupon flat, and take it from "
    "straight above",
    "other session": "the coupon belongs to another session; read it into that logbook",
    "not planned": "no such press is planned in this logbook",
    "not ours": "the coupon's code is of no press of this logbook; see the number beside it: it "
    "is another logbook's, or its press is not planned here",
    "worn": "a coupon is there, but too little is left of its codes to tell which; take it nearer "
    "and straight from above, or grade it by eye",
    "twice": "the coupon is in the picture more than once; take each coupon once",
}


@dataclass(frozen=True)
class Refused:
    """A coupon (``label`` None: the whole picture) that is not measured, and why."""

    label: Label | None
    reason: Reason

    @property
    def text(self) -> str:
        """What is wrong and what to do."""
        return WHAT_TO_DO[self.reason]


def of_picture(picture: NDArray[np.uint8]) -> Reason:
    """Return why no code can be read in a picture: as far as it shows, else ``"no code"``."""
    grey = picture[::2, ::2].astype(float) @ np.array([0.299, 0.587, 0.114])
    low, high = np.percentile(grey, [1, 99])
    if high < DARKEST:
        return "dark"
    if _blown(picture[::2, ::2]):
        return "glare"
    step = np.abs(np.diff(grey, axis=0)).max(initial=0) / max(high - low, 1)
    return "blurred" if step < 0.2 else "no code"


def of_place(shape: tuple[int, ...], place: Place) -> Reason | None:
    """Return what is wrong with where a coupon lies in a picture of ``shape``."""
    layout = coupon_layout(place.label.half)
    right, bottom = layout.width - EDGE, layout.height - EDGE
    printed = np.array([[EDGE, EDGE], [right, EDGE], [right, bottom], [EDGE, bottom]])
    x, y = moved(place.homography, printed).T
    if min(x.min(), y.min()) < 0 or x.max() > shape[1] - 1 or y.max() > shape[0] - 1:
        return "cut off"
    if place.scale < LEAST_SCALE:
        return "small"
    if place.slant > MOST_SLANT:
        return "slanted"
    return None


def of_unread(picture: NDArray[np.uint8], place: Place, why: Reason) -> Reason:
    """Return why the code of a coupon at a place is not read: the picture's fault, or ``why``."""
    reason = of_place(picture.shape, place)
    if reason is not None:
        return reason
    rows, columns = part_of(place)
    part = picture[rows, columns]
    if blank(part) > _BLANK:
        return "glare"
    reason = of_picture(part)
    return why if reason == "no code" else reason


def part_of(place: Place) -> tuple[slice, slice]:
    """Return the rows and columns of a picture that show all of a coupon."""
    layout = coupon_layout(place.label.half)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (layout.width, layout.height)
    px = moved(place.homography, corners)
    low = np.clip(np.floor(px.min(0)).astype(int) - _AROUND, 0, None)
    high = np.ceil(px.max(0)).astype(int) + _AROUND
    return slice(low[1], high[1]), slice(low[0], high[0])


def of_seen(seen: Seen) -> tuple[Reason | None, dict[str, float]]:
    """Return what is wrong with the light or the focus; and what was found of either."""
    white = seen.bytes[inside(seen.ink, _WHITE, 0.5 * seen.per_mm)]
    level = float(np.percentile(white.max(-1), 60))
    clipped = float((white.max(-1) >= BRIGHTEST).mean())
    blur = blur_of(seen)
    found = {"px/mm": seen.per_mm, "blur mm": blur, "white": level, "clipped": clipped}
    if level < DARKEST:
        return "dark", found
    if blur > MOST_BLUR:
        return "blurred", found
    if clipped > _CLIPPED or blank(seen.bytes) > _BLANK:
        return "bright" if clipped > 0.5 else "glare", found
    return None, found


def blank(picture: NDArray[np.generic]) -> float:
    """Return the share of px (rows, columns, 3) that are as bright as can be in every channel."""
    return float((picture.min(-1) >= BRIGHTEST).mean())


def _blown(picture: NDArray[np.uint8]) -> bool:
    """Tell whether a picture has a patch without any detail that fades away all round."""
    from scipy.ndimage import binary_dilation, binary_erosion

    least = picture.min(-1)
    patch = binary_erosion(least >= BRIGHTEST, iterations=_RIM)
    if patch.mean() < _BLANK:
        return False
    beyond = binary_dilation(patch, iterations=3 * _RIM) & ~binary_dilation(patch, iterations=_RIM)
    return float(np.median(least[beyond])) >= _FADES


def blur_of(seen: Seen) -> float:
    """Return the standard deviation, mm, of the blur that makes the codes look as they do."""
    from scipy.ndimage import gaussian_filter

    tried = np.geomspace(0.04, 1.0, 17)
    rest = np.zeros(len(tried))
    for one in coupon_layout(seen.label.half).of_kind("code"):
        rows, columns = (
            slice(int(start * seen.per_mm), int((start + size) * seen.per_mm))
            for start, size in ((one.y, one.height), (one.x, one.width))
        )
        looks = seen.light[rows, columns].mean(-1)
        drawn = (seen.ink[rows, columns] == _WHITE).astype(float)
        edge = int(2.4 * seen.per_mm)
        for place, width in enumerate(tried):
            soft = gaussian_filter(drawn, width * seen.per_mm, mode="nearest")
            part = np.s_[edge:-edge, edge:-edge]
            rest[place] += _rest(soft[part].ravel(), looks[part].ravel())
    best = int(np.argmin(rest))
    return float(tried[best])


def _rest(soft: Array, looks: Array) -> float:
    """Return the share of the variation of ``looks`` that a line in ``soft`` leaves over."""
    return 1 - float(np.corrcoef(soft, looks)[0, 1]) ** 2


def of_even(seen: Seen, even: Even) -> Reason | None:
    """Return what only even light shows: print where none should be, or light that is mirrored."""
    if _beside_its_place(seen, even):
        return "not flat"
    return "glare" if mirrors(seen, even) else None


def _beside_its_place(seen: Seen, even: Even) -> bool:
    """Tell whether the large solid reaches over one of its edges, 0.6 to 1.3 mm beyond it."""
    one = coupon_layout(seen.label.half).of_kind("solid")[0]
    left, top, right, bottom = (
        int(edge * seen.per_mm) for edge in (one.x, one.y, one.x + one.width, one.y + one.height)
    )
    print_ = np.median(even.light[top:bottom, left:right].reshape(-1, 3), 0)
    near, far = int(0.6 * seen.per_mm), int(np.ceil(1.3 * seen.per_mm))
    beyond = (
        even.light[top - far : top - near, left:right],
        even.light[bottom + near : bottom + far, left:right],
        even.light[top:bottom, left - far : left - near],
        even.light[top:bottom, right + near : right + far],
    )
    for strip in beyond:
        is_print = ((strip - print_) ** 2).sum(-1) < ((strip - even.cloth) ** 2).sum(-1)
        if is_print.mean() > _BESIDE and ((print_ - even.cloth) ** 2).sum() > 0.01:
            return True
    return False
