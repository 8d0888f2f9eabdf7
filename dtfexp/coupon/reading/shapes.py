"""Four-cornered shapes in a picture: each may be a coupon's large solid, or all of its print."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np

from dtfexp.coupon.reading import colour

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]
    Mask = NDArray[np.bool_]

#: px of the reduced picture in which the solid is looked for; radii, px, over which lost flakes are
#: bridged; the least area of a solid, px, and as a share of another's in the same picture.
_REDUCED, _BRIDGED, _LEAST, _FEWEST = 700_000, (1, 3, 7), 300, 0.1
#: px by which its outline is made blunt; number of stretches of it that may be sides.
_BLUNT, _SIDES = 1.5, 9
#: Least share of a shape that is there: of a solid, and of all print of a coupon.
_FILLED, _PRINTED = 0.45, 0.12
#: Teal parts around which all print is looked for. In sides of the part: where the cloth beside it
#: is bare, how far the print reaches, and over what it is joined.
_FEW, _BARE, _REACH, _JOINED = 8, (0.02, 0.06), 2.5, 0.07
#: Print differs from cloth by this (log of linear light, a little added), uneven light by less.
_APART, _DARK = 0.5, 0.02


def shapes(
    light: Array, step: int, known: Sequence[Array]
) -> Iterator[tuple[Literal["solid", "print"], Array]]:
    """Yield the corners (4, 2), px, clockwise, of what may be a solid, or all print of a coupon.

    A solid is teal. Around what is teal all print is what is not of the cloth's colour; of a solid
    that has lost corners, its corner marks say more. ``light``, ``step``: the picture ``reduced``;
    ``known``: corners (4, 2) of coupons to leave out.
    """
    from scipy.ndimage import binary_closing, label
    from skimage.draw import polygon

    red, green, blue = np.moveaxis(light, -1, 0)
    teal = (blue > 0.05) & (red < 0.62 * blue) & (green > 0.4 * blue) & (green < 1.15 * blue)
    least = float(_LEAST)
    for outline in known:
        inside = polygon(*(outline[:, ::-1] / step).T, teal.shape)
        least = max(least, _FEWEST * teal[inside].sum())
        teal[inside] = False
    if teal.sum() < least:
        return
    for radius in _BRIDGED:
        disc = np.hypot(*np.mgrid[-radius : radius + 1, -radius : radius + 1]) <= radius + 0.3
        parts, count = label(
            binary_closing(np.pad(teal, radius), disc)[radius:-radius, radius:-radius]
        )
        sizes = np.bincount(parts.ravel(), minlength=count + 1)
        sizes[0] = 0
        for index in np.argsort(sizes)[::-1][:40]:
            if sizes[index] < max(least, _FEWEST * sizes.max()):
                break
            corners = _corners(np.argwhere(parts == index)[:, ::-1].astype(float))
            if corners is not None:
                yield "solid", (corners + 0.5) * step - 0.5
    for index in np.argsort(sizes)[::-1][:_FEW]:
        if sizes[index] < max(least, _FEWEST * sizes.max()):
            break
        corners = _around(light, parts == index)
        if corners is not None:
            yield "print", (corners + 0.5) * step - 0.5


def reduced(picture: Bytes, white: Array) -> tuple[Array, int]:
    """Return the light of a picture, 1 at its ``white``, averaged over squares; and their side, px.

    A picture is reduced to as many px as coupons need to be found.
    """
    step = max(1, int(np.ceil(np.sqrt(picture.shape[0] * picture.shape[1] / _REDUCED))))
    rows, columns = (n // step * step for n in picture.shape[:2])
    blocks = picture[:rows, :columns].reshape(rows // step, step, columns // step, step, 3)
    return colour.linear(np.clip(blocks.mean((1, 3)) / white, 0, 1) * 255), step


def _around(light: Array, teal: Mask) -> Array | None:
    """Return the corners (4, 2) of all print around a ``teal`` part: of what differs from cloth.

    ``light``: the picture, linear. Next to a solid the cloth is bare.
    """
    from scipy.ndimage import distance_transform_edt, label
    from skimage.morphology import convex_hull_image

    away = distance_transform_edt(~convex_hull_image(teal))
    side = float(np.sqrt((away == 0).sum()))
    bare = (away > _BARE[0] * side) & (away < _BARE[1] * side)
    if not bare.any():
        return None
    cloth = np.median(light[bare], 0)
    apart = np.abs(np.log((light + _DARK) / (cloth + _DARK))).max(-1)
    near = (apart > _APART) & (away < _REACH * side)
    joined, _ = label(distance_transform_edt(~near) <= _JOINED * side)
    own = near & (joined == np.bincount(joined[teal]).argmax())
    return _corners(np.argwhere(own)[:, ::-1].astype(float), _PRINTED)


def _corners(points: Array, filled: float = _FILLED) -> Array | None:
    """Return the four corners of a set of px, clockwise, of whose edge and corners some is gone.

    They are those of the smallest four-cornered shape around the px whose sides lie on their hull;
    at least ``filled`` of it are px.
    """
    from scipy.spatial import ConvexHull
    from skimage.measure import approximate_polygon

    if not len(points) or np.ptp(points, axis=0).min() < 8:
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
    if found is None or len(points) < filled * best:
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
