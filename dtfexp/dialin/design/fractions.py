"""Regular two-level fractions (half, quarter …), and their aliases."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import permutations

import numpy as np

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.session import Session
from dtfexp.dialin.design.design_family import (
    DesignRequest,
    Labels,
    RequestedPresses,
    presses_for_fabrics,
)
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.forbidden_repair import signs_with_fewest_forbidden
from dtfexp.maths.designs import classical
from dtfexp.maths.designs.blocking import Blocked, blocks_of_fraction

OPTIONS = ("resolution", "runs", "reach", "centres", "replicates", "blocks")
_MOST_CENTRES = 4
_MOST_ASSIGNMENTS = 4


def fraction(request: DesignRequest) -> RequestedPresses:
    """Return a regular two-level fraction of minimum aberration, with centre presses if possible.

    Which setting takes which column: so that temperature × time of a stage stays clear. Which signs
    the columns have: so that the fewest presses are forbidden.
    """
    k = len(request.session.factors)
    if not 2 <= k <= 8:
        raise PlanError(
            f"a fraction takes 2 to 8 factors and the session has {k}; use design 'auto'"
        )
    resolution, runs = request.options.get("resolution"), request.options.get("runs")
    room = request.presses_per_fabric // request.replicates
    with fields.at(f"fraction of {k} factors", PlanError):
        if runs is None and resolution is None:
            sizes = [2**m for m in range(2, k + 1) if 2**m > k]
            runs = max((r for r in sizes if r <= room), default=sizes[0])
        base = classical.fraction(k, runs=runs, resolution=resolution)
    columns = _columns(request.session, base)
    made = classical.relabelled(base, columns)
    matrix = signs_with_fewest_forbidden(
        request.session, request.fabrics, np.asarray(made.matrix, dtype=float), request.reach()
    )
    labels: Labels | None = None
    hidden: tuple[str, ...] = ()
    if request.blocks and request.replicates % len(request.blocks) == 0:
        labels = np.zeros(len(matrix), dtype=np.intp)
    elif request.blocks:
        blocked = regular_blocks(request.session, base, len(request.blocks), columns)
        if blocked is not None:
            labels, hidden = blocked.labels, blocked.confounded
    wanted = presses_for_fabrics(request, matrix, request.reach(), _MOST_CENTRES, labels)
    names = tuple(f.name for f in request.session.factors)
    return RequestedPresses(
        wanted,
        f"A two-level fraction of {len(matrix)} presses for each fabric"
        + (f", resolution {made.resolution}" if made.resolution else "")
        + (f", {request.replicates} times" if request.replicates > 1 else "")
        + ".",
        (*_alias_notes(made, names), *block_confounding_note(request.session, hidden)),
        fraction=made,
    )


def regular_blocks(
    session: Session, made: classical.Fraction, count: int, columns: Sequence[int]
) -> Blocked | None:
    """Return the plan divided by high-order effects, or None where impossible.

    ``columns``: the column of ``made`` of each setting; hidden effects are given in the letters of
    the settings. The temperature × time interaction of a stage is not hidden if avoidable.
    """
    spare = [_word(columns[i] for i in pair) for pair in _trade_offs(session)]
    try:
        blocked = blocks_of_fraction(made, count, spare)
    except ValueError:
        return None
    letter = {classical.LETTERS[c]: classical.LETTERS[i] for i, c in enumerate(columns)}
    hidden = ("".join(sorted(letter[old] for old in word)) for word in blocked.confounded)
    return Blocked(blocked.labels, tuple(sorted(hidden, key=lambda word: (len(word), word))))


def block_confounding_note(session: Session, hidden: tuple[str, ...]) -> tuple[str, ...]:
    """Return the effects confounded with blocks, in the shop's words."""
    if not hidden:
        return ()
    listed = "; ".join(
        _effect_text(word, tuple(f.name for f in session.factors)) for word in hidden
    )
    return (f"The blocks (day, roll or lot) hide: {listed}.",)


def _trade_offs(session: Session) -> tuple[tuple[int, int], ...]:
    """Return pairs that trade off: temperature and time of a stage (common practice)."""
    return Coding(session).shape.trade_off


def _columns(session: Session, made: classical.Fraction) -> list[int]:
    """Return the column of the fraction for each setting, in order unless another is better.

    Better: pairs that trade off are aliased with fewer main effects, then with fewer of each other,
    then with fewer other pairs.
    """
    k = len(session.factors)
    pairs = _trade_offs(session)
    own = list(range(k))
    involved = sorted({i for pair in pairs for i in pair})[:_MOST_ASSIGNMENTS]
    if not pairs or not made.words:
        return own
    mixed = made.aliases(max_order=2)

    def cost(columns: list[int]) -> tuple[int, int, int]:
        words = [_word(columns[i] for i in pair) for pair in pairs]
        others = [mixed[word] for word in words]
        return (
            sum(len(other) == 1 for found in others for other in found),
            sum(other in words for found in others for other in found),
            sum(len(found) for found in others),
        )

    def placed(chosen: tuple[int, ...]) -> list[int]:
        rest = iter(column for column in range(k) if column not in chosen)
        place = dict(zip(involved, chosen, strict=True))
        return [place[i] if i in place else next(rest) for i in own]

    tried = (placed(chosen) for chosen in permutations(range(k), len(involved)))
    return min([own, *tried], key=cost)


def _word(columns: Iterable[int]) -> str:
    return "".join(classical.LETTERS[column] for column in sorted(columns))


def _effect_text(word: str, names: tuple[str, ...]) -> str:
    return " with ".join(names[classical.LETTERS.index(letter)] for letter in word)


def _alias_notes(made: classical.Fraction, names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the aliases up to two settings in the shop's words."""
    notes = []
    named: set[str] = set()
    for effect, others in made.aliases(max_order=2).items():
        if others and effect not in named:
            named |= {effect, *others}
            listed = "; ".join(_effect_text(other, names) for other in others)
            notes.append(f"Cannot be separated: {_effect_text(effect, names)} | {listed}.")
    return tuple(notes) or ("All effects of one and of two settings can be separated.",)
