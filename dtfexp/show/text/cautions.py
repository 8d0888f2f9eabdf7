"""The safety notes shown with every setting: one text in three lengths.

``ONE_LINE`` for terminals, forms and cells, three lines for papers, ``CARE`` in full for the report
and the README. Sources, named and not quoted: ISO 13732-1 (burns from touching hot surfaces), ISO
3758 (care labels of textiles), both from memory. Everything else is common practice, no source.
Makers' sheets, local codes and licensed people come first.
"""

from __future__ import annotations

ONE_LINE = (
    "Care: gloves on, nothing left in the press, nobody leaves a heating machine alone; exhaust "
    "on, powder away from heat and lungs; never above the care label or the makers' limits. "
    "A proposal: the shop decides."
)
"""One line, for a terminal, a form or a notebook cell."""

CAUTIONS: tuple[str, ...] = (
    "Hot platens and oven beds burn at a touch (ISO 13732-1), and so do film and cloth fresh from"
    " the press: wear heat-resistant gloves, leave nothing in a closed press and no heating"
    " machine alone. Curing gives off fumes and fine powder: run an exhaust or filter that is"
    " looked after, wear a dust mask, keep powder away from flames and heaters, and follow the"
    " safety data sheets.",
    "Never go above the care label of the garment (ISO 3758) or what the makers of machine, film"
    " and powder allow; some fabrics melt, scorch or bleed dye far below what cotton stands."
    " Local codes come first; electrical and ventilation work is for licensed people, who also"
    " say whether oven and press may share a circuit.",
    "These settings are a proposal from test presses on this bench. The shop decides, and tries"
    " them on its own garments before selling.",
)
"""Three lines, in the order in which they are shown."""

SHORT_CAUTIONS: tuple[str, ...] = (
    "HOT: platen, oven, fresh film and cloth burn at a touch (ISO 13732-1). Gloves on; leave"
    " nothing in the press and no heating machine alone.",
    "Fumes and fine powder: exhaust and mask on, no flame near; follow the data sheets. Never above"
    " the care label (ISO 3758) or the makers' limits. Local codes first; wiring and vents by"
    " licensed people.",
    "A proposal from test presses on this bench. The shop decides.",
)
"""The same three lines, cut to the width of the card."""

CARE: tuple[str, ...] = (
    "Hot platens and oven beds burn at a touch (ISO 13732-1), and so do film and cloth fresh from"
    " the press. Heat-resistant gloves; leave nothing in a closed press.",
    "Nobody leaves a heating machine alone: stay while it heats, switch it off when you go, keep"
    " cloth, paper and solvents away from it, and an extinguisher fit for electrical fires near.",
    "Curing gives off fumes. Local exhaust or filtration, its filters changed as its maker says;"
    " follow the safety data sheets of powder, ink and film.",
    "The powder is fine dust: keep it out of lungs (a dust mask as its data sheet says) and away"
    " from flames, sparks and heaters, for fine dust can catch fire. Wipe it up, never blow it"
    " about.",
    "Oven and press together may overload one circuit: an electrician decides. Electrical and"
    " ventilation work is for licensed people. Local codes come first.",
    "Never go above a garment's care label (ISO 3758) or the makers' limits. Some fabrics melt,"
    " scorch or bleed dye far below what cotton stands: write the limit into the fabric: no"
    " plan, window or card lets it meet more.",
    "A display is not a temperature. Measure the platen and the oven bed before you trust either.",
    "Garments for children have rules of their own: ask what local law demands before you sell.",
    "dtfexp proposes; the shop decides, and tries a setting on its own garment before it sells.",
)
"""The whole list, for the report and the README."""
