"""How much of each px is print and how much is cloth seen between it, and what colour the print is.

A px is a mixture of two colours, that of the print and that of the cloth, in linear light: its
share of print is its place on the line between them, along the direction in which the two differ
most for their own spread (METHODS.md, equation (43)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.reading import colour

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Colours nearer to each other than this (CIELAB) cannot be distinguished on a print.
TELLS = 12.0
#: Bytes by which luma must change at least, for a share that goes from 0 to 1 at that rate.
STEEP = 35.0
#: px that tell a colour as well as more of them would.
_ENOUGH = 20_000


@dataclass(frozen=True)
class Mixture:
    """Print and cloth of one ink: mean colours (3,), linear, and how shares are read.

    ``direction`` (3,) and ``zero`` give the share of print of a colour c as
    ``c @ direction - zero``; ``dead`` is the share next to 0 and to 1 that is noise.
    """

    print: Array
    cloth: Array
    direction: Array
    zero: float
    dead: float

    @property
    def contrast(self) -> float:
        """CIELAB difference of print and cloth."""
        return float(colour.plain_difference(colour.lab(self.print), colour.lab(self.cloth)))

    def share(self, light: Array) -> Array:
        """Return the share of print of every px of ``light`` (..., 3), not limited to 0..1."""
        return np.asarray(light @ self.direction - self.zero)

    def shares(self, light: Array, luma: Array, white: Array) -> tuple[Array, float]:
        """Return the share of print of every px, and the share next to 0 and 1 that is noise.

        Where brightness rises or falls all the way from cloth to print, the share is read from
        ``luma`` (...) (METHODS.md, section 17): JPEG keeps colour for several px together,
        averaged in bytes, which makes edges between dark and light darker than they are.
        ``white`` (3,): white in the picture.
        """
        share = np.linspace(-0.3, 1.3, 81)
        mixed = np.clip(self.cloth + share[:, None] * (self.print - self.cloth), 0, None)
        curve = colour.brightness(mixed * white) / colour.brightness(white)
        between = (share >= 0) & (share <= 1)
        slope = np.gradient(colour.srgb(curve), share)[between]
        turn = slice(None, None, 1 if slope[0] > 0 else -1)
        if (slope * np.sign(slope[0])).min() < STEEP:
            return self.share(light), self.dead
        return np.interp(luma, np.maximum.accumulate(curve[turn]), share[turn]), 0.0


def mixture(pixels: Array, cloth: Array, spread: Array, start: Array) -> Mixture:
    """Return the mixture of the px (n, 3) of one ink, some of which may be gone.

    ``cloth`` (3,) and ``spread`` (3, 3): mean and covariance of bare cloth; ``start`` (3,): the
    colour that the print has about. METHODS.md, equation (43).
    """
    pixels = pixels[:: max(1, len(pixels) // _ENOUGH)].astype(float)
    # What is far from the cloth is print, faded as it may be; too little of it: as it was drawn.
    away = pixels - cloth
    far = np.einsum("ij,ij->i", away, np.linalg.solve(spread + 1e-5 * np.eye(3), away.T).T) > 16
    centre: Array = np.median(pixels[far], 0) if far.mean() > 0.15 else start
    within: Array = spread
    for _ in range(6):
        share = (pixels - cloth) @ _direction(centre - cloth, within, spread)
        printed = share > 0.6  # well on the side of the print
        if printed.sum() < max(20, 0.02 * len(pixels)):
            break
        off = np.abs(share[printed] - np.median(share[printed]))
        core = pixels[printed][off <= 2.5 * np.median(off) + 1e-9]
        centre = np.asarray(core.mean(0), dtype=np.float64)
        within = np.asarray(np.cov(core.T), dtype=np.float64)
    direction = _direction(centre - cloth, within, spread)
    noise = float(np.sqrt(direction @ (0.5 * (within + spread)) @ direction))
    dead = float(np.clip(2.5 * noise, 0.04, 0.35))
    return Mixture(centre, cloth, direction, float(cloth @ direction), dead)


def _direction(apart: Array, within: Array, spread: Array) -> Array:
    """Return the direction (3,) along which ``apart`` measures 1 with the least noise."""
    both = 0.5 * (within + spread) + 1e-5 * np.eye(3)
    toward = np.asarray(np.linalg.solve(both, apart), dtype=np.float64)
    along: Array = toward / max(float(toward @ apart), 1e-12)
    return along
