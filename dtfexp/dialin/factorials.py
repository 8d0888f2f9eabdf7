"""Full factorial plans: every combination of the levels."""

from __future__ import annotations

import numpy as np

from dtfexp.describe.errors import PlanError
from dtfexp.dialin.family import Asked, Wanted, for_fabrics
from dtfexp.maths import designs

OPTIONS = ("levels", "reach")
_MOST_CENTRES = 4


def full_factorial(asked: Asked) -> Wanted:
    """Every combination of ``levels`` levels (words: all of them), with centre presses to spare."""
    session = asked.session
    levels = asked.options.get("levels", 2)
    if isinstance(levels, bool) or not isinstance(levels, int) or not 2 <= levels <= 9:
        raise PlanError(f"levels is {levels!r}; give a whole number from 2 to 9")
    counts = [levels if f.is_numeric else len(f.levels) for f in session.factors]
    total = int(np.prod(counts, dtype=float))
    asked.needs(total)
    table = np.asarray(designs.full_factorial(counts), dtype=float)
    coded = np.column_stack([2.0 * table[:, i] / (n - 1) - 1.0 for i, n in enumerate(counts)])
    wanted = for_fabrics(asked, coded, asked.reach(), _MOST_CENTRES)
    places = np.tile(table, (len(asked.fabrics), 1)).astype(int)
    for i, factor in enumerate(session.factors):
        if not factor.is_numeric:
            # Words take part as they are: every one of them, not only the usual and one other.
            word = [factor.levels[k] for k in places[:, i]]
            wanted.loc[wanted["_row"] >= 0, factor.name] = word
    extra = len(wanted) - total * len(asked.fabrics)
    return Wanted(
        wanted.drop(columns="_row"),
        f"Every combination of {' x '.join(map(str, counts))} levels"
        + (f", with {extra} centre presses" if extra else "")
        + ".",
        ("Every setting's own effect and every joint effect can be told apart.",),
    )
