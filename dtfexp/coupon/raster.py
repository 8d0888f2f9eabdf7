"""A coupon as pixels."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dtfexp.coupon.layout import INKS, Kind, coupon_layout
from dtfexp.coupon.outlines import Shape, feature_shapes
from dtfexp.coupon.payload import Half, Label

Picture = NDArray[np.uint8]
#: A polygon is drawn this many times larger, and a pixel printed where half of it is covered.
_FINER = 4
#: Rectangles thinner than this, in mm, are lines and gaps.
_THIN = 2.1
#: What a label changes.
_LABELLED: tuple[Kind, ...] = ("code", "number", "word")
_ANY = Label("00000", 1)


def pixels(length: float, per_mm: float) -> int:
    """Return a length in mm as whole pixels."""
    return int(np.floor(length * per_mm + 0.5))


def coupon_picture(label: Label, per_mm: float) -> Picture:
    """Return the artwork of a coupon at ``per_mm`` pixels per mm: (height, width, 4), sRGB, alpha.

    Alpha is 255 where ink is printed, white ink under every colour, and 0 elsewhere: no pixel is in
    between, as half-covered pixels are spattered by a print driver. A line is at least one pixel
    wide. The picture reads the right way round: film is printed mirrored, which the print driver
    does.
    """
    picture = _unlabelled(label.half, per_mm).copy()
    for feature in coupon_layout(label.half).of_kind(*_LABELLED):
        draw_shapes(picture, feature_shapes(feature, label), per_mm)
    return picture


@lru_cache(maxsize=12)  # reading takes several sizes of both kinds in turn
def _unlabelled(half: Half, per_mm: float) -> Picture:
    """Return what all coupons of a kind have in common."""
    layout = coupon_layout(half)
    size = (pixels(layout.height, per_mm), pixels(layout.width, per_mm), 4)
    picture = np.zeros(size, dtype=np.uint8)
    for feature in layout.features:
        if feature.kind not in _LABELLED:
            draw_shapes(picture, feature_shapes(feature, _ANY), per_mm)
    return picture


def draw_shapes(
    picture: Picture, shapes: Iterable[Shape], per_mm: float, first_row: int = 0
) -> None:
    """Draw shapes into an RGBA picture, in place, later ones over earlier ones.

    ``first_row``: the row of the whole that the picture begins with; polygons need 0.
    """
    for shape in shapes:
        ink = (*INKS[shape.ink], 255) if shape.ink else (0, 0, 0, 0)
        if shape.box is not None:
            x0, y0, x1, y1 = shape.box
            left, top = pixels(x0, per_mm), pixels(y0, per_mm)
            # A thin line keeps its width wherever it falls on the pixels; larger things join.
            wide = max(1, pixels(x1 - x0, per_mm)) if x1 - x0 < _THIN else pixels(x1, per_mm) - left
            bottom = max(top + 1, pixels(y1, per_mm)) - first_row
            picture[max(top - first_row, 0) : max(bottom, 0), left : left + wide] = ink
        else:
            _draw_polygon(picture, shape, per_mm)


def _draw_polygon(picture: Picture, shape: Shape, per_mm: float) -> None:
    from PIL import Image, ImageDraw

    points = shape.points * per_mm
    left, top = np.floor(points.min(axis=0)).astype(int) - 1
    right, bottom = np.ceil(points.max(axis=0)).astype(int) + 1
    mask = Image.new("1", (int(right - left) * _FINER, int(bottom - top) * _FINER))
    inside = (points - (left, top)) * _FINER - 0.5
    ImageDraw.Draw(mask).polygon([(float(x), float(y)) for x, y in inside], fill=1)
    fine = np.asarray(mask).reshape(bottom - top, _FINER, right - left, _FINER)
    covered = fine.mean(axis=(1, 3)) >= 0.5
    picture[top:bottom, left:right][covered] = (*INKS[shape.ink], 255)
