"""Coupons found in a picture by their codes, and where every mm of each is seen.

The codes give a first homography, the corner marks a finer one; what cloth and lens bend beyond it
is followed by matching small parts of the artwork.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import CODE, MODULE, QUIET, coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.describe.errors import CouponError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]

#: mm by which a corner mark may be off the first guess, and off the second.
_SEARCHED = (3.0, 1.2)
#: px/mm at which marks are looked for; a mark's likeness to the chessboard, 0..1, that counts.
_MARK_SCALE, _ALIKE = 8.0, 0.55
#: Variance of bytes below which a patch has no contrast.
_PLAIN = 0.25


@dataclass(frozen=True)
class Code:
    """One code in a picture: what it says, and its corners (4, 2) in px, from its upper left."""

    text: str
    corners: Array


@dataclass(frozen=True)
class Place:
    """Where a coupon lies in a picture: ``homography`` from mm to px, how sure, how large.

    ``marks`` is the number of corner marks that were found; ``scale`` px/mm where it is smallest,
    ``slant`` how much larger it is where and in the direction in which it is largest. ``code``: the
    middle, px, of a code by which it was found.
    """

    label: Label
    homography: Array
    marks: int
    scale: float
    slant: float
    code: tuple[float, float] | None = None


def codes(picture: Bytes) -> list[Code]:
    """Return the QR codes in a picture, every one once."""
    import zxingcpp

    found: list[Code] = []
    for grey, factor in _looks(picture):
        for one in zxingcpp.read_barcodes(
            grey, formats=zxingcpp.BarcodeFormat.QRCode, try_invert=False
        ):
            at = one.position
            corners = factor * np.array(
                [
                    (point.x, point.y)
                    for point in (at.top_left, at.top_right, at.bottom_right, at.bottom_left)
                ],
                dtype=float,
            )
            if not any(_same(corners, other.corners) for other in found):
                found.append(Code(one.text, corners))
    return found


def _looks(picture: Bytes) -> Iterator[tuple[Bytes, float]]:
    """Yield the picture in grey, and how much larger a px of the picture is than one of it."""
    from scipy.ndimage import gaussian_filter

    grey = np.ascontiguousarray(picture @ np.array([0.299, 0.587, 0.114])).astype(np.uint8)
    yield grey, 1.0
    yield gaussian_filter(grey, 1.2), 1.0


def _same(one: Array, other: Array) -> bool:
    return bool(np.hypot(*(one.mean(0) - other.mean(0))) < 0.3 * np.hypot(*(one[2] - one[0])))


def homography(mm: Array, px: Array, weight: Array | None = None) -> Array:
    """Return the homography (3, 3) that takes points (n, 2) in mm to px.

    Direct linear transform on scaled coordinates (Hartley & Zisserman 2004, algorithm 4.2).
    METHODS.md, section 17.
    """
    scaled_mm, from_mm = _scaled(mm)
    scaled_px, from_px = _scaled(px)
    x, y, one = scaled_mm[:, 0], scaled_mm[:, 1], np.ones(len(mm))
    u, v, zero = scaled_px[:, 0], scaled_px[:, 1], np.zeros(len(mm))
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], 1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], 1),
        ]
    )
    if weight is not None:
        rows *= np.concatenate([weight, weight])[:, None]
    solved = np.linalg.svd(rows, full_matrices=len(rows) < 9)[2][-1].reshape(3, 3)
    whole = np.linalg.inv(from_px) @ solved @ from_mm
    return np.asarray(whole / whole[2, 2])


def _scaled(points: Array) -> tuple[Array, Array]:
    middle = points.mean(0)
    factor = np.sqrt(2) / np.hypot(*(points - middle).T).mean()
    matrix = np.array(
        [[factor, 0, -factor * middle[0]], [0, factor, -factor * middle[1]], [0, 0, 1.0]]
    )
    return factor * (points - middle), matrix


def moved(matrix: Array, points: Array) -> Array:
    """Return points (..., 2) taken through a homography."""
    x, y = points[..., 0], points[..., 1]
    u, v, w = (row[0] * x + row[1] * y + row[2] for row in matrix)
    return np.stack([u / w, v / w], -1)


def places(picture: Bytes, found: Iterable[Code]) -> list[Place]:
    """Return where the coupons lie to which codes belong; codes that say no coupon are passed over.

    Two codes of one text are one coupon's when the marks that they predict are there; a coupon
    printed twice is found twice.
    """
    by_text: dict[str, list[Code]] = {}
    for code in found:
        by_text.setdefault(code.text, []).append(code)
    made = []
    for text, some in by_text.items():
        try:
            label = Label.of(text)
        except CouponError:
            continue
        made += _places_of(picture, label, some)
    return made


def _places_of(picture: Bytes, label: Label, some: list[Code]) -> list[Place]:
    """Return the places of one label: every code is tried as either of the two of a coupon."""
    tried = [
        _located(picture, label, {0: one, 1: other})
        for one in some for other in some if other is not one
    ]  # fmt: skip
    # One code alone where no two go together: either of the two of a coupon.
    if not any(place.marks == 4 for place, _ in tried):
        tried += [_located(picture, label, {which: one}) for one in some for which in (0, 1)]
    tried.sort(key=lambda pair: (pair[1], pair[0].marks), reverse=True)
    kept: list[tuple[Place, float]] = []
    middle = np.array([coupon_layout(label.half).width, coupon_layout(label.half).height]) / 2
    for place, alike in tried:
        centre = moved(place.homography, middle)
        near = 30 * place.scale
        if place.marks < 2 and kept:
            continue
        if all(np.hypot(*(moved(k.homography, middle) - centre)) > near for k, _ in kept):
            kept.append((place, alike))
    return [place for place, _ in kept[: len(some)]]


def _located(picture: Bytes, label: Label, held: dict[int, Code]) -> tuple[Place, float]:
    """Return the place from one or two codes and all marks; and how alike its marks are, summed."""
    layout = coupon_layout(label.half)
    boxes = layout.of_kind("code")
    inner = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (CODE - 2 * QUIET * MODULE)
    mm = np.concatenate(
        [inner + QUIET * MODULE + (boxes[which].x, boxes[which].y) for which in held]
    )
    px = np.concatenate([code.corners for code in held.values()])
    first = homography(mm, px)
    alike = np.zeros(4)
    for searched in _SEARCHED:
        marks, alike = _marks(picture, first, layout.mark_centres, searched)
        there = alike > _ALIKE
        points = np.concatenate([mm, np.array(layout.mark_centres)[there]])
        seen = np.concatenate([px, marks[there]])
        first = homography(points, seen, np.r_[np.full(len(mm), 0.15), np.full(there.sum(), 1.0)])
    code = tuple(px[:4].mean(0))
    return replace(placed(label, first, int(there.sum())), code=code), float(alike.sum())


def placed(label: Label, matrix: Array, marks: int = 0) -> Place:
    """Return a coupon's place from its homography."""
    layout = coupon_layout(label.half)
    size = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]) * (layout.width, layout.height)
    low, high = _scales(matrix, size)
    return Place(label, matrix, marks, low, high / low)


