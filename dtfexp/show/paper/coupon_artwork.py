"""The coupon of each press, as files for any print driver."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dtfexp.book.status import presses_of
from dtfexp.coupon.layout import INKS, Layout, coupon_layout
from dtfexp.coupon.outlines import Shape, bank_pieces, coupon_shapes
from dtfexp.coupon.payload import Half, Label, session_code
from dtfexp.coupon.raster import Picture, coupon_picture
from dtfexp.coupon.strip import COLOUR_ML, WHITE_ML, Strip, ink_areas, strip_of, white_layer
from dtfexp.describe import fields
from dtfexp.describe.errors import CouponError
from dtfexp.describe.fields import count_phrase
from dtfexp.describe.tomltext import write_file
from dtfexp.show.paper.png import png
from dtfexp.show.paper.run_sheet import paper_date

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook

DPIS = (300, 600)
_BLACK = (0, 0, 0)


@dataclass(frozen=True)
class CouponArtwork:
    """The files written, and what printing them uses.

    ``colour`` and ``white``: printed areas in cm², of colour and of white ink.
    """

    paths: tuple[Path, ...]
    strip: Strip
    presses: int
    colour: float
    white: float

    def lines(self) -> list[str]:
        """Return what was made and what it uses, in sentences."""
        film = self.strip.width * self.strip.length / 1e6
        pieces = count_phrase(len(self.strip.labels), "coupon")
        return [
            f"{pieces} for {count_phrase(self.presses, 'press', 'presses')}, on a strip "
            f"{self.strip.width:g} mm wide and {self.strip.length / 1000:.2f} m long "
            f"({film:.2f} m² of film). Cut along the dashed lines.",
            f"Ink: {self.colour:.0f} cm² of colour, {self.white:.0f} cm² of white; about "
            f"{self.colour * COLOUR_ML / 1e4:.1f} ml and {self.white * WHITE_ML / 1e4:.1f} ml "
            f"(at {COLOUR_ML:g} and {WHITE_ML:g} ml a m², common practice, no source).",
            "Print at 100 %, never fitted to the page: the coupon is read by its size.",
        ]


def coupon_artwork(
    book: Logbook | str | PathLike[str],
    out: str | PathLike[str],
    *,
    presses: Sequence[int] | None = None,
    fabrics: Sequence[str] | None = None,
    halves: bool = False,
    dpi: int | Iterable[int] = 300,
    film_width: float | None = None,
    mirror: bool = False,
    progress: Callable[[int, int, str], None] = lambda done, steps, now: None,
) -> CouponArtwork:
    """Write the coupon of each press of ``book`` (a logbook or its path) into folder ``out``.

    For each resolution a folder with one PNG of each coupon, its colour with alpha, which is the
    white underbase, and its white layer by itself (black where white ink is laid); and all on one
    strip. ``coupons.pdf`` and ``strip.pdf`` are drawn in vectors; the second page of the strip is
    its white layer.

    ``presses``: numbers (default: those not made yet); ``fabrics``: only these; ``halves``: two
    pieces for each press, one to wash and one to keep; ``dpi``: 300, 600 or both; ``film_width``:
    printable, in mm (default: the session's supplies); ``mirror``: turn left and right, where the
    print driver does not. Raises ``CouponError`` for what it cannot print, ``DtfexpError`` for a
    folder that cannot be written.
    """
    from dtfexp.book.logbook import Logbook

    if not isinstance(book, Logbook):
        with Logbook.open(book) as opened:
            return coupon_artwork(
                opened, out, presses=presses, fabrics=fabrics, halves=halves, dpi=dpi,
                film_width=film_width, mirror=mirror, progress=progress,
            )  # fmt: skip
    resolutions = _resolutions(dpi)
    numbers = _presses(book, presses, fabrics)
    pieces: tuple[Half, ...] = ("wash", "keep") if halves else ("one",)
    code = session_code(book.mark)
    labels = [Label(code, number, half) for number in numbers for half in pieces]
    supplies = book.session.supplies
    width = supplies.film_width if film_width is None else film_width
    strip = strip_of(labels, width, supplies.gap)
    folder, created = Path(out), paper_date(book)
    made: list[tuple[Path, bytes]] = []
    areas = (0.0, 0.0)
    for place, fine in enumerate(resolutions):
        per_mm, pictures = fine / 25.4, []
        for done, label in enumerate(labels):
            progress(place * len(labels) + done, len(resolutions) * len(labels), "drawing")
            picture = coupon_picture(label, per_mm)
            pictures.append(picture)
            shown = picture[:, ::-1] if mirror else picture
            name = folder / f"{fine}dpi" / _name(label)
            made.append((name.with_suffix(".png"), png([shown], fine)))
            made.append((name.with_name(f"{name.name}-white.png"), png([white_layer(shown)], fine)))
        whole = folder / f"{fine}dpi"
        white: list[Picture] = []
        bands = _with_white(strip.bands(per_mm, pictures, mirror), white)
        made.append((whole / "strip.png", png(bands, fine)))
        made.append((whole / "strip-white.png", png(white, fine)))
        areas = ink_areas(pictures, per_mm)
    made.append((folder / "coupons.pdf", _coupons_pdf(labels, mirror, created)))
    made.append((folder / "strip.pdf", _strip_pdf(strip, mirror, created)))
    for path, content in made:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_file(content, path, CouponError, "; close it in any other program")
    return CouponArtwork(tuple(path for path, _ in made), strip, len(numbers), *areas)


def _with_white(bands: Iterable[Picture], white: list[Picture]) -> Iterator[Picture]:
    """Yield the bands of a strip, and keep the ``white`` of each: a quarter of its size."""
    for band in bands:
        white.append(white_layer(band))
        yield band


def _resolutions(dpi: int | Iterable[int]) -> list[int]:
    asked = [dpi] if isinstance(dpi, int) else list(dpi)
    for one in asked:
        if one not in DPIS:
            raise fields.refusal("dpi", one, " or ".join(map(str, DPIS)), CouponError)
    return sorted(set(asked))


def _presses(
    book: Logbook, presses: Sequence[int] | None, fabrics: Sequence[str] | None
) -> list[int]:
    """Return the presses to print for, in running order."""
    runs = book.runs()
    if fabrics is not None:
        names = [book.session.fabric(one).name for one in fabrics]
        runs = runs[runs["fabric"].isin(names)]
    known = [int(number) for number in runs["press"]]
    if presses is None:
        open_ones = presses_of(book).not_pressed
        found = [number for number in known if number in open_ones]
        if not found:
            raise CouponError(
                f"{book.path.name}: no press of it is still to be made; name the presses to print "
                "coupons for, or add a plan first"
            )
        return found
    for number in presses:
        if number not in known:
            raise CouponError(
                f"press {number}: not in {book.path.name}"
                f"{' for these fabrics' if fabrics is not None else ''}; it has "
                f"{count_phrase(len(known), 'press', 'presses')}"
            )
    wanted = set(presses)
    return [number for number in known if number in wanted]


def _name(label: Label) -> str:
    half = "" if label.half == "one" else f"-{label.half}"
    return f"press-{label.press:03d}{half}"


def _coupons_pdf(labels: Sequence[Label], mirror: bool, created: datetime) -> bytes:
    pdf = _pdf("Test coupons", created)
    for label in labels:
        layout = coupon_layout(label.half)
        _page(pdf, layout.width, layout.height)
        _paint(pdf, _vectors(label, layout), 0, 0, layout.width if mirror else None)
    return bytes(pdf.output())


def _strip_pdf(strip: Strip, mirror: bool, created: datetime) -> bytes:
    """Return the strip on two pages: all ink, and the white layer in black."""
    pdf = _pdf("Test coupons on one strip", created)
    turned = strip.width if mirror else None
    for white in (False, True):
        _page(pdf, strip.width, strip.length)
        _paint(pdf, strip.cut_lines(), 0, 0, turned, white)
        for label, (x, y) in zip(strip.labels, strip.corners, strict=True):
            _paint(pdf, _vectors(label, coupon_layout(label.half)), x, y, turned, white)
    return bytes(pdf.output())


def _vectors(label: Label, layout: Layout) -> list[Shape]:
    """Return a coupon's shapes for vectors, which cannot clear what is below them."""
    (bank,) = layout.of_kind("bank")
    whole = (bank.x, bank.y, bank.x + bank.width, bank.y + bank.height)
    shapes = [one for one in coupon_shapes(label) if one.ink and one.box != whole]
    return [*shapes, *bank_pieces(bank, layout.of_kind("gap"))]


def _pdf(title: str, created: datetime) -> Any:
    from fpdf import FPDF

    pdf = FPDF(unit="mm")
    pdf.set_auto_page_break(False)
    pdf.set_creation_date(created)
    pdf.set_title(title)
    pdf.set_creator("dtfexp")
    return pdf


def _page(pdf: Any, width: float, height: float) -> None:
    pdf.add_page(format=(width, height))


def _paint(
    pdf: Any,
    shapes: Iterable[Shape],
    x: float,
    y: float,
    mirrored: float | None,
    white: bool = False,
) -> None:
    """Draw shapes moved by (x, y); with ``mirrored``, the width of the page, turned left to right.

    ``white``: everything in black, as a separation of the white ink.
    """
    for shape in shapes:
        pdf.set_fill_color(*(_BLACK if white else INKS[shape.ink]))
        points = shape.points + np.array([x, y])
        if mirrored is not None:
            points[:, 0] = mirrored - points[:, 0]
        pdf.polygon([(float(px), float(py)) for px, py in points], style="F")
