"""Coupons whose code no reader finds, because print is gone from it.

The large solid is found by its colour; its corners and the blocks around it say how the coupon
lies, parts of the artwork matched to the picture say it finely. The modules of both codes that are
still there are then compared with the codes of all coupons that the logbook has: one of them must
agree with nearly all, and every other one with far fewer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import (
    CODE_MODULES,
    INKS,
    MODULE,
    QUIET,
    SOLID_HEIGHT,
    Layout,
    coupon_layout,
)
from dtfexp.coupon.outlines import code_modules
from dtfexp.coupon.payload import Half, Label
from dtfexp.coupon.reading import colour, matching
from dtfexp.coupon.reading.finding import Place, homography, moved, placed, sampled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]
    Mask = NDArray[np.bool_]

#: px of the reduced picture in which the solid is looked for; radii, px, over which lost flakes are
#: bridged; the least area of a solid, px.
_REDUCED, _BRIDGED, _LEAST = 700_000, (1, 3, 7), 300
#: px by which its outline is made blunt; number of stretches of it that may be sides.
_BLUNT, _SIDES = 1.5, 9
#: How alike the blocks' colours are to the artwork's, at least (correlation); lays that are tried.
_ALIKE, _TRIED = 0.3, 3
#: Of a code: modules that must be plain, share of them that agrees, and how much likelier than any
#: other code it must be (natural logarithm).
_PLAIN, _AGREE, _CLEAR = 50, 0.92, 12.0


def search(
    picture: Bytes, known: Sequence[Place], session: str, presses: Sequence[int]
) -> list[Place]:
    """Return the places of coupons of ``session`` and ``presses`` that are not yet ``known``."""
    found: list[Place] = []
    white = np.percentile(picture[::8, ::8].reshape(-1, 3), 99, axis=0)
    for corners in _solids(picture, white):
        middle = corners.mean(0)
        if any(_covers(place, middle) for place in (*known, *found)):
            continue
        for half, matrix in _lays(picture, corners, white):
            fine = matching.aligned(picture, matrix, half)
            label = fine if fine is None else _label(picture, fine, half, session, presses)
            if fine is not None and label is not None:
                found.append(placed(label, fine))
                break
    return found


def _covers(place: Place, point: Array) -> bool:
    """Tell whether a point of the picture lies on the coupon at ``place``."""
    layout = coupon_layout(place.label.half)
    x, y = moved(np.asarray(np.linalg.inv(place.homography), dtype=np.float64), point)
    return bool(0 < x < layout.width and 0 < y < layout.height)


def _solids(picture: Bytes, white: Array) -> Iterator[Array]:
    """Yield the corners (4, 2), px, clockwise, of what is teal and four-cornered."""
    from scipy.ndimage import binary_closing, label

    step = max(1, int(np.ceil(np.sqrt(picture.shape[0] * picture.shape[1] / _REDUCED))))
    rows, columns = (n // step * step for n in picture.shape[:2])
    blocks = picture[:rows, :columns].reshape(rows // step, step, columns // step, step, 3)
    red, green, blue = np.moveaxis(
        colour.linear(np.clip(blocks.mean((1, 3)) / white, 0, 1) * 255), -1, 0
    )
    teal = (blue > 0.05) & (red < 0.62 * blue) & (green > 0.4 * blue) & (green < 1.15 * blue)
    for radius in _BRIDGED:
        disc = np.hypot(*np.mgrid[-radius : radius + 1, -radius : radius + 1]) <= radius + 0.3
        parts, count = label(
            binary_closing(np.pad(teal, radius), disc)[radius:-radius, radius:-radius]
        )
        sizes = np.bincount(parts.ravel(), minlength=count + 1)
        sizes[0] = 0
        for index in np.argsort(sizes)[::-1][:40]:
            if sizes[index] < max(_LEAST, 0.1 * sizes.max()):
                break
            corners = _corners(np.argwhere(parts == index)[:, ::-1].astype(float))
            if corners is not None:
                yield (corners + 0.5) * step - 0.5


def _corners(points: Array) -> Array | None:
    """Return the four corners of a set of px, clockwise, of whose edge and corners some is gone.

    They are those of the smallest four-cornered shape around the px whose sides lie on their hull.
    """
    from scipy.spatial import ConvexHull
    from skimage.measure import approximate_polygon

    if np.ptp(points, axis=0).min() < 8:
        return None
    hull = points[ConvexHull(points).vertices]
    hull = approximate_polygon(np.concatenate([hull, hull[:1]]), _BLUNT)[:-1]
    edges = np.roll(hull, -1, 0) - hull
    longest = np.sort(np.argsort(-np.hypot(*edges.T))[:_SIDES])
    best, found = np.inf, None
    for sides in combinations(longest, 4):
        lines = [(hull[side], edges[side]) for side in sides]
        corners = [_crossing(lines[at - 1], lines[at]) for at in range(4)]
        quad = np.array([corner for corner in corners if corner is not None])
        if len(quad) < 4:
            continue
        turns = [_cross(quad[at] - quad[at - 1], quad[at - 3] - quad[at]) for at in range(4)]
        area = 0.5 * abs(_cross(quad[2] - quad[0], quad[3] - quad[1]))
        # A true one bends the same way at each corner, and holds all px.
        if min(turns) > 0 or max(turns) < 0:
            inside = len(points) < 1.1 * area
            if inside and area < best:
                best, found = area, quad
    if found is None or len(points) < 0.45 * best:
        return None
    return found if _cross(found[1] - found[0], found[2] - found[1]) > 0 else found[::-1]


def _cross(one: Array, other: Array) -> float:
    return float(one[0] * other[1] - one[1] * other[0])


def _crossing(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array | None:
    """Return where two lines, each a point and a direction, cross."""
    matrix = np.column_stack([one[1], -other[1]])
    if abs(np.linalg.det(matrix)) < 1e-9 * np.hypot(*one[1]) * np.hypot(*other[1]):
        return None
    share = np.linalg.solve(matrix, other[0] - one[0])[0]
    return np.asarray(one[0] + share * one[1])


def _lays(picture: Bytes, corners: Array, white: Array) -> list[tuple[Half, Array]]:
    """Return how a coupon may lie whose solid has these corners: half, and homography from mm."""
    found = []
    halves: dict[float, Half] = {height: half for half, height in SOLID_HEIGHT.items()}
    for half in halves.values():
        layout = coupon_layout(half)
        solid = layout.of_kind("solid")[0]
        box = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (solid.width, solid.height)
        box = box + np.array([solid.x, solid.y])
        for turn in range(4):
            matrix = homography(box, np.roll(corners, -turn, 0))
            alike = _colours_alike(picture, matrix, layout, white)
            if alike > _ALIKE:
                found.append((alike, half, matrix))
    found.sort(key=lambda one: -one[0])
    return [(half, matrix) for _, half, matrix in found[:_TRIED]]


def _colours_alike(picture: Bytes, matrix: Array, layout: Layout, white: Array) -> float:
    """Return how alike the blocks are to the artwork's: correlation over all channels."""
    some = layout.of_kind("block")
    at = np.array([(one.x + one.width / 2, one.y + one.height / 2) for one in some])
    around = 1.5 * np.stack(np.meshgrid([-1.0, 0, 1], [-1.0, 0, 1]), -1).reshape(-1, 2)
    px = moved(matrix, at[:, None] + around)
    if (
        not np.isfinite(px).all()
        or px.min() < -50
        or (px > np.array(picture.shape[1::-1]) + 50).any()
    ):
        return 0.0
    looks = np.median(sampled(picture, px), 1) / white
    drawn = np.array([INKS[one.ink] for one in some]) / 255
    looks, drawn = looks - looks.mean(), drawn - drawn.mean()
    return float((looks * drawn).sum() / np.sqrt((looks**2).sum() * (drawn**2).sum() + 1e-12))


