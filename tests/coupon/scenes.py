"""Photos of printed cloth with known truth: prints laid on cloth, lit, seen by a camera.

All light is linear until the camera writes it down. Lengths are in mm on the table, pixels in the
picture. Nothing here knows how pictures are read.
"""

import io
from dataclasses import dataclass, field

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter, map_coordinates

#: sRGB of cloth, invented but of the usual kind.
CLOTH = {
    "white": (236, 236, 234), "grey": (140, 141, 144), "black": (28, 28, 31), "red": (168, 28, 38),
}  # fmt: skip


def linear(srgb):
    value = np.asarray(srgb, float) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def encoded(light):
    value = np.clip(light, 0, 1)
    return 255 * np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)


#: What a camera writes for light 0..1, in equal steps too fine to tell.
_WRITTEN = np.rint(encoded(np.linspace(0, 1, 2**16))).astype(np.uint8)


@dataclass(frozen=True)
class Print:
    """One print on the table: linear colour and cover at ``scale`` px/mm, and where it lies."""

    light: np.ndarray  # (rows, columns, 3)
    cover: np.ndarray  # (rows, columns), 0 bare .. 1 printed
    scale: float
    at: tuple[float, float]  # its upper left corner, mm on the table
    turned: float = 0.0  # degrees, about that corner

    @property
    def size(self):
        return self.cover.shape[1] / self.scale, self.cover.shape[0] / self.scale


@dataclass(frozen=True)
class Camera:
    """How the picture is taken; the defaults are a scanner's."""

    pixels: float = 10.0  # px/mm in the middle
    tilt: float = 0.0  # degrees out of the upright
    tilt_to: float = 0.0  # degrees, towards which side
    roll: float = 0.0  # degrees
    distance: float = 450.0  # mm
    blur: float = 0.5  # px, standard deviation
    noise: float = 0.004  # of white, at white; falls with the root of light
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)  # white balance
    exposure: float = 0.85  # white print at this share of the largest value
    uneven: tuple[float, float, float, float, float] = (0, 0, 0, 0, 0)  # light: x, y, x², xy, y²
    jpeg: int | None = 90
    glare: tuple[float, float, float, float] | None = None  # x, y, radius (mm), strength
    matt_cloth: bool = False  # the print alone mirrors the glare


@dataclass(frozen=True)
class Cloth:
    colour: tuple[int, int, int] = CLOTH["white"]
    texture: float = 0.04  # standard deviation of the log reflectance
    thread: float = 0.5  # mm
    folds: tuple[tuple[float, float, float, float], ...] = ()  # angle °, offset mm, width mm, depth
    margin: float = 12.0  # mm of cloth around the prints
    table: tuple[int, int, int] = (120, 110, 100)  # beyond the cloth


@dataclass(frozen=True)
class Scene:
    prints: tuple[Print, ...]
    size: tuple[float, float]  # of the cloth, mm
    cloth: Cloth = field(default_factory=Cloth)
    camera: Camera = field(default_factory=Camera)


def photo(scene, rng):
    """Return the picture as the bytes of a JPEG, or of a PNG when ``camera.jpeg`` is None."""
    camera = scene.camera
    shape, to_table = _view(scene)
    rows, columns = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    x, y, w = (to_table[i, 0] * columns + to_table[i, 1] * rows + to_table[i, 2] for i in range(3))
    x, y = x / w, y / w
    shade, dx, dy = _folds(scene.cloth, x, y)
    light = _cloth(scene, x, y, rng)
    bare = np.ones(shape, np.float32)
    for one in scene.prints:
        _lay(one, light, bare, x + dx, y + dy, camera.pixels)
    lamp = shade * _lamp(scene, x, y) * camera.exposure
    mirrored = 0.0
    if camera.glare is not None:
        gx, gy, radius, strength = camera.glare
        mirrored = strength * np.exp(-((x - gx) ** 2 + (y - gy) ** 2) / (2 * radius**2))
        mirrored = mirrored * (1 - bare) if camera.matt_cloth else mirrored
    whole = np.empty((*shape, 3), np.uint8)
    for channel, gain in enumerate(camera.gains):
        seen = gaussian_filter(light[channel] * (lamp * gain) + mirrored, camera.blur)
        noise = rng.standard_normal(shape, dtype=np.float32)
        seen += camera.noise * np.sqrt(np.clip(seen, 0, None) + 0.01) * noise
        whole[..., channel] = _WRITTEN[(np.clip(seen, 0, 1) * (len(_WRITTEN) - 1)).astype(int)]
    out = io.BytesIO()
    if camera.jpeg is None:
        Image.fromarray(whole).save(out, "PNG")
    else:
        Image.fromarray(whole).save(out, "JPEG", quality=camera.jpeg)
    return out.getvalue()


def _view(scene):
    """Return the picture's shape and the homography from its pixels to mm on the table."""
    camera, (width, height) = scene.camera, scene.size
    tilt, to, roll = np.radians([camera.tilt, camera.tilt_to, camera.roll])
    axis = np.array([np.cos(to), np.sin(to), 0.0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    turn = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross
    spin = np.array(
        [[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1.0]]
    )
    turn = spin @ turn
    focal = camera.pixels * camera.distance
    centre = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1.0]])
    pose = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, camera.distance]])
    to_pixels = np.diag([focal, focal, 1.0]) @ pose @ centre
    corners = to_pixels @ np.array([[0, width, width, 0], [0, 0, height, height], [1, 1, 1, 1.0]])
    corners = corners[:2] / corners[2]
    low, high = corners.min(1) - 10, corners.max(1) + 10
    moved = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]]) @ to_pixels
    shape = tuple(int(n) for n in np.ceil(high - low)[::-1])
    inverse = np.linalg.inv(moved)
    return shape, (inverse / inverse[2, 2]).astype(np.float32)


