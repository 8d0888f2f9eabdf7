"""The three lines of care that stand on every paper that proposes settings.

Sources, named and not quoted: ISO 13732-1 (burns from touching hot surfaces), ISO 3758 (care
labels of textiles). Everything else is common practice, no source.
"""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Hot platens and oven beds burn at a touch (ISO 13732-1): wear heat-resistant gloves and leave"
    " nothing in a closed press. Curing gives off fumes and fine powder: run an exhaust or filter"
    " that is looked after, and follow the safety data sheets.",
    "Never go above the care label of the garment (ISO 3758) or what the makers of machine, film"
    " and powder allow; some fabrics melt, scorch or bleed dye far below what cotton stands."
    " Local codes come first; electrical and ventilation work is for licensed people.",
    "These settings are a proposal from test presses on this bench. The shop decides, and tries"
    " them on its own garments before selling.",
)
"""Three lines, in the order in which they are shown."""

SHORT_CAUTIONS: tuple[str, ...] = (
    "HOT: platen and oven burn at a touch (ISO 13732-1). Gloves on; leave nothing in the press.",
    "Fumes and fine powder: exhaust on; follow the data sheets. Never above the care label"
    " (ISO 3758) or the makers' limits. Local codes first; wiring and vents by licensed people.",
    "A proposal from test presses on this bench. The shop decides.",
)
"""The same three lines, cut to the width of the card."""
