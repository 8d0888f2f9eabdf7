"""A photo or scan as an array of sRGB bytes: upright, in one colour space, limited in size."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dtfexp.describe import fields
from dtfexp.describe.errors import CouponError

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PIL import Image

#: Bytes and pixels of a picture that is read: an A4 page scanned at 600 dpi has 35 million.
LARGEST_FILE = 60_000_000
MOST_PIXELS = 60_000_000
_KINDS = ("JPEG", "PNG", "WEBP")
#: What stands at bytes 8 to 12 of the phone formats HEIC and AVIF (ISO/IEC 14496-12; memory).
_PHONE = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif")
_GREY = ("1", "L", "LA", "I", "I;16", "F")


def picture(source: bytes | str | os.PathLike[str]) -> NDArray[np.uint8]:
    """Return the picture, (rows, columns, 3), of a file or of its bytes.

    Turned as the camera says; colours of another space (phones: Display P3) become sRGB. Raises
    ``CouponError``, saying what to do: no file, no picture of a known kind, a phone's HEIC, too
    large, without colour, cut short.
    """
    from PIL import Image, ImageOps

    place, content = _content(source)
    try:
        with _opened(place, content) as opened:
            return np.asarray(_in_srgb(ImageOps.exif_transpose(opened)), dtype=np.uint8)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise _no_picture(place, error) from None


def checked(source: bytes | str | os.PathLike[str]) -> None:
    """Raise as ``picture`` does for a file that its first bytes show to be unusable."""
    place, content = _content(source)
    _opened(place, content).close()


def _opened(place: str, content: bytes) -> Image.Image:
    """Return the picture opened and not unpacked, its kind, size and colour accepted."""
    from PIL import Image

    if content[4:8] == b"ftyp" and content[8:12] in _PHONE:
        raise CouponError(
            f"{place}: the picture is HEIC, which is not read; set the phone's camera to 'Most "
            "compatible' (JPEG), or send the picture as JPEG, and try again"
        )
    try:
        opened = Image.open(io.BytesIO(content), formats=_KINDS)
    except (OSError, ValueError, SyntaxError) as error:
        raise _no_picture(place, error) from None
    except Image.DecompressionBombError:
        raise _too_large(place) from None
    if opened.width * opened.height > MOST_PIXELS:
        raise _too_large(place)
    if opened.mode in _GREY or opened.mode.startswith("I;"):
        raise CouponError(
            f"{place}: the picture has no colour (mode {fields.quoted(opened.mode)}); take or "
            "scan it in colour"
        )
    return opened


def _no_picture(place: str, error: Exception) -> CouponError:
    known = "cannot identify" in str(error)
    told = "" if known else f" ({error})"
    return CouponError(f"{place}: no whole picture{told}; accepted JPEG, PNG and WebP")


def _content(source: bytes | str | os.PathLike[str]) -> tuple[str, bytes]:
    """Return the name told in errors, and the bytes; never more than are accepted."""
    if isinstance(source, bytes):
        name, content = "picture", source[: LARGEST_FILE + 1]
    else:
        name = Path(source).name
        try:
            with Path(source).open("rb") as file:
                content = file.read(LARGEST_FILE + 1)
        except OSError as error:
            raise CouponError(f"{source}: cannot be read ({error.strerror or error})") from None
    if len(content) > LARGEST_FILE:
        raise CouponError(
            f"{name}: the file has more than {LARGEST_FILE / 1e6:g} MB; save it smaller, as JPEG"
        )
    return name, content


def _too_large(place: str) -> CouponError:
    return CouponError(
        f"{place}: the picture has more than {MOST_PIXELS / 1e6:g} million pixels; save it "
        "smaller (a scan: at 300 or 600 dpi)"
    )


def _in_srgb(opened: Image.Image) -> Image.Image:
    """Return the picture in sRGB; one that names no colour space, or a broken one, counts as it."""
    from PIL import ImageCms

    plain, named = opened.convert("RGB"), opened.info.get("icc_profile")
    if not named or opened.mode == "CMYK":
        return plain
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(named))
        changed = ImageCms.profileToProfile(plain, profile, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError):
        return plain
    return changed or plain
