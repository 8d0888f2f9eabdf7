"""Plackett-Burman plans: main effects from the fewest presses."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.dialin.design.design_family import (
    Array,
    DesignRequest,
    RequestedPresses,
    presses_for_fabrics,
)
from dtfexp.dialin.encode.forbidden_repair import signs_with_fewest_forbidden
from dtfexp.maths.designs import classical

OPTIONS = ("runs", "foldover", "reach", "centres", "replicates", "blocks")
_MOST_CENTRES = 4


def plackett_burman(request: DesignRequest) -> RequestedPresses:
    """Return a two-level plan in the next multiple of four presses, or in ``runs``.

    Centre presses are added if possible. ``foldover``: adds the same presses with all signs
    reversed, which separates main effects from interactions.
    """
    k = len(request.session.factors)
    foldover = request.options.get("foldover", False)
    if not isinstance(foldover, bool):
        raise fields.refusal("foldover", foldover, "True or False", PlanError)
    with fields.at(f"plackett-burman of {k} factors", PlanError):
        matrix = np.asarray(classical.plackett_burman(k, request.options.get("runs")), dtype=float)
    labels = None
    if foldover:
        matrix = np.vstack([matrix, -matrix])
        if len(request.blocks) == 2:
            # The half and its mirror image as blocks: no main effect is confounded with a block.
            labels = np.repeat(np.arange(2), len(matrix) // 2)
    matrix = signs_with_fewest_forbidden(request.session, request.fabrics, matrix, request.reach())
    wanted = presses_for_fabrics(request, matrix, request.reach(), _MOST_CENTRES, labels)
    return RequestedPresses(
        wanted,
        f"A two-level plan of {len(matrix)} presses for each fabric, for the main effects"
        + (", with its mirror image." if foldover else "."),
        (_mixed_note(matrix), "It cannot show which pairs of settings act together."),
    )


def _mixed_note(matrix: Array) -> str:
    share = 0.0
    for i, j in combinations(range(matrix.shape[1]), 2):
        pair = matrix[:, i] * matrix[:, j]
        share = max(share, float(np.abs(matrix.T @ pair).max()) / len(matrix))
    if share < 1e-9:
        return "Every main effect is free of the pairs of settings."
    if share > 1.0 - 1e-9:
        return (
            "Main effects cannot be separated from pairs of the other settings; a plan of 12 "
            "presses (runs=12) mixes them less, foldover=True not at all."
        )
    return (
        f"Every main effect contains up to {share:.0%} of the joint effect of every pair of the "
        "others: only large effects are certain."
    )
