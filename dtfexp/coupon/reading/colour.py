"""Colours as numbers: sRGB, linear light, CIELAB, and how far two colours look apart.

Arrays end in an axis of three channels. CIELAB is of the illuminant D65 and the 2° observer, to
which sRGB is defined (IEC 61966-2-1).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def linear(srgb: NDArray[np.generic]) -> Array:
    """Return linear light, 0..1, of sRGB values in bytes (0..255), IEC 61966-2-1."""
    value = np.asarray(srgb, dtype=float) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def srgb(light: Array) -> Array:
    """Return sRGB values, 0..255 and not rounded, of linear light; outside of 0..1 is cut off."""
    value = np.clip(light, 0.0, 1.0)
    return 255.0 * np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)


def luma(srgb: NDArray[np.generic]) -> Array:
    """Return how bright sRGB values (..., 3) in bytes are, in bytes (ITU-R BT.601).

    JPEG keeps it px by px; what colour they are, for several px together.
    """
    return np.asarray(srgb @ np.array([0.299, 0.587, 0.114]), dtype=float)


def brightness(light: Array) -> Array:
    """Return the light of a grey whose sRGB values are as bright as those of light (..., 3)."""
    return linear(luma(srgb(light)))


def lab(light: Array) -> Array:
    """Return CIELAB of linear light; light beyond 1 (brighter than the white) is kept."""
    from skimage.color import xyz2lab

    return np.asarray(xyz2lab(light @ _TO_XYZ.T), dtype=float)


def difference(one: Array, other: Array) -> Array:
    """Return CIEDE2000 (Sharma, Wu & Dalal 2005) of two arrays of CIELAB colours."""
    from skimage.color import deltaE_ciede2000

    return np.asarray(deltaE_ciede2000(one, other), dtype=float)


def plain_difference(one: Array, other: Array) -> Array:
    """Return the CIELAB difference of 1976: the distance in the colour space."""
    return np.asarray(np.linalg.norm(np.asarray(one) - np.asarray(other), axis=-1), dtype=float)


#: Linear sRGB to XYZ (IEC 61966-2-1).
_TO_XYZ = np.array(
    [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
)
