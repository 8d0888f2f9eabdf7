"""Printed pages: fitted text, boxes and lines, all in millimetres.

Left edges are counted from the left margin, tops from the top of the paper.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from dtfexp.describe.errors import DtfexpError
from dtfexp.describe.fields import quoted

MARGIN = 12.0
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
_POINT = 25.4 / 72
_FONT = "DejaVu"


def known_paper(name: object) -> str:
    """Return the paper as spelled in ``PAPERS``; ``DtfexpError`` for any other."""
    for known in PAPERS:
        if known.casefold() == str(name).casefold():
            return known
    raise DtfexpError(f"paper is {quoted(name)}; use one of {', '.join(PAPERS)}")


class PdfPage:
    """A page being written. Greys run from 0 (black) to 1 (white)."""

    def __init__(self, paper: str, title: str, created: datetime) -> None:
        from fpdf import FPDF

        if paper not in PAPERS:
            raise ValueError(f"paper is {paper!r}; use one of {', '.join(PAPERS)}")
        self.width, self.height = PAPERS[paper]
        self.inner = self.width - 2 * MARGIN
        self._pdf = FPDF(orientation="portrait", unit="mm", format=(self.width, self.height))
        self._pdf.set_auto_page_break(False)
        self._pdf.set_margins(MARGIN, MARGIN)
        self._pdf.c_margin = 0
        self._pdf.set_creation_date(created)
        self._pdf.set_title(title)
        self._pdf.set_lang("en")
        self._pdf.set_creator("dtfexp")
        for style, file in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            self._pdf.add_font(_FONT, style, _fonts() / file)
        self._pdf.add_page()

    def turn(self) -> None:
        """Start a further page."""
        self._pdf.add_page()

    def pdf(self) -> bytes:
        """Return the finished pages."""
        return bytes(self._pdf.output())

    def measure(self, text: str, size: float, bold: bool = False) -> float:
        """Return the width of one line of text in millimetres; ``size`` in points."""
        self._letters(size, bold)
        return float(self._pdf.get_string_width(text))

    def write(
        self,
        text: str,
        left: float,
        top: float,
        size: float,
        *,
        bold: bool = False,
        grey: float = 0,
    ) -> None:
        """Write one line of text with its upper edge at ``top``."""
        self._letters(size, bold)
        self._pdf.set_text_color(round(255 * grey))
        # The ascent of DejaVu is 0.76 of its size.
        self._pdf.text(MARGIN + left, top + 0.76 * size * _POINT, text)

    def right(self, text: str, right: float, top: float, size: float, *, grey: float = 0) -> None:
        """Write one line of text that ends at ``right``."""
        self.write(text, right - self.measure(text, size), top, size, grey=grey)

    def middle(
        self,
        text: str,
        centre: float,
        top: float,
        size: float,
        *,
        bold: bool = False,
        within: tuple[float, float] | None = None,
    ) -> None:
        """Write one line of text centred on ``centre``, moved inwards to stay ``within``."""
        width = self.measure(text, size, bold)
        left = centre - width / 2
        if within is not None:
            left = max(within[0], min(left, within[1] - width))
        self.write(text, left, top, size, bold=bold)

    def fitted(
        self,
        text: str,
        left: float,
        top: float,
        width: float,
        largest: float,
        smallest: float,
        *,
        bold: bool = False,
        grey: float = 0,
    ) -> float:
        """Write one line as large as ``width`` allows, on a common baseline; return the size.

        Below the smallest size it runs over two lines.
        """
        size = self.size_for(text, width, largest, smallest, bold)
        if self.measure(text, size, bold) <= width:
            drop = 0.76 * (largest - size) * _POINT
            self.write(text, left, top + drop, size, bold=bold, grey=grey)
            return size
        lines = self.wrapped(text, width, size, bold)
        room = largest * _POINT * 1.2
        step = min(size * _POINT * 1.15, room / len(lines))
        for i, line in enumerate(lines):
            self.write(line, left, top + i * step, size, bold=bold, grey=grey)
        return size

    def size_for(
        self, text: str, width: float, largest: float, smallest: float, bold: bool = False
    ) -> float:
        """Return the largest size, in half points, at which one line fits (>= ``smallest``)."""
        wanted = largest * min(1.0, width / max(self.measure(text, largest, bold), 1e-6))
        return max(smallest, int(wanted * 2) / 2)

    def wrapped(self, text: str, width: float, size: float, bold: bool = False) -> list[str]:
        """Return the text in lines that fit; a word longer than a line is cut."""
        from fpdf.enums import MethodReturnValue

        self._letters(size, bold)
        found: Any = self._pdf.multi_cell(
            width, 1, text, align="L", dry_run=True, output=MethodReturnValue.LINES
        )
        return [str(line) for line in found]

    def lines(self, text: str, width: float, size: float) -> int:
        """Return the number of lines the text takes."""
        return len(self.wrapped(text, width, size))

    def block(
        self,
        text: str,
        left: float,
        top: float,
        width: float,
        size: float,
        step: float,
        *,
        bullet: bool = False,
    ) -> float:
        """Write a paragraph, left-aligned; return where the next one begins."""
        indent = 4.0 if bullet else 0.0
        if bullet:
            self.write("•", left, top, size)
        for line in self.wrapped(text, width - indent, size):
            self.write(line, left + indent, top, size)
            top += step
        return top

    def box(
        self,
        left: float,
        top: float,
        width: float,
        height: float,
        *,
        fill: float | None = None,
        line: float = 0.0,
    ) -> None:
        """Draw a rectangle, filled with a grey, outlined (``thick`` in mm), or both."""
        if fill is not None:
            self._pdf.set_fill_color(round(255 * fill))
        if line:
            self._pdf.set_draw_color(0)
            self._pdf.set_line_width(line)
        style = ("D" if line else "") + ("F" if fill is not None else "")
        self._pdf.rect(MARGIN + left, top, width, height, style=style)

    def diamond(self, x: float, y: float, half: float) -> None:
        """Draw the mark of the target: black with a white rim."""
        for reach, grey in ((half + 0.7, 255), (half, 0)):
            points = [(x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y)]
            self._pdf.set_fill_color(grey)
            self._pdf.polygon([(MARGIN + px, py) for px, py in points], style="F")

    def rule(self, top: float, thick: float = 0.2) -> None:
        """Draw a line across the page."""
        self._pdf.set_draw_color(0)
        self._pdf.set_line_width(thick)
        self._pdf.line(MARGIN, top, MARGIN + self.inner, top)

    def _letters(self, size: float, bold: bool) -> None:
        self._pdf.set_font(_FONT, "B" if bold else "", size)


def _fonts() -> Path:
    """Return the folder of the DejaVu fonts that matplotlib ships; they have every sign needed."""
    import matplotlib

    path: Any = matplotlib.get_data_path()
    return Path(path) / "fonts" / "ttf"