def _label(
    picture: Bytes, matrix: Array, half: Half, session: str, presses: Sequence[int]
) -> Label | None:
    """Return whose code is printed at a place, if it can only be one."""
    halves: list[Half] = ["one"] if half == "one" else ["wash", "keep"]
    labels = [Label(session, press, one) for press in presses for one in halves]
    if not labels:
        return None
    plain, dark, weak = _modules(picture, matrix, coupon_layout(half))
    drawn = np.array([_data(label.text) for label in labels])  # (labels, modules)
    drawn = np.concatenate([drawn, drawn], 1)
    agrees = drawn == dark
    count = int(plain.sum())
    if count < _PLAIN:
        return None
    right, wrong = (agrees & plain).sum(1), (~agrees & plain).sum(1)
    likely = right * np.log(0.97) + wrong * np.log(0.03) + (~agrees & weak).sum(1) * np.log(0.4)
    order = np.argsort(likely)[::-1]
    best = int(order[0])
    clear = len(order) == 1 or likely[best] - likely[order[1]] > _CLEAR
    return labels[best] if clear and right[best] >= _AGREE * count else None


@cache
def _data(text: str) -> Mask:
    """Return which of a code's modules are dark, without those that all codes have in common."""
    return np.asarray(code_modules(text)[_own()] > 0)


@cache
def _own() -> Mask:
    """Return the modules of version 1 that carry data: not finders, timing, format."""
    across = np.arange(CODE_MODULES)
    rows, columns = across[:, None], across[None, :]
    top, left, far = rows < 9, columns < 9, CODE_MODULES - 8
    common = (top & left) | (top & (columns >= far)) | ((rows >= far) & left)
    return np.asarray(~(common | (rows == 6) | (columns == 6)))


def _modules(picture: Bytes, matrix: Array, layout: Layout) -> tuple[Mask, Mask, Mask]:
    """Return of all modules of both codes: which are plain, which dark, which may be cloth."""
    number = np.arange(CODE_MODULES) + QUIET + 0.5
    inner = np.stack(np.meshgrid(number, number), -1)[_own()] * MODULE
    around = 0.2 * MODULE * np.stack(np.meshgrid([-1.0, 0, 1], [-1.0, 0, 1]), -1).reshape(-1, 2)
    edge = np.linspace(1.0, CODE_MODULES + 2 * QUIET - 1, 60) * MODULE
    rim = np.concatenate([[(x, y), (y, x)] for x in edge for y in (edge[0], edge[-1], edge[2])])
    plains, darks, weaks = [], [], []
    bare = np.array([(x, y) for x in np.linspace(5, 35, 20) for y in (29.0, 38.8, 49.5)])
    cloth = np.median(_light(picture, moved(matrix, bare)), 0)
    for one in layout.of_kind("code"):
        corner = np.array([one.x, one.y])
        white = np.percentile(_light(picture, moved(matrix, corner + rim)), 75, axis=0)
        light = _light(picture, moved(matrix, corner + inner[:, None] + around)).mean(1) / white
        here = cloth / white
        to_cloth, to_white, to_black = (
            np.linalg.norm(light - there, axis=1) for there in (here, np.ones(3), np.zeros(3))
        )
        dark = to_black < to_white
        like_cloth = to_cloth < 0.25
        unsure = (light.mean(1) > 0.3) & (light.mean(1) < 0.6)
        plains.append(~like_cloth & ~unsure)
        weaks.append(like_cloth)
        darks.append(dark)
    return np.concatenate(plains), np.concatenate(darks), np.concatenate(weaks)


def _light(picture: Bytes, px: Array) -> Array:
    return colour.linear(sampled(picture, px))
