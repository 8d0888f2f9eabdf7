"""Photos of washed coupons, drawn: INVENTED, as all of the demo is.

Print is taken off in flakes and faded, as much as the grade of a press stands for; the coupons lie
on black cloth, a little turned, in light that falls off to one side.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import coupon_layout
from dtfexp.coupon.payload import Label
from dtfexp.coupon.raster import coupon_picture, pixels
from dtfexp.coupon.reading.colour import linear, srgb
from dtfexp.describe.errors import CouponError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dtfexp.coupon.reading.reading import PictureRead

#: Share of the print that is gone, and share of its colour, at each grade: well within the
#: bands of the grade (``dtfexp.coupon.grades``).
GONE = {5: 0.003, 4: 0.027, 3: 0.07, 2: 0.165, 1: 0.38}
FADED = {5: 0.0, 4: 0.008, 3: 0.02, 2: 0.04, 1: 0.08}
SEED = 7
#: px/mm, of which a photo has half; mm of cloth around a coupon; sRGB of cloth, and of what print
#: fades to.
_PER_MM, _AROUND, _CLOTH, _PALE = 10, 7.0, (30, 30, 33), 225.0
#: mm that a flake is wide, degrees the coupons are turned, noise of the camera in bytes.
_FLAKE, _TURNED, _NOISE = 1.2, 2.5, 1.5
#: Linear light of each byte of sRGB.
_LIGHT = linear(np.arange(256.0)).astype(np.float32)


def washed_picture(session: str, grades: Mapping[int, float]) -> PictureRead | str:
    """Return what a drawn photo of coupons measures; without the libraries, what to install."""
    from dtfexp.book.coupons.picture_file import picture
    from dtfexp.book.coupons.pictures import needs_libraries

    try:
        needs_libraries()
    except CouponError as error:
        return f"No picture of a coupon was read: {error}."
    from dtfexp.coupon.reading.reading import read

    photo = washed_photo(session, grades, np.random.default_rng(SEED))
    return read(picture(photo), session, list(grades))


def washed_photo(session: str, grades: Mapping[int, float], rng: np.random.Generator) -> bytes:
    """Return the photo (JPEG) of the halves to wash of presses, side by side.

    ``session``: the five characters of the logbook; ``grades``: press -> grade 1 … 5 of its wash.
    """
    from PIL import Image
    from scipy.ndimage import gaussian_filter

    layout, room = coupon_layout("wash"), pixels(_AROUND, _PER_MM)
    height, width = pixels(layout.height, _PER_MM), pixels(layout.width, _PER_MM)
    table = np.empty((height + 2 * room, len(grades) * (width + 2 * room), 3), dtype=np.uint8)
    table[:] = _CLOTH
    for place, (press, grade) in enumerate(grades.items()):
        left = place * (width + 2 * room) + room
        _lay(table[room : room + height, left : left + width], session, press, round(grade), rng)
    # Edges are mixed in linear light, as a camera sees them.
    light = np.stack([_turned(channel) for channel in np.moveaxis(_LIGHT[table], -1, 0)], -1)
    light = gaussian_filter(light, (0.5, 0.5, 0)) * np.linspace(0.85, 0.6, light.shape[1])[:, None]
    photo = srgb(light) + rng.normal(0, _NOISE, light.shape)
    out = io.BytesIO()
    Image.fromarray(np.clip(photo, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=90)
    return out.getvalue()


def _turned(channel: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return one channel a little turned, at half as many px a mm."""
    from PIL import Image

    drawn = Image.fromarray(np.ascontiguousarray(channel))
    bare = float(channel[0, 0])
    turned = drawn.rotate(_TURNED, Image.Resampling.BILINEAR, expand=True, fillcolor=bare)
    return np.asarray(turned.reduce(2), dtype=float)


def _lay(
    cloth: NDArray[np.uint8], session: str, press: int, grade: int, rng: np.random.Generator
) -> None:
    """Draw a coupon onto its piece of cloth, (rows, columns, 3), in place."""
    from scipy.ndimage import gaussian_filter

    drawn = coupon_picture(Label(session, press, "wash"), _PER_MM)
    flakes = gaussian_filter(rng.standard_normal(drawn.shape[:2]), 0.3 * _FLAKE * _PER_MM)
    (solid,) = coupon_layout("wash").of_kind("solid")
    top, bottom, first, last = (
        pixels(edge, _PER_MM)
        for edge in (solid.y, solid.y + solid.height, solid.x, solid.x + solid.width)
    )
    most = np.quantile(flakes[top:bottom, first:last], 1 - GONE[grade])
    left = (drawn[..., 3] > 0) & (flakes < most)
    colour = drawn[..., :3][left].astype(float)
    grey = np.ptp(colour, axis=1) == 0  # black, grey and white do not fade
    share = np.where(grey, 0.0, FADED[grade])[:, None]
    cloth[left] = np.rint(colour + share * (_PALE - colour))
