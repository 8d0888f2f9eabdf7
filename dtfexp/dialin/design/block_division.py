"""Division of presses into blocks (days, rolls, lots) for families without their own."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import Coding
from dtfexp.maths.designs.blocking import balanced_blocks


def in_blocks(
    session: Session, wanted: pd.DataFrame, labels: tuple[str, ...], seed: int
) -> pd.DataFrame:
    """Return the presses with a column ``block``, each fabric equally in every block.

    ``wanted``: columns fabric and one per factor. Blocks differ in size by at most one press.
    """
    coding = Coding(session)
    rng = np.random.default_rng(seed)
    out = wanted.copy()
    out["block"] = ""
    turn = 0
    for _, mine in wanted.groupby("fabric", sort=False):
        columns: list[Any] = []
        for factor in session.factors:
            if factor.is_numeric or factor.ordered:
                columns.append(coding.code(factor, mine[factor.name]))
            else:
                columns += [(mine[factor.name] == w).astype(float) for w in factor.levels[1:]]
        rows = np.column_stack([np.asarray(c, dtype=float) for c in columns])
        # The surplus presses of a fabric start at the block after those of the previous fabric.
        found = (balanced_blocks(rows, len(labels), rng) + turn) % len(labels)
        turn += len(mine) % len(labels)
        out.loc[mine.index, "block"] = [labels[k] for k in found]
    return out
