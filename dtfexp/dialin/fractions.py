"""Regular two-level fractions: half, quarter … of all corners, and what they mix up."""

from __future__ import annotations

import numpy as np

from dtfexp.describe.errors import PlanError
from dtfexp.dialin.family import Asked, Wanted, for_fabrics
from dtfexp.maths import designs

OPTIONS = ("resolution", "runs", "reach")
_MOST_CENTRES = 4


def fraction(asked: Asked) -> Wanted:
    """A regular two-level fraction of minimum aberration, with centre presses to spare."""
    k = len(asked.session.factors)
    if not 2 <= k <= 8:
        raise PlanError(
            f"a fraction takes 2 to 8 factors and the session has {k}; use design 'auto'"
        )
    resolution, runs = asked.options.get("resolution"), asked.options.get("runs")
    try:
        if runs is None and resolution is None:
            sizes = (4, 8, 16, 32, 64, 128, 256)
            runs = max((r for r in sizes if r <= min(asked.each, 2**k)), default=4)
        made = designs.fraction(k, runs=runs, resolution=resolution)
    except ValueError as error:
        raise PlanError(f"fraction of {k} factors: {error}") from None
    matrix = np.asarray(made.matrix, dtype=float)
    asked.needs(len(matrix))
    wanted = for_fabrics(asked, matrix, asked.reach(), _MOST_CENTRES)
    letters = {chr(65 + i): f.name for i, f in enumerate(asked.session.factors)}
    return Wanted(
        wanted.drop(columns="_row"),
        f"A two-level fraction of {len(matrix)} presses for each fabric"
        + (f", resolution {made.resolution}" if made.resolution else "")
        + ".",
        _alias_notes(made, letters),
    )


def _alias_notes(made: designs.Fraction, letters: dict[str, str]) -> tuple[str, ...]:
    """The alias structure in the shop's own words."""

    def spoken(effect: str) -> str:
        names = [letters.get(letter, letter) for letter in effect]
        return names[0] if len(names) == 1 else " with ".join(names)

    notes = []
    told: set[str] = set()
    for effect, others in made.aliases(max_order=2).items():
        if others and effect not in told:
            told |= {effect, *others}
            listed = "; ".join(spoken(o) for o in others)
            notes.append(f"Cannot be told apart: {spoken(effect)} | {listed}.")
    return tuple(notes) or ("All effects of one and of two settings can be told apart.",)
