"""The families of plans by their names in the literature; one line each."""

from __future__ import annotations

from dtfexp.dialin.design import (
    factorials,
    first_look,
    fractions,
    latin_hypercube,
    optimal,
    quadratics,
    screening,
)
from dtfexp.dialin.design.design_family import DesignRequest, Family, RequestedPresses


def _first_look_family(request: DesignRequest) -> RequestedPresses:
    wanted = first_look.first_look(request.session, request.fabrics, request.presses)
    return RequestedPresses(
        wanted,
        "A compact first look around the usual settings, to see where the edges are.",
        first_look.notes(request.session, wanted),
    )


FAMILIES: dict[str, Family] = {
    "auto": Family(_first_look_family, ("blocks",)),
    "full factorial": Family(factorials.full_factorial, factorials.OPTIONS),
    "fraction": Family(fractions.fraction, fractions.OPTIONS),
    "plackett-burman": Family(screening.plackett_burman, screening.OPTIONS),
    "box-behnken": Family(quadratics.box_behnken, quadratics.BEHNKEN_OPTIONS),
    "central composite": Family(quadratics.central_composite, quadratics.COMPOSITE_OPTIONS),
    "latin hypercube": Family(latin_hypercube.hypercube, latin_hypercube.OPTIONS),
    "d-optimal": Family(optimal.optimal_plan, optimal.OPTIONS),
    "i-optimal": Family(optimal.optimal_plan, optimal.OPTIONS),
}
