"""The families of plans by their names in the literature; a new one is one line here."""

from __future__ import annotations

from dtfexp.describe.errors import PlanError
from dtfexp.dialin import factorials, first_look, fractions
from dtfexp.dialin.family import Asked, Family, Wanted


def _auto(asked: Asked) -> Wanted:
    wanted = first_look.first_look(asked.session, asked.fabrics, asked.presses)
    return Wanted(
        wanted,
        "A compact first look round the usual settings, to see where the edges are.",
        first_look.notes(asked.session, wanted),
    )


def _not_built(asked: Asked) -> Wanted:
    raise PlanError(
        f"design {asked.design!r} is not built yet; use 'auto', 'full factorial' or 'fraction'"
    )


FAMILIES: dict[str, Family] = {
    "auto": Family(_auto),
    "full factorial": Family(factorials.full_factorial, factorials.OPTIONS),
    "fraction": Family(fractions.fraction, fractions.OPTIONS),
    "plackett-burman": Family(_not_built),
    "box-behnken": Family(_not_built),
    "central composite": Family(_not_built),
    "latin hypercube": Family(_not_built),
    "d-optimal": Family(_not_built),
    "i-optimal": Family(_not_built),
}
