"""Coupons side by side on one strip of film: where each lies, where to cut, what it uses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dtfexp.coupon.layout import WIDTH, coupon_layout
from dtfexp.coupon.outlines import Shape, rectangle
from dtfexp.coupon.payload import Label
from dtfexp.coupon.raster import Picture, draw_shapes, pixels
from dtfexp.describe.errors import CouponError

#: mm of bare film before the first and after the last row, to hold it by and to catch powder.
LEADER = 20.0
_CUT, _DASH = 0.3, 3.0
#: ml of ink on a square metre (common practice, no source; a print driver decides).
COLOUR_ML, WHITE_ML = 8.0, 14.0


@dataclass(frozen=True)
class Strip:
    """A strip of film in mm: its size, the coupons on it and where their corners lie."""

    width: float
    length: float
    gap: float
    labels: tuple[Label, ...]
    corners: tuple[tuple[float, float], ...]

    @property
    def rows(self) -> tuple[float, ...]:
        """The upper edge of each row of coupons."""
        return tuple(sorted({y for _, y in self.corners}))

    def cut_lines(self) -> list[Shape]:
        """Return dashed lines midway between coupons, and along the ends, in the ink "black"."""
        heights = {
            y: coupon_layout(label.half).height
            for label, (_, y) in zip(self.labels, self.corners, strict=True)
        }
        middle = self.gap / 2
        across = [y - middle for y in heights] + [y + h + middle for y, h in heights.items()]
        found = []
        for y in sorted(set(np.round(across, 6))):
            for x in np.arange(0, self.width - _DASH, 2 * _DASH):
                found.append(rectangle("black", float(x), float(y) - _CUT / 2, _DASH, _CUT))
        edges = {round(x + side, 6) for x, _ in self.corners for side in (-middle, WIDTH + middle)}
        columns = {x for x in edges if 0 < x < self.width}
        top, bottom = self.rows[0] - middle, self.length - LEADER + middle
        for x in sorted(columns):
            for y in np.arange(top, bottom - _DASH, 2 * _DASH):
                found.append(rectangle("black", x - _CUT / 2, float(y), _CUT, _DASH))
        return found

    def bands(self, per_mm: float, pictures: Sequence[Picture], mirror: bool) -> Iterator[Picture]:
        """Yield the strip as RGBA from above, one piece at a time: a long strip is large.

        ``pictures``: the artwork of each coupon at ``per_mm``.
        """
        edges = [0, *(pixels(y - self.gap / 2, per_mm) for y in self.rows)]
        edges.append(pixels(self.length, per_mm))
        lines = self.cut_lines()
        for top, bottom in pairwise(edges):
            band = np.zeros((bottom - top, pixels(self.width, per_mm), 4), dtype=np.uint8)
            draw_shapes(band, lines, per_mm, top)
            for picture, (x, y) in zip(pictures, self.corners, strict=True):
                row, column = pixels(y, per_mm) - top, pixels(x, per_mm)
                if 0 <= row < len(band):
                    height, width = picture.shape[:2]
                    band[row : row + height, column : column + width] = picture
            yield band[:, ::-1] if mirror else band


def strip_of(labels: Sequence[Label], width: float, gap: float) -> Strip:
    """Lay coupons out on film of a printable ``width``, ``gap`` mm apart, in their order.

    Raises ``CouponError`` for film narrower than a coupon.
    """
    across = int((width + gap + 1e-9) // (WIDTH + gap))
    if not across:
        raise CouponError(
            f"film width: got {width:g} mm; a coupon needs at least {WIDTH:g} mm of printable width"
        )
    corners: list[tuple[float, float]] = []
    y = LEADER
    for start in range(0, len(labels), across):
        row = labels[start : start + across]
        corners += [(place * (WIDTH + gap), y) for place in range(len(row))]
        y += max(coupon_layout(label.half).height for label in row) + gap
    return Strip(width, y - gap + LEADER, gap, tuple(labels), tuple(corners))


def white_layer(picture: Picture) -> Picture:
    """Return the white ink of an artwork as a separation: 0 where white is laid, else 255."""
    white: Picture = np.where(picture[..., 3] > 0, np.uint8(0), np.uint8(255))
    return white


def ink_areas(pictures: Sequence[Picture], per_mm: float) -> tuple[float, float]:
    """Return the printed areas of artworks in cm²: of colour (not white), and of white."""
    white = sum(int(np.count_nonzero(one[..., 3])) for one in pictures)
    plain = sum(int(np.count_nonzero(np.all(one == 255, axis=2))) for one in pictures)
    square = 100 * per_mm**2
    return (white - plain) / square, white / square