def pixels_of(scene, points):
    """Return where points (n, 2) of the table, in mm, stand in the picture (folds left out)."""
    _, to_table = _view(scene)
    moved = (
        np.linalg.inv(to_table.astype(float)) @ np.column_stack([points, np.ones(len(points))]).T
    )
    return (moved[:2] / moved[2]).T


def _folds(cloth, x, y):
    """Return the shading of folds and how far they pull the cloth, in mm."""
    shade, dx, dy = np.ones_like(x), np.zeros_like(x), np.zeros_like(x)
    for angle, offset, width, depth in cloth.folds:
        along = float(np.cos(np.radians(angle))), float(np.sin(np.radians(angle)))
        across = (x * along[0] + y * along[1] - offset) / width
        hill = np.exp(-(across**2))
        shade *= 1 - depth * across * hill * 1.6  # bright on one flank, dark on the other
        pull = 0.3 * depth * width * hill * across
        dx, dy = dx + pull * along[0], dy + pull * along[1]
    return shade, dx, dy


def _cloth(scene, x, y, rng):
    """Return the light of bare cloth and table, (3, rows, columns)."""
    cloth, (width, height) = scene.cloth, scene.size
    step = cloth.thread / 2
    grain = gaussian_filter(rng.standard_normal((256, 256)), 1.0, mode="wrap")
    grain = grain / grain.std() + np.cos(np.arange(256) * np.pi / 2)[:, None]
    # Threads finer than a pixel are averaged by it.
    seen = min(1.0, cloth.thread * scene.camera.pixels / 2)
    grain = (cloth.texture * seen / grain.std() * grain).astype(np.float32)
    where = np.stack([(y / step) % 255, (x / step) % 255])
    bright = np.exp(map_coordinates(grain, where, order=1, mode="wrap", output=np.float32))
    outside = (x < 0) | (y < 0) | (x > width) | (y > height)
    return np.stack(
        [
            np.where(outside, np.float32(table), bright * np.float32(own))
            for own, table in zip(linear(cloth.colour), linear(cloth.table), strict=True)
        ]
    )


def _lay(one, light, bare, x, y, pixels):
    """Lay a print over the ``light`` (3, rows, columns), averaged as far as a pixel sees.

    ``bare`` (rows, columns) loses the share that is printed.
    """
    turn = np.radians(one.turned)
    cos, sin = float(np.cos(turn)) * one.scale, float(np.sin(turn)) * one.scale
    dx, dy = x - float(one.at[0]), y - float(one.at[1])
    u = cos * dx + sin * dy - 0.5
    v = -sin * dx + cos * dy - 0.5
    inside = (u > -1) & (v > -1) & (u < one.cover.shape[1]) & (v < one.cover.shape[0])
    rows, columns = np.flatnonzero(inside.any(1)), np.flatnonzero(inside.any(0))
    if not len(rows):
        return
    box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    where = np.stack([v[box], u[box]])

    def laid(layer):
        seen = gaussian_filter(layer, 0.35 * one.scale / pixels, truncate=3)
        return map_coordinates(seen, where, order=1, output=np.float32)

    seen_through = 1 - laid(one.cover)
    bare[box] *= seen_through
    for channel, below in enumerate(light):
        below[box] = below[box] * seen_through + laid(one.light[..., channel] * one.cover)


def _lamp(scene, x, y):
    """Return the light over the table, 1 in the mean of the cloth."""
    width, height = scene.size
    u, v = x / width - 0.5, y / height - 0.5
    a, b, c, d, e = scene.camera.uneven
    bright = 1 + a * u + b * v + c * (u**2 - 1 / 12) + d * u * v + e * (v**2 - 1 / 12)
    return np.clip(bright, 0.1, None).astype(np.float32)


def flakes(shape, scale, size, share, rng):
    """Return a mask, (rows, columns), of patches about ``size`` mm wide over ``share`` of it."""
    if share <= 0:
        return np.zeros(shape, bool)
    coarse = max(1, int(size * scale / 4))
    small = rng.standard_normal((shape[0] // coarse + 3, shape[1] // coarse + 3))
    small = gaussian_filter(small, 1.5)
    down, across = (
        np.clip(1 - np.abs(np.linspace(0, n - 1, n * coarse)[:size, None] - np.arange(n)), 0, None)
        for n, size in zip(small.shape, shape, strict=True)
    )
    field_ = (down @ small @ across.T).astype(np.float32)
    return field_ > np.quantile(field_, 1 - share)


def cracks(shape, scale, number, width, rng):
    """Return a mask of ``number`` crooked cracks ``width`` mm wide."""
    from PIL import ImageDraw

    drawn = Image.new("L", (shape[1], shape[0]), 0)
    pen = ImageDraw.Draw(drawn)
    for _ in range(number):
        at = rng.uniform((0, 0), (shape[1], shape[0]))
        heading = rng.uniform(0, 2 * np.pi)
        points = [tuple(at)]
        for _ in range(int(rng.integers(5, 20))):
            heading += rng.normal(0, 0.5)
            at = at + scale * 1.0 * np.array([np.cos(heading), np.sin(heading)])
            points.append(tuple(at))
        pen.line(points, fill=255, width=max(1, round(width * scale)))
    return np.asarray(drawn) > 127
