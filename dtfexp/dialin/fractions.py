"""Regular two-level fractions: half, quarter … of all corners, and what they mix up."""

from __future__ import annotations

import numpy as np
import pandas as pd

from dtfexp.describe.errors import PlanError
from dtfexp.describe.session import Session
from dtfexp.dialin.coding import Coding
from dtfexp.dialin.family import Asked, Labels, Wanted, for_fabrics
from dtfexp.dialin.permitted import fewest_forbidden
from dtfexp.maths import designs
from dtfexp.maths.blocking import Blocked, blocks_of_fraction

OPTIONS = ("resolution", "runs", "reach", "centres", "replicates", "blocks")
_MOST_CENTRES = 4


def fraction(asked: Asked) -> Wanted:
    """A regular two-level fraction of minimum aberration, with centre presses to spare.

    Of the fractions that differ in signs only, the one with the fewest presses in what the
    session forbids is taken.
    """
    k = len(asked.session.factors)
    if not 2 <= k <= 8:
        raise PlanError(
            f"a fraction takes 2 to 8 factors and the session has {k}; use design 'auto'"
        )
    resolution, runs = asked.options.get("resolution"), asked.options.get("runs")
    room = asked.each // asked.replicates
    try:
        if runs is None and resolution is None:
            sizes = [2**m for m in range(2, k + 1) if 2**m > k]
            runs = max((r for r in sizes if r <= room), default=sizes[0])
        made = designs.fraction(k, runs=runs, resolution=resolution)
    except ValueError as error:
        raise PlanError(f"fraction of {k} factors: {error}") from None
    matrix = fewest_forbidden(
        asked.session, asked.fabrics, np.asarray(made.matrix, dtype=float), asked.reach()
    )
    labels: Labels | None = None
    hidden: tuple[str, ...] = ()
    if asked.blocks and asked.replicates % len(asked.blocks) == 0:
        labels = np.zeros(len(matrix), dtype=np.intp)
    elif asked.blocks:
        blocked = regular_blocks(asked.session, made, len(asked.blocks))
        if blocked is not None:
            labels, hidden = blocked.labels, blocked.hidden
    wanted = for_fabrics(asked, matrix, asked.reach(), _MOST_CENTRES, labels)
    names = tuple(f.name for f in asked.session.factors)
    return Wanted(
        wanted,
        f"A two-level fraction of {len(matrix)} presses for each fabric"
        + (f", resolution {made.resolution}" if made.resolution else "")
        + (f", {asked.replicates} times" if asked.replicates > 1 else "")
        + ".",
        (*_alias_notes(made, names), *hidden_note(asked.session, hidden)),
        fraction=made,
    )


def alias_table(
    made: designs.Fraction, names: tuple[str, ...], max_order: int | None = None
) -> pd.DataFrame:
    """Which effects cannot be told apart: columns effect, order, mixed_with (other effects).

    names: the settings, in the order of the columns. max_order: effects of up to so many settings
    (default: all of them). Effects are tuples of settings.
    """
    found = made.aliases(max_order=max_order or len(names))

    def spelt(word: str) -> tuple[str, ...]:
        return tuple(names[designs.LETTERS.index(letter)] for letter in word)

    return pd.DataFrame(
        {
            "effect": [spelt(word) for word in found],
            "order": [len(word) for word in found],
            "mixed_with": [tuple(spelt(other) for other in others) for others in found.values()],
        }
    )


def regular_blocks(session: Session, made: designs.Fraction, count: int) -> Blocked | None:
    """The plan divided by high-order effects, or None where that cannot be done.

    Where a pair must be hidden it is not, if that can be helped, the temperature and time of one
    stage: these two trade off against each other, common practice says.
    """
    pairs = Coding(session).shape.trade_off
    spare = [designs.LETTERS[min(pair)] + designs.LETTERS[max(pair)] for pair in pairs]
    try:
        return blocks_of_fraction(made, count, spare)
    except ValueError:
        return None


def hidden_note(session: Session, hidden: tuple[str, ...]) -> tuple[str, ...]:
    """What the luck of the blocks hides, in the shop's own words."""
    if not hidden:
        return ()
    listed = "; ".join(_spoken(word, tuple(f.name for f in session.factors)) for word in hidden)
    return (f"The blocks (day, roll or lot) hide: {listed}.",)


def _spoken(word: str, names: tuple[str, ...]) -> str:
    return " with ".join(names[designs.LETTERS.index(letter)] for letter in word)


def _alias_notes(made: designs.Fraction, names: tuple[str, ...]) -> tuple[str, ...]:
    """The alias structure up to two settings in the shop's own words."""
    notes = []
    told: set[str] = set()
    for effect, others in made.aliases(max_order=2).items():
        if others and effect not in told:
            told |= {effect, *others}
            listed = "; ".join(_spoken(other, names) for other in others)
            notes.append(f"Cannot be told apart: {_spoken(effect, names)} | {listed}.")
    return tuple(notes) or ("All effects of one and of two settings can be told apart.",)