def _scales(matrix: Array, corners: Array) -> tuple[float, float]:
    """Return px/mm at the corners, in the directions in which it is smallest and largest."""
    found = []
    for corner in corners:
        steps = moved(matrix, corner + np.array([[0, 0], [0.5, 0], [0, 0.5]]))
        found += list(np.linalg.svd((steps[1:] - steps[0]) / 0.5, compute_uv=False))
    return float(min(found)), float(max(found))


def _marks(
    picture: Bytes, matrix: Array, centres: Iterable[tuple[float, float]], searched: float
) -> tuple[Array, Array]:
    """Return where the middles of the marks are seen (4, 2) in px, and how alike they are (4,)."""
    half = int(2.6 * _MARK_SCALE)
    side = np.sign(np.arange(-half, half) + 0.5)
    board = -np.outer(side, side)[None]  # the upper left quarter is black
    reach = half + int(np.ceil(searched * _MARK_SCALE))
    steps = (np.arange(-reach, reach) + 0.5) / _MARK_SCALE
    grid = np.stack(np.meshgrid(steps, steps), -1)
    seen, alike = [], []
    for centre in centres:
        patch = sampled(picture, moved(matrix, grid + centre)).mean(-1)
        (like,) = likeness(patch[None], board)
        row, column = np.unravel_index(np.argmax(like), like.shape)
        off = np.array([peak(like[row], column), peak(like[:, column], row)]) - (reach - half)
        seen.append(moved(matrix, np.array(centre) + off / _MARK_SCALE))
        alike.append(like[row, column])
    return np.array(seen), np.array(alike)


def likeness(patches: Array, parts: Array) -> Array:
    """Return how alike parts (n, t, t) are to patches (n, p, p), at each place of them, -1..1.

    Normalised cross-correlation (Lewis 1995), (n, p - t + 1, p - t + 1), by Fourier transforms.
    """
    from scipy.fft import irfft2, next_fast_len, rfft2

    side, wide = parts.shape[-1], patches.shape[-1]
    length = (next_fast_len(wide, real=True),) * 2
    parts = parts - parts.mean((1, 2), keepdims=True)
    patches = patches - patches.mean((1, 2), keepdims=True)
    product = rfft2(patches, length) * np.conj(rfft2(parts, length))
    cross = irfft2(product, length)[:, : wide - side + 1, : wide - side + 1]
    total, square = (
        np.pad(values, ((0, 0), (1, 0), (1, 0))).cumsum(1).cumsum(2)
        for values in (patches, patches**2)
    )
    mean, power = (
        (s[:, side:, side:] - s[:, :-side, side:] - s[:, side:, :-side] + s[:, :-side, :-side])
        for s in (total, square)
    )
    # Of a patch without any contrast nothing is alike: rounding is not compared.
    spread = np.clip(power - mean**2 / side**2, _PLAIN * side**2, None)
    return np.asarray(cross / np.sqrt(spread * (parts**2).sum((1, 2))[:, None, None] + 1e-12))


def peak(values: Array, at: np.intp) -> float:
    """Return the place of a maximum between its neighbours, by a parabola."""
    if not 0 < at < len(values) - 1:
        return float(at)
    low, here, high = values[at - 1 : at + 2]
    return float(at + 0.5 * (low - high) / (low - 2 * here + high - 1e-12))


def sampled(picture: NDArray[np.generic], px: Array) -> Array:
    """Return the values of a picture's channels at points (..., 2); the nearest beyond it."""
    from scipy.ndimage import map_coordinates

    low = np.clip(np.floor(px.reshape(-1, 2).min(0)).astype(int) - 2, 0, None)
    high = np.ceil(px.reshape(-1, 2).max(0)).astype(int) + 3
    cut = picture[low[1] : max(high[1], low[1] + 1), low[0] : max(high[0], low[0] + 1)]
    if not cut.size:
        return np.zeros((*px.shape[:-1], picture.shape[-1]))
    at = [px[..., 1] - low[1], px[..., 0] - low[0]]
    return np.stack(
        [
            map_coordinates(cut[..., i], at, order=1, mode="nearest", output=np.float32)
            for i in range(picture.shape[-1])
        ],
        -1,
    )
