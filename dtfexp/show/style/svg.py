"""A matplotlib figure as a piece of a page: inline, re-colourable, accessible, reproducible."""

from __future__ import annotations

import re
from io import StringIO
from typing import TYPE_CHECKING, Any

from dtfexp.describe.html_text import escape
from dtfexp.show.style.palette import DARK, variable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",  # letters stay letters: small files, searchable, zoomable
    "svg.image_inline": True,
    "path.simplify": True,
}
_NO_DATE = {"Date": None, "Creator": None, "Format": None, "Type": None}
_PROLOGUE = re.compile(r"^.*?(?=<svg )", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_STYLE_SHEET = re.compile(r"\s*<defs>\s*<style.*?</style>\s*</defs>", re.DOTALL)
_COLOUR = re.compile(r"(fill|stroke): (#[0-9a-f]{6})\b")
_SIZE = re.compile(r'<svg [^>]*?viewBox="([^"]+)"[^>]*>')
_NAME = re.compile(r'(\bid="|url\(#|href="#)([^")]+)')
_FONT = re.compile(r"font(?:-family)?: ?(?:(\d[\d.]*)px )?'[^;\"]*")
_TAG = re.compile(r"<[^<>]*>")
_DECIMALS = re.compile(r"(?<![\w.#-])-?\d+\.\d+(?![\w.])")
_HASHED = re.compile(r'(?<=id=")[a-zA-Z][0-9a-f]{10}(?=")')
#: Moves a coordinate that ends in an exact half to one side of it, on every processor the same.
_OFF_THE_HALF = 1e-6
_IDLE_GROUP = re.compile(r' id="(?!DejaVu)[A-Za-z]+2?d?\w*_\d+"')


def figure(width: float, height: float) -> Figure:
    """Return an empty figure (size in CSS pixels), without pyplot: safe in notebook callbacks."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width / 72, height / 72), dpi=72)


def inline_svg(drawn: Figure, name: str, title: str, given: str) -> str:
    """Return the figure as one ``<svg>`` element.

    ``name``: unique in the page, letters, digits and "-", the prefix of every id inside. ``title``,
    ``given``: text alternative of the drawing (plain text, escaped here). The same figure gives the
    same text; the colours of ``palette`` become CSS variables.
    """
    import matplotlib

    buffer = StringIO()
    style: Any = {**_STYLE, "svg.hashsalt": name}
    with matplotlib.rc_context(style):
        drawn.savefig(buffer, format="svg", transparent=True, metadata=_NO_DATE)
    text = _PROLOGUE.sub("", buffer.getvalue(), count=1)
    for unused in (_METADATA, _COMMENT, _STYLE_SHEET):
        text = unused.sub("", text)
    text = _IDLE_GROUP.sub("", text)
    text = _TAG.sub(lambda tag: _DECIMALS.sub(_rounded, tag[0]), text)
    # Matplotlib names markers and clips by a digest of coordinates that are not rounded.
    for number, hashed in enumerate(dict.fromkeys(_HASHED.findall(text)), start=1):
        text = text.replace(hashed, f"part{number}")
    text = _NAME.sub(rf"\g<1>{name}-\g<2>", text)
    text = _FONT.sub(_plain_font, text)
    text = _COLOUR.sub(_colour_variable, text)
    head = (
        rf'<svg class="figure" role="img" aria-labelledby="{name}-title {name}-told" '
        r'viewBox="\1" xmlns="http://www.w3.org/2000/svg" '
        r'xmlns:xlink="http://www.w3.org/1999/xlink">'
    )
    text = _SIZE.sub(head, text, count=1)
    opening = text.index(">") + 1
    words = (
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-told">{escape(given)}</desc>'
    )
    lines = (line.strip() for line in text[opening:].splitlines())
    return text[:opening] + words + "\n".join(line for line in lines if line)


def _rounded(number: re.Match[str]) -> str:
    """Round a coordinate to a hundredth of a pixel, a share of one to four digits.

    Finer than any screen, and coarser than the last digits in which processors differ.
    """
    value = float(number[0])
    digits = 2 if abs(value) >= 1 else 4
    return f"{value + _OFF_THE_HALF:.{digits}f}".rstrip("0").rstrip(".")


def _plain_font(found: re.Match[str]) -> str:
    """Return the page's own font instead of a list of font names; the size stays."""
    return f"font-size: {found[1]}px" if found[1] else "font-family: inherit"


def _colour_variable(found: re.Match[str]) -> str:
    """Return a palette colour as its variable; any other colour is unchanged."""
    colour = found[2]
    return f"{found[1]}: var({variable(colour)})" if colour in DARK else found[0]
