"""Coupons whose code no reader finds, because print is gone from it.

The large solid is found by its colour; its corners, or those of all print around it, and the
colours of the blocks say how the coupon lies, else the row of coloured blocks does; parts of the
artwork matched to the picture say it finely. The modules of both codes that are still there are
then compared with the codes of all coupons that the logbook has: one of them must agree with nearly
all, and every other one with far fewer. Else both codes are drawn anew from what is left, and
decoded: the coupon may be another logbook's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from dtfexp.coupon.layout import (
    BARE,
    CODE_MODULES,
    INKS,
    MODULE,
    QUIET,
    SOLID_HEIGHT,
    Layout,
    coupon_layout,
)
from dtfexp.coupon.outlines import code_modules
from dtfexp.coupon.payload import LENGTH, Half, Label
from dtfexp.coupon.reading import colour, colour_row, matching
from dtfexp.coupon.reading.finding import Place, homography, moved, placed, sampled
from dtfexp.coupon.reading.shapes import reduced, shapes
from dtfexp.describe.errors import CouponError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Bytes = NDArray[np.uint8]
    Mask = NDArray[np.bool_]

#: How alike the blocks' colours are to the artwork's, at least (correlation); lays that are tried.
_ALIKE, _TRIED = 0.3, 3
#: Of a code: modules that must be plain, share of them that agrees, and how much likelier than any
#: other code it must be (natural logarithm).
_PLAIN, _AGREE, _CLEAR = 50, 0.85, 12.0
#: The share that agrees where nearly all that is plain is dark: half as many modules say it.
_DARK_ALONE = 0.95
#: The best of the known codes agrees in less than this: it is none of them.
_DIFFERS = 0.8
#: Share of what all codes have in common that agrees where a code is.
_THERE = 0.8
#: mm by which cloth may bend a code off its place; how alike to what all codes have it then is.
_BENT, _SEEN = 1.2, 0.5
#: Of white: the least light of cloth that white print does not stand out from.
_LIGHT = 0.6
_BOX = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])


@dataclass(frozen=True)
class Searched:
    """Coupons found by their artwork: those whose label is known, and where others lie.

    ``unread``: for each of the others, its place (under a label that says only its half), and
    ``"not ours"`` or ``"worn"``: codes that no press asked for has, or of which too little is left.
    """

    places: list[Place]
    unread: list[tuple[Place, Literal["not ours", "worn"]]]


def search(
    picture: Bytes, known: Sequence[Place], session: str, presses: Sequence[int]
) -> Searched:
    """Return the coupons that are not yet ``known``.

    A label of ``session`` and ``presses`` is found from few modules, any other one only from as
    many as decode. METHODS.md, section 17.
    """
    found: list[Place] = []
    others: list[tuple[Place, Literal["not ours", "worn"]]] = []
    for middle, lays in _rough(picture, known, found):
        if any(covers(place, middle) for place in found):
            continue
        for half, matrix in lays:
            fine = matching.aligned(picture, matrix, half)
            if fine is None:
                continue
            label = _label(picture, fine, half, session, presses)
            if isinstance(label, Label):
                found.append(placed(label, fine))
                break
            if label is not None:
                others.append((placed(Label("00000", 1, half), fine), label))
    unread: list[tuple[Place, Literal["not ours", "worn"]]] = []
    for place, why in others:
        middle = _outline(place).mean(0)
        if not any(covers(one, middle) for one in (*found, *(one for one, _ in unread))):
            unread.append((place, why))
    return Searched(found, unread)


def _rough(
    picture: Bytes, known: Sequence[Place], found: Sequence[Place]
) -> Iterator[tuple[Array, list[tuple[Half, Array]]]]:
    """Yield a point on what may be a coupon, px, and how it may lie: halves, homographies.

    What is ``known``, and what is ``found`` meanwhile, is left out.
    """
    white = np.percentile(picture[::8, ::8].reshape(-1, 3), 99, axis=0)
    light, step = reduced(picture, white)
    for what, corners in shapes(light, step, [_outline(place) for place in known]):
        yield corners.mean(0), _lays(picture, what, corners, white)
    yield from colour_row.lays(light, step, [_outline(one) for one in (*known, *found)])


def _outline(place: Place) -> Array:
    """Return the corners (4, 2) of a coupon, px."""
    layout = coupon_layout(place.label.half)
    return moved(place.homography, _BOX * (layout.width, layout.height))


def covers(place: Place, point: Array) -> bool:
    """Tell whether a point of the picture lies on the coupon at ``place``."""
    layout = coupon_layout(place.label.half)
    x, y = moved(np.asarray(np.linalg.inv(place.homography), dtype=np.float64), point)
    return bool(0 < x < layout.width and 0 < y < layout.height)


def _lays(
    picture: Bytes, what: Literal["solid", "print"], corners: Array, white: Array
) -> list[tuple[Half, Array]]:
    """Return the half and the homography of coupons whose solid, or print, has these corners."""
    found = []
    halves: dict[float, Half] = {height: half for half, height in SOLID_HEIGHT.items()}
    for half in halves.values():
        layout = coupon_layout(half)
        solid = layout.of_kind("solid")[0]
        box = _BOX * (solid.width, solid.height) + np.array([solid.x, solid.y])
        if what == "print":
            box = _BOX * (layout.width - 2 * BARE, layout.height - 2 * BARE) + BARE
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
) -> Label | Literal["not ours", "worn"] | None:
    """Return whose code is printed at a place, if it can only be one; else why that is not known.

    None: no code is there, the coupon lies otherwise.
    """
    plain, dark, weak = _modules(picture, matrix, coupon_layout(half))
    own = _own()
    there = plain & ~own
    if there.sum() < _PLAIN:
        return None
    if max(float((dark == _common(mask))[there].mean()) for mask in range(8)) < _THERE:
        return None
    halves: list[Half] = ["one"] if half == "one" else ["wash", "keep"]
    labels = [Label(session, press, one) for press in presses for one in halves]
    agreed = 1.0
    if labels and plain[:, own].sum() >= _PLAIN:
        label, agreed = _likeliest(labels, *(one[:, own].ravel() for one in (plain, dark, weak)))
        if label is not None:
            return label
    other = _decoded(plain, dark)
    if other is not None and other not in labels:
        return other
    return "not ours" if agreed < _DIFFERS else "worn"


def _likeliest(
    labels: list[Label], plain: Mask, dark: Mask, weak: Mask
) -> tuple[Label | None, float]:
    """Return the label that the modules (n,) of both codes say, if clear; how much of it agrees."""
    drawn = np.array([np.tile(_data(label.text), 2) for label in labels])  # (labels, modules)
    agrees = drawn == dark
    right, wrong = (agrees & plain).sum(1), (~agrees & plain).sum(1)
    likely = right * np.log(0.97) + wrong * np.log(0.03) + (~agrees & weak).sum(1) * np.log(0.4)
    order = np.argsort(likely)[::-1]
    best = int(order[0])
    clear = len(order) == 1 or likely[best] - likely[order[1]] > _CLEAR
    share = float(right[best] / plain.sum())
    needed = _AGREE if (plain & ~dark).sum() >= _PLAIN else _DARK_ALONE
    return (labels[best] if clear and share >= needed else None), share


def _decoded(plain: Mask, dark: Mask) -> Label | None:
    """Return the label that the modules (2, 21, 21) of both codes say when they are drawn anew."""
    import zxingcpp

    together = np.where(plain[0], dark[0], np.where(plain[1], dark[1], dark[0]))
    found = set()
    for mask in range(8):
        drawn = np.where(_own(), together, _common(mask))
        clean = np.pad(np.kron(~drawn, np.ones((4, 4), bool)), 16, constant_values=True)
        for code in zxingcpp.read_barcodes(
            clean.astype(np.uint8) * 255, formats=zxingcpp.BarcodeFormat.QRCode, is_pure=True
        ):
            with suppress(CouponError):  # a code that says no coupon
                found.add(Label.of(code.text))
    return found.pop() if len(found) == 1 else None


@cache
def _common(mask: int) -> Mask:
    """Return the modules that all codes of one mask have in common, within a code of that mask."""
    import segno

    code = segno.make("0" * LENGTH, version=1, error="h", mask=mask, micro=False, boost_error=False)
    return np.array([list(row) for row in code.matrix], dtype=bool)


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
    """Return of the modules of both codes (2, 21, 21): which are plain, dark, perhaps cloth."""
    number = np.arange(CODE_MODULES) + QUIET + 0.5
    inner = np.stack(np.meshgrid(number, number), -1).reshape(-1, 2) * MODULE
    around = 0.2 * MODULE * np.stack(np.meshgrid([-1.0, 0, 1], [-1.0, 0, 1]), -1).reshape(-1, 2)
    edge = np.linspace(1.0, CODE_MODULES + 2 * QUIET - 1, 60) * MODULE
    rim = np.concatenate([[(x, y), (y, x)] for x in edge for y in (edge[0], edge[-1], edge[2])])
    plains, darks, weaks = [], [], []
    bare = np.array([(x, y) for x in np.linspace(5, 35, 20) for y in (29.0, 38.8, 49.5)])
    cloth = np.median(_light(picture, moved(matrix, bare)), 0)
    for one in layout.of_kind("code"):
        corner = _corner(picture, matrix, np.array([one.x, one.y]), inner)
        white = np.percentile(_light(picture, moved(matrix, corner + rim)), 75, axis=0)
        light = _light(picture, moved(matrix, corner + inner[:, None] + around)).mean(1) / white
        here = cloth / white
        to_cloth, to_white, to_black = (
            np.linalg.norm(light - there, axis=1) for there in (here, np.ones(3), np.zeros(3))
        )
        dark = to_black < to_white
        # Where dark print is gone, light cloth looks like white print.
        like_cloth = (to_cloth < 0.25) | (~dark & bool(here.mean() > _LIGHT))
        unsure = (light.mean(1) > 0.3) & (light.mean(1) < 0.6)
        plains.append(~like_cloth & ~unsure)
        weaks.append(like_cloth)
        darks.append(dark)
    shape = (-1, CODE_MODULES, CODE_MODULES)
    return np.reshape(plains, shape), np.reshape(darks, shape), np.reshape(weaks, shape)


def _corner(picture: Bytes, matrix: Array, corner: Array, inner: Array) -> Array:
    """Return the corner, mm, of a code near ``corner``, where what all codes have is most alike.

    ``inner`` (441, 2): the middles of its modules, mm from its corner.
    """
    drawn = ~_common(0)[~_own()]
    steps = np.linspace(-_BENT, _BENT, 13)
    tried = corner + np.stack(np.meshgrid(steps, steps), -1).reshape(-1, 2)
    at = tried[:, None] + inner[~_own().ravel()]
    looks = sampled(picture, moved(matrix, at)).mean(-1)
    looks = looks - looks.mean(1, keepdims=True)
    alike = (looks * (drawn - drawn.mean())).sum(1) / np.sqrt((looks**2).sum(1) + 1e-12)
    alike /= np.sqrt(drawn.size * drawn.var())
    best = int(np.argmax(alike))
    return np.asarray(tried[best] if alike[best] > _SEEN else corner)


def _light(picture: Bytes, px: Array) -> Array:
    return colour.linear(sampled(picture, px))
