"""The best set-point known of a fabric without a window."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.demand import AS_GOOD
from dtfexp.dialin.window.pass_map import PassMap
from dtfexp.maths.prediction.pass_probability import PassPosterior

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Mapped = tuple[PassMap, PassPosterior]

# Steps of the dial from the best of a thinned map, and what one must add to the pass rate.
_MOST_STEPS = 40
_WORTH_A_STEP = 1e-3


def best_map(maps: list[Mapped]) -> Mapped:
    """Return the map with the best set-point."""
    return max(maps, key=lambda one: float(_expected(one).max()))


def _expected(one: Mapped) -> Any:
    """Return the expected pass rate of a map's set-points, zero where one is forbidden.

    It ranks them where nothing passes yet, too: the lower end of what is believed would hold the
    target beside presses that failed (METHODS.md, section 18).
    """
    mapped, passing = one
    return mapped.allowed * passing.expected().reshape(mapped.grid.shape)


def best_set_point(fit: FittedModel, fabric: str, one: Mapped) -> dict[str, Any]:
    """Return the best set-point known: the best of the map, of those pressed, or the usual one.

    A thinned map steps over the latter two. The usual one is taken where it is as good.
    METHODS.md, section 8.
    """
    mapped, order = one[0], [f.name for f in fit.session.factors]
    best = np.unravel_index(int(np.argmax(_expected(one))), mapped.grid.shape)
    at = mapped.grid.setting(tuple(int(i) for i in best))
    first = [
        grids.usual_set_point(fit.session, fabric),
        grids.moved_in(fit.session, fabric, at),
    ]
    frame = pd.concat([pd.DataFrame(first)[order], _set_points_pressed(fit, fabric, mapped)[order]])
    frame = frame.reset_index(drop=True)
    rank = _ranks(fit, fabric, frame)
    # In a tie the map's own come before those that were pressed.
    k = 0 if rank[0] >= rank.max() - AS_GOOD else 1 + int(np.argmax(rank[1:]))
    here = dict(frame.astype(object).iloc[k])
    return here if k == 0 else _climbed(fit, fabric, here, float(rank[k]))


def _ranks(fit: FittedModel, fabric: str, frame: pd.DataFrame) -> Any:
    expected = fit.pass_posterior(frame, fabric).expected()
    return np.where(fit.session.permits(frame, fabric), expected, -np.inf)


def _climbed(fit: FittedModel, fabric: str, here: dict[str, Any], rank: float) -> dict[str, Any]:
    """Return where single steps of the dial lead uphill: a thinned map may stop beside the top."""
    axes = {
        f.name: list(grids.full_axis(fit.session, f, fabric))
        for f in fit.session.factors
        if f.is_numeric
    }
    for _ in range(_MOST_STEPS):
        beside = []
        for name, axis in axes.items():
            k = int(np.argmin(np.abs(np.asarray(axis) - here[name])))
            beside += [here | {name: float(axis[j])} for j in (k - 1, k + 1) if 0 <= j < len(axis)]
        if not beside:
            break
        frame = pd.DataFrame(beside)
        ranks = _ranks(fit, fabric, frame)
        best = int(np.argmax(ranks))
        if not ranks[best] > rank + _WORTH_A_STEP:
            break
        here, rank = dict(frame.astype(object).iloc[best]), float(ranks[best])
    return here


def _set_points_pressed(fit: FittedModel, fabric: str, mapped: PassMap) -> pd.DataFrame:
    """Return the set-points of this fabric's presses that can be set, with the map's words."""
    rows = fit.graded_presses(fabric)
    for name, word in mapped.grid.words.items():
        rows = rows[rows[name] == word]
    for factor in mapped.grid.factors:
        steps = grids.full_axis(fit.session, factor, fabric)
        here = np.array([grids.as_axis(factor, v) for v in rows[factor.name]], dtype=float)
        rows = rows[np.isclose(here[:, None], steps[None, :]).any(axis=1)]
    return rows
