"""PNG files written in bands, so that a long strip at a high resolution needs little memory."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray


def png(bands: Iterable[NDArray[np.uint8]], dpi: float) -> bytes:
    """Return a PNG of ``bands`` one below the other, (rows, width, 4) RGBA or (rows, width) grey.

    ISO/IEC 15948 (from memory): 8 bits a channel, rows unfiltered, the resolution in pHYs.
    """
    packer, packed, height, width, kind = zlib.compressobj(6), [], 0, 0, 0
    for band in bands:
        height, width, kind = height + len(band), band.shape[1], 6 if band.ndim == 3 else 0
        rows = np.ascontiguousarray(band).reshape(len(band), -1)
        packed.append(packer.compress(np.pad(rows, ((0, 0), (1, 0))).tobytes()))
    packed.append(packer.flush())
    per_metre = round(dpi / 0.0254)
    return b"".join(
        [
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, kind, 0, 0, 0)),
            _chunk(b"sRGB", b"\x00"),
            _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
            _chunk(b"IDAT", b"".join(packed)),
            _chunk(b"IEND", b""),
        ]
    )


def _chunk(kind: bytes, content: bytes) -> bytes:
    return (
        struct.pack(">I", len(content))
        + kind
        + content
        + struct.pack(">I", zlib.crc32(kind + content))
    )
