"""The families of plans by their names in the literature; a new one is one line here."""

from __future__ import annotations

from dtfexp.describe.errors import PlanError
from dtfexp.dialin import factorials, first_look, fractions, latin, quadratics, screening
from dtfexp.dialin.family import Asked, Family, Wanted


def _auto(asked: Asked) -> Wanted:
    wanted = first_look.first_look(asked.session, asked.fabrics, asked.presses)
    return Wanted(
        wanted,
        "A compact first look round the usual settings, to see where the edges are.",
        first_look.notes(asked.session, wanted),
    )


def _not_built(asked: Asked) -> Wanted:
    raise PlanError(f"design {asked.design!r} is not built yet; use another, such as 'auto'")


FAMILIES: dict[str, Family] = {
    "auto": Family(_auto, ("blocks",)),
    "full factorial": Family(factorials.full_factorial, factorials.OPTIONS),
    "fraction": Family(fractions.fraction, fractions.OPTIONS),
    "plackett-burman": Family(screening.plackett_burman, screening.OPTIONS),
    "box-behnken": Family(quadratics.box_behnken, quadratics.BEHNKEN_OPTIONS),
    "central composite": Family(quadratics.central_composite, quadratics.COMPOSITE_OPTIONS),
    "latin hypercube": Family(latin.hypercube, latin.OPTIONS),
    "d-optimal": Family(_not_built),
    "i-optimal": Family(_not_built),
}
