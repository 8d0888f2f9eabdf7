"""Why each of the next presses was chosen, in a sentence for the person at the bench."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import without_underscores
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.following.batch import PASS_RATE
from dtfexp.dialin.window.edges import failure_side_name

if TYPE_CHECKING:
    from dtfexp.dialin.following.likely_window import LikelyWindow
    from dtfexp.dialin.model.fitted import FittedModel

#: A press within this share of the likely range from its end tells of that edge.
AT_THE_EDGE = 0.25


def press_reasons(
    fit: FittedModel,
    likely: dict[str, LikelyWindow],
    runs: pd.DataFrame,
    targets: Mapping[str, Mapping[str, Any]],
) -> tuple[str, ...]:
    """One sentence for each row of ``runs``.

    likely: where each fabric's window may lie; targets: what is pressed as a target.  Says which
    edge of the likely window the press tests, and its expected pass rate today.
    """
    told: dict[int, str] = {}
    for fabric, rows in runs.groupby("fabric", sort=False):
        here = likely[str(fabric)]
        ranges = _likely_ranges(fit, here, str(fabric))
        passing = fit.pass_rate(rows, str(fabric))["pass_rate"].to_numpy()
        seen, target = here.has_good_place(PASS_RATE), targets.get(str(fabric))
        for place, row, rate in zip(rows.index, rows.to_dict("records"), passing, strict=True):
            if target is not None and all(row[name] == value for name, value in target.items()):
                what = "Presses the target, which was not pressed yet"
            else:
                what = _what_it_tells(row, ranges, seen)
            told[place] = f"{what}; expected to pass {round(100 * rate)} % of the time."
    return tuple(told[place] for place in runs.index)


def _likely_ranges(
    fit: FittedModel, likely: LikelyWindow, fabric: str
) -> list[tuple[Factor, float, float]]:
    """Return each setting's range over cells in the window half as often as the most probable."""
    often = likely.frame[likely.weight >= 0.5 * likely.weight.max()]
    out = []
    for factor in grids.ranged_factors(fit.session):
        if len(grids.full_axis(fit.session, factor, fabric)) < 2:
            continue
        values = np.array([grids.as_axis(factor, value) for value in often[factor.name].unique()])
        out.append((factor, float(values.min()), float(values.max())))
    return out


def _what_it_tells(
    row: dict[Any, Any], ranges: list[tuple[Factor, float, float]], seen: bool
) -> str:
    """Which edge of the likely window a press tells of; ``seen``: a good place is known."""
    past, near = [], []
    for factor, low, high in ranges:
        value = grids.as_axis(factor, row[factor.name])
        edge = AT_THE_EDGE * max(high - low, grids.width_unit(factor))
        name = without_underscores(factor.name)
        setting = factor.format(grids.as_setting(factor, value))
        for side, beyond in (("low", low - value), ("high", value - high)):
            word = f"{name} {setting} ({side} side: {failure_side_name(factor, side)}?)"
            if beyond > 1e-9:
                past.append(word)
            elif beyond > -edge and high > low:
                near.append(word)
    if past:
        what = "looks past the likely window at " + " and ".join(past)
    elif near:
        what = "looks at the edge of the likely window at " + " and ".join(near)
    else:
        what = "makes sure of the middle of the likely window"
    where = what if seen else f"no good place is sure yet; {what}"
    return f"{where[0].upper()}{where[1:]}"
