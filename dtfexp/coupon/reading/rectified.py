"""A coupon cut out of its picture: seen straight from above, as linear light on a grid of mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.reading import colour
from dtfexp.coupon.reading.finding import Place, moved, sampled
from dtfexp.coupon.reading.matching import grid, inks, shifts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]

#: px/mm at which parts of the artwork are matched; mm searched.
_MATCHED, _REACH = 5.0, 0.9
#: Linear light of every byte.
_LINEAR = colour.linear(np.arange(256)).astype(np.float32)


@dataclass(frozen=True)
class Seen:
    """A coupon straight from above: ``light`` (rows, columns, 3), linear, at ``per_mm`` px/mm.

    ``luma`` (rows, columns) is the light of a grey as bright as the picture writes each px.
    ``bytes`` is the same in the picture's own values; ``ink`` holds, for each px, the index in
    ``layout.INKS`` of what the artwork prints there, -1 where it is bare.
    """

    label: Label
    per_mm: float
    light: Array
    luma: Array
    bytes: Array
    ink: NDArray[np.int8]


def seen(picture: Bytes, place: Place) -> Seen:
    """Return the coupon at ``place`` straight from above, its bends followed.

    METHODS.md, section 17.
    """
    per_mm = float(np.clip(np.round(place.scale * 1.1), 6, 12))
    ink = inks(place.label, per_mm)
    bend = _bend(picture, place)
    at = grid(ink.shape, per_mm)
    at = at + bend(at)
    # Light is averaged, not its bytes: between dark print and light cloth they are too dark.
    luma = np.interp(colour.luma(picture), np.arange(256), _LINEAR).astype(np.float32)
    channels = np.concatenate([_LINEAR[picture], luma[..., None]], -1)
    values = sampled(_averaged(channels, place, per_mm), moved(place.homography, at))
    written = np.interp(values[..., :3], _LINEAR, np.arange(256))
    return Seen(place.label, per_mm, values[..., :3], values[..., 3], written, ink)


def _averaged(light: NDArray[np.float32], place: Place, per_mm: float) -> NDArray[np.float32]:
    """Return the light of a picture, smoothed when it is finer than the grid."""
    if place.scale < 1.3 * per_mm:
        return light
    from scipy.ndimage import gaussian_filter

    spread = 0.4 * place.scale / per_mm
    return np.asarray(gaussian_filter(light, (spread, spread, 0)))


class _Bend:
    """How far the cloth is off the plane, (..., 2) in mm: a polynomial of the second degree."""

    def __init__(self, layout_size: tuple[float, float], terms: Array) -> None:
        self.size, self.terms = np.array(layout_size), terms

    def rows(self, at: Array) -> Array:
        x, y = np.moveaxis(at / self.size - 0.5, -1, 0)
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)

    def __call__(self, at: Array) -> Array:
        return self.rows(at) @ self.terms


def _bend(picture: Bytes, place: Place) -> _Bend:
    """Return the bend that lays the artwork over the picture, from parts with edges both ways."""
    layout = coupon_layout(place.label.half)
    ink = inks(place.label, _MATCHED)
    values = sampled(picture, moved(place.homography, grid(ink.shape, _MATCHED))).mean(-1)
    centres, off = shifts(values, ink, _MATCHED, _REACH)
    bend = _Bend((layout.width, layout.height), np.zeros((6, 2)))
    if len(centres) < 10:
        return bend
    rows, weight = bend.rows(centres), np.ones(len(centres))
    for _ in range(5):
        # A weak pull towards no bend: 0.5 mm is a lot.
        left = np.concatenate([rows * weight[:, None], 0.1 * np.eye(6)])
        right = np.concatenate([off * weight[:, None], np.zeros((6, 2))])
        terms = np.linalg.lstsq(left, right, rcond=None)[0]
        rest = np.hypot(*(off - rows @ terms).T)
        weight = 1 / np.sqrt(1 + (rest / 0.1) ** 2)
    return _Bend((layout.width, layout.height), terms)
