"""Light that is mirrored in a coupon.

Uneven light multiplies what cloth and print throw back; mirrored light is added to it, the same in
every channel. Cloth shows it as patches brighter than light that changes slowly over the coupon
leaves them, print as a colour that is no mixture of print and cloth.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dtfexp.coupon.layout import INKS, coupon_layout
from dtfexp.coupon.reading import colour
from dtfexp.coupon.reading.cover import mixture
from dtfexp.coupon.reading.lighting import Even, bare_cloth, inside, terms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dtfexp.coupon.reading.rectified import Seen

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

#: mm: side of a patch; number of patches that show mirrored light before it counts.
_PATCH, _COUNTS = 3.0, 3
#: Light that is added, of white, beyond a share of the cloth's own (folds change that).
_ADDED, _FOLDED = 0.05, 0.20
#: Share of the cloth that the slow light leaves darker than it says: mirrored light adds only.
_BELOW = 0.2
#: How far white light must point away from the line between print and cloth, to be seen.
_APART = 0.35


def mirrors(seen: Seen, even: Even) -> bool:
    """Tell whether a coupon mirrors light, in cloth or print (METHODS.md, section 17)."""
    return any(
        int((added > _ADDED).sum()) >= _COUNTS for added in (on_cloth(seen), in_print(seen, even))
    )


def on_cloth(seen: Seen) -> Array:
    """Return the light that is added to patches (n,) of bare cloth, of white, beyond what folds do.

    The light is taken for a polynomial of the second degree, below which a fifth of the cloth lies,
    in the channel in which the cloth is brightest: there what is added shows least.
    """
    at, light = _patches(seen.light, bare_cloth(seen), seen.per_mm)
    white_at, white = _patches(
        seen.light, inside(seen.ink, list(INKS).index("white"), 0.5 * seen.per_mm), seen.per_mm
    )
    size = np.array(seen.ink.shape[::-1]) / seen.per_mm
    channel = int(np.argmax(np.median(light, 0)))
    rows, white_rows = (
        np.column_stack([np.ones(len(some)), terms(some, size)]) for some in (at, white_at)
    )
    slow = _below(rows, np.log(np.clip(light[:, channel], 1e-3, None)))
    level = np.median(white / np.exp(white_rows @ slow)[:, None], axis=0)
    looks = light / np.exp(rows @ slow)[:, None] / level
    cloth = np.quantile(looks, 0.3, axis=0)
    return np.asarray((looks - cloth).min(-1) - _FOLDED * cloth.mean())


def in_print(seen: Seen, even: Even) -> Array:
    """Return how far patches (n,) of teal print lie off the line between print and cloth, of white.

    Only the way that added light leads is counted: not its amount, which would be the less sure the
    nearer the line itself leads to white light. None is told where it does.
    """
    layout = coupon_layout(seen.label.half)
    teal = inside(seen.ink, list(INKS).index("teal"), 0.5 * seen.per_mm)
    bare = even.light[bare_cloth(seen)]
    start = colour.linear(np.array(INKS[layout.of_kind("solid")[0].ink]))
    mixed = mixture(even.light[teal], even.cloth, np.cov(bare.T), start)
    line = mixed.print - mixed.cloth
    off = np.ones(3) - line * (line.sum() / max(float(line @ line), 1e-12))
    if off @ off < _APART**2:
        return np.zeros(0)
    _, light = _patches(even.light, teal, seen.per_mm)
    return np.asarray((light - mixed.cloth) @ off / np.sqrt(off @ off))


def _patches(light: Array, mask: Mask, per_mm: float) -> tuple[Array, Array]:
    """Return the middles (n, 2), mm, of patches of the px of ``mask``, and their mean light."""
    side = int(_PATCH * per_mm)
    rows, columns = (n // side for n in mask.shape)

    def summed(values: NDArray[np.generic]) -> Array:
        whole = values[: rows * side, : columns * side]
        parts = whole.reshape(rows, side, columns, side, *values.shape[2:])
        return np.asarray(parts.sum((1, 3), dtype=float))

    count = summed(mask)
    there = count >= 0.2 * side**2
    at = np.asarray((np.argwhere(there)[:, ::-1] + 0.5) * side / per_mm, dtype=float)
    return at, summed(light * mask[..., None])[there] / count[there][:, None]


def _below(rows: Array, values: Array) -> Array:
    """Return the weights of ``rows`` (n, k) below which a fifth of the values (n,) lie.

    A quantile regression (Koenker & Bassett 1978), by least squares weighted anew.
    """
    weight = np.ones(len(values))
    for _ in range(30):
        normal = rows.T @ (rows * weight[:, None]) + 1e-6 * np.eye(rows.shape[1])
        found = np.linalg.solve(normal, rows.T @ (weight * values))
        rest = values - rows @ found
        weight = np.where(rest > 0, _BELOW, 1 - _BELOW) / np.maximum(np.abs(rest), 0.01)
    return np.asarray(found)
