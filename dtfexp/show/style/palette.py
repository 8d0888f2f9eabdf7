"""The colours of every figure, and their variables in a page.

One colour means one thing everywhere. Light and dark hues keep their order in grey print, shapes
repeat what colours show, and the categorical hues are those of Okabe & Ito (Color Universal Design,
2008; the hex values from memory).
"""

from __future__ import annotations

# Each name is a CSS variable of the report; notebooks and printers use the hex values.
# All hex values differ, so that a page can re-colour a figure by name.
INK = "#1b1f24"
QUIET = "#59626d"
FAINT = "#c9ced4"
PAPER = "#fefefe"
WINDOW = "#0072b2"
WINDOW_FILL = "#cfe4f2"
PASS = "#00694d"
FAIL = "#b84a00"
PENDING = "#6b6259"
BAND = "#d7dce2"
LIMIT = "#8f959c"
OVEN = "#e69f00"
PRESS = "#cc79a7"
HANDS = "#56b4e9"

RATE_LEVELS: tuple[float, ...] = (0.0, 0.50, 0.70, 0.80, 0.90, 0.95, 1.0)
"""Edges of the colour steps of a pass rate, the same on every map."""

RATE_COLOURS: tuple[str, ...] = ("#f7f4ee", "#e3ded0", "#c4d3bd", "#9cc4b0", "#66ad9f", "#2f8f8b")
"""One colour per step, pale for few passing to dark for nearly all."""

HEAT: tuple[str, ...] = ("#fbf1dc", "#f3d9a4", "#e6b566", "#b9722a", "#7a4210")
"""One colour per step of a map of a platen, pale for its coldest spot to dark for its hottest."""

DARK: dict[str, str] = {
    INK: "#e9ecef",
    QUIET: "#aab2bb",
    FAINT: "#434b55",
    PAPER: "#14181d",
    WINDOW: "#5db4ea",
    WINDOW_FILL: "#1d3b50",
    PASS: "#5fd0a8",
    FAIL: "#ff9a52",
    PENDING: "#c9bba8",
    BAND: "#353d47",
    LIMIT: "#7d858e",
    OVEN: "#f0b43c",
    PRESS: "#d993ba",
    HANDS: "#7cc4ef",
    RATE_COLOURS[0]: "#1d1f22",
    RATE_COLOURS[1]: "#2b3234",
    RATE_COLOURS[2]: "#2f4445",
    RATE_COLOURS[3]: "#2f595a",
    RATE_COLOURS[4]: "#2a7270",
    RATE_COLOURS[5]: "#1f8f89",
    HEAT[0]: "#26211a",
    HEAT[1]: "#453620",
    HEAT[2]: "#6b4e22",
    HEAT[3]: "#c98636",
    HEAT[4]: "#f0b765",
}
"""Light colour -> its counterpart on a dark page."""


def variable(colour: str) -> str:
    """Return the CSS variable of a colour: "#1b1f24" is ``--i1b1f24``."""
    return f"--i{colour.lstrip('#')}"


def variables(dark: bool) -> str:
    """Return CSS declarations of every figure colour, for a light or a dark page."""
    return " ".join(
        f"{variable(light)}: {shade if dark else light};" for light, shade in DARK.items()
    )
