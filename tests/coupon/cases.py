"""Drawn pictures of coupons, good and bad, each with what is to be found in it."""

import io
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image

from dtfexp.coupon.layout import INKS, coupon_layout
from dtfexp.coupon.payload import Label
from tests.coupon.prints import Damage, printed
from tests.coupon.scenes import CLOTH, Camera, Cloth, Scene, photo, pixels_of

SESSION, PRESSES = "AB3X9", range(1, 41)
#: What is wrong with a picture -> the reasons that say so.
BAD = {
    "blurred": ("blurred",),
    "glare": ("glare",),
    "cut off": ("cut off",),
    "small": ("small",),
    "dark": ("dark",),
    "other session": ("other session", "not ours"),
    "not planned": ("not planned", "not ours"),
}


@dataclass(frozen=True)
class Case:
    content: bytes
    wrong: str | None  # a key of BAD
    truths: tuple
    cloth: str
    before: bytes | None = None  # the same coupon's picture before washing


def drawn_case(seed, wrong=None, pixels=None):
    """Return the case of a seed; ``wrong`` as asked, or "drawn": one picture in five is bad."""
    rng = np.random.default_rng([21, seed])
    if wrong == "drawn":
        wrong = str(rng.choice(list(BAD))) if rng.random() < 0.2 else None
    many = int(rng.integers(2, 5)) if wrong is None and rng.random() < 0.15 else 1
    session = "ZZ9QP" if wrong == "other session" else SESSION
    numbers = rng.choice(PRESSES, many, replace=False) + (100 if wrong == "not planned" else 0)
    name = str(rng.choice(list(CLOTH)))
    cloth = _cloth(name, rng)
    half = str(rng.choice(["one", "one", "wash"]))
    inks = _inks(rng) if rng.random() < 0.5 and many == 1 else {}
    prints, truths = [], []
    layout = coupon_layout(half)
    for place, number in enumerate(numbers):
        at = (14 + (place % 2) * 104 + rng.uniform(-2, 2), 14 + (place // 2) * 126.0)
        one, truth = printed(
            Label(session, int(number), half), _damage(rng), rng, at, rng.uniform(-4, 4), inks
        )
        prints.append(one)
        truths.append(truth)
    size = (118 + 104 * (min(many, 2) - 1), layout.height + 30 + 126 * ((many - 1) // 2))
    camera = _camera(rng, many)
    if pixels:
        camera = replace(camera, pixels=pixels)
    scene = Scene(tuple(prints), size, cloth, camera)
    scene = replace(scene, camera=_spoilt(scene, wrong, rng))
    content = photo(scene, rng)
    if wrong == "cut off":
        content = _cut(content, scene, layout, rng)
    before = None
    if inks:
        fresh, _ = printed(truths[0].label, Damage(), rng, prints[0].at, 1.0, inks)
        before = photo(Scene((fresh,), size, _cloth(name, rng), _camera(rng, 1)), rng)
    return Case(content, wrong, tuple(truths), name, before)


def _damage(rng):
    powder = rng.random() < 0.3
    return Damage(
        missing=float(rng.uniform(0, 0.4)) if rng.random() < 0.8 else 0.0,
        flake=float(rng.uniform(1.0, 5.0)),
        cracks=int(rng.integers(0, 30)),
        crack_width=float(rng.uniform(0.1, 0.3)),
        fade=float(rng.uniform(0, 15)),
        lost_below=float(rng.choice([0.0, 0.12, 0.18, 0.25, 0.45])),
        lost_points=float(rng.choice([0.0, 4.5, 5.5, 7.5])),
        halo=float(rng.uniform(0.05, 0.5)) if powder else 0.0,
        spare_code=False,
    )


def _inks(rng):
    """What a printer makes of the artwork's inks: CIELAB, some units off."""
    from skimage.color import rgb2lab

    return {
        name: rgb2lab(np.array(srgb, float)[None, None] / 255)[0, 0] * [0.95, 0.9, 0.9]
        + (np.array([2.0, 0, 0]) + rng.normal(0, 2.0, 3) if name in COLOURED else [0, 0, 0])
        for name, srgb in INKS.items()
        if name != "white"
    }


COLOURED = ("cyan", "magenta", "yellow", "red", "green", "blue", "teal")


def _cloth(name, rng):
    colour = tuple(int(c) for c in np.clip(np.array(CLOTH[name]) + rng.normal(0, 4, 3), 8, 245))
    folds = tuple(
        (
            float(rng.uniform(0, 180)), float(rng.uniform(-40, 140)),
            float(rng.uniform(10, 25)), float(rng.uniform(0.03, 0.15)),
        )
        for _ in range(rng.integers(0, 3))
    )  # fmt: skip
    return Cloth(colour, float(rng.uniform(0.01, 0.06)), float(rng.uniform(0.3, 0.8)), folds)


def _camera(rng, many):
    return Camera(
        pixels=float(rng.uniform(7.5, 12)),
        tilt=float(rng.uniform(0, 35)) if rng.random() < 0.8 else 0.0,
        tilt_to=float(rng.uniform(0, 360)),
        roll=float(rng.uniform(0, 360)),
        distance=float(rng.uniform(380, 600)) * (1.6 if many > 1 else 1),
        blur=float(rng.uniform(0.4, 1.1)),
        noise=float(rng.uniform(0.002, 0.008)),
        gains=(float(rng.uniform(0.85, 1.1)), 1.0, float(rng.uniform(0.75, 1.1))),
        exposure=float(rng.uniform(0.6, 0.95)),
        uneven=tuple(float(v) for v in rng.uniform(-1, 1, 5) * (0.3, 0.3, 0.3, 0.2, 0.3)),
        jpeg=None if rng.random() < 0.1 else int(rng.integers(75, 96)),
    )


def _spoilt(scene, wrong, rng):
    """Return the camera as it is to be for what is wrong; else one that clips no white."""
    camera = scene.camera
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, 9), np.linspace(-0.5, 0.5, 9))
    a, b, c, d, e = camera.uneven
    brightest = (1 + a * u + b * v + c * (u**2 - 1 / 12) + d * u * v + e * (v**2 - 1 / 12)).max()
    worst = max(camera.gains) * brightest * (1.15 if scene.cloth.folds else 1.0)
    camera = replace(camera, exposure=camera.exposure * 0.95 / max(1.0, worst))
    if wrong == "blurred":
        return replace(camera, blur=camera.pixels * float(rng.uniform(0.5, 0.9)))
    if wrong == "dark":
        return replace(camera, exposure=float(rng.uniform(0.005, 0.05)))
    if wrong == "small":
        return replace(camera, pixels=float(rng.uniform(2.5, 4.0)))
    if wrong == "glare":
        at = rng.uniform(0.3, 0.7, 2) * scene.size
        glare = (*at, float(rng.uniform(6, 15)), float(rng.uniform(0.6, 1.5)))
        return replace(camera, glare=glare, matt_cloth=bool(rng.random() < 0.5))
    return camera


def _cut(content, scene, layout, rng):
    """Return the picture without the strip on one side, which takes 10 to 40 % of the coupon."""
    one = scene.prints[0]
    turn = np.radians(one.turned)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (layout.width, layout.height)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    px = pixels_of(scene, np.array(one.at) + corners @ matrix)
    with Image.open(io.BytesIO(content)) as opened:
        picture = np.asarray(opened)
    low, high = px.min(0), px.max(0)
    at = low + rng.uniform(0.1, 0.4) * (high - low)
    side = int(rng.integers(0, 4))
    left, top = (int(at[0]), 0) if side == 0 else (0, int(at[1])) if side == 1 else (0, 0)
    far = high - (at - low)
    right = int(far[0]) if side == 2 else picture.shape[1]
    bottom = int(far[1]) if side == 3 else picture.shape[0]
    out = io.BytesIO()
    Image.fromarray(picture[top:bottom, left:right]).save(out, "JPEG", quality=92)
    return out.getvalue()
