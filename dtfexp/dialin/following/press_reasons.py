"""Why each of the next presses was chosen, in a sentence for the person at the bench."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import and_list, without_underscores
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.following.batch import PASS_RATE

if TYPE_CHECKING:
    from dtfexp.dialin.following.likely_window import LikelyWindow
    from dtfexp.dialin.model.fitted import FittedModel

_TARGET = "Presses the target, not pressed yet"
_BEST_KNOWN = "The good place is not sure yet: presses the best one known"
#: A press that passes so often will probably pass.
LIKELY = 0.75
#: How many edges are named for one press.
MOST_TESTS = 2
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
    edge of the likely window the press tests, and whether it will pass.
    """
    told: dict[int, str] = {}
    for fabric, rows in runs.groupby("fabric", sort=False):
        here = likely[str(fabric)]
        ranges = _likely_ranges(fit, here, str(fabric))
        passing = fit.pass_rate(rows, str(fabric))["pass_rate"].to_numpy()
        seen, target = here.has_good_place(PASS_RATE), targets.get(str(fabric))
        for place, row, rate in zip(rows.index, rows.to_dict("records"), passing, strict=True):
            if target is not None and all(row[name] == value for name, value in target.items()):
                what, edge = (_TARGET if seen else _BEST_KNOWN), False
            else:
                what, edge = _what_it_tells(row, ranges, seen)
            told[place] = f"{what}; {_outlook(float(rate), edge)}."
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


def _outlook(rate: float, edge: bool) -> str:
    """Return what to expect of a press, without a number nobody can check on one coupon."""
    if rate >= LIKELY:
        return "will probably pass"
    if rate > 1.0 - LIKELY:
        return "may pass or fail"
    return "will probably fail" + ("; that marks the edge" if edge else "")


def _what_it_tells(
    row: dict[Any, Any], ranges: list[tuple[Factor, float, float]], seen: bool
) -> tuple[str, bool]:
    """Return what a press tests, and whether that is an edge of the likely window.

    ``seen``: a good place is known.
    """
    tests = []
    for factor, low, high in ranges:
        value = grids.as_axis(factor, row[factor.name])
        unit = grids.width_unit(factor)
        edge = AT_THE_EDGE * max(high - low, unit)
        for side, beyond in (("low", low - value), ("high", value - high)):
            if beyond > 1e-9 or (beyond > -edge and high > low):
                setting = factor.format(grids.as_setting(factor, value))
                tests.append((beyond / unit, f"{_how_far(factor, side)} ({setting})"))
    # The farthest out first; more than two would tell the reader nothing.
    tests = sorted(tests, key=lambda one: -one[0])[:MOST_TESTS]
    if tests:
        what = f"tests {and_list([words for _, words in tests])}"
    else:
        what = "makes sure of the middle"
    where = what if seen else f"the good place is not sure yet: {what}"
    return f"{where[0].upper()}{where[1:]}", bool(tests)


def _how_far(factor: Factor, side: str) -> str:
    """Return the question of one side of a setting: "how cool the press can be"."""
    name = without_underscores(factor.name)
    for word in (" temperature", " time"):
        if name.casefold().endswith(word):
            name = name[: -len(word)]
    if factor.is_temperature:
        how = ("cool", "hot")
    elif factor.unit in ("s", "min"):
        how = ("short", "long")
    elif not factor.is_numeric:
        return f"how far the {name} can go"
    else:
        how = ("low", "high")
    return f"how {how[side == 'high']} the {name} can be"
