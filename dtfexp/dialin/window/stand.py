"""The target inside a window: far from where the pass rate falls, as today if as good."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window.best_known import best_set_point
from dtfexp.dialin.window.demand import AS_GOOD, Demand
from dtfexp.dialin.window.lines import Line, line_of, lines_through
from dtfexp.dialin.window.located import Place
from dtfexp.dialin.window.window_box import MappedBox

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

# A setting stays as it is today when the pass rate is as good and it lies in this middle share of
# the part that keeps what is asked.
_MIDDLE_SHARE = 0.5
# No nearer to an edge than a spread and than this share of the window, where the dial allows it.
_FROM_EDGE = 0.25
_STEPS, _POINTS = 8, 25


def target_at(fit: FittedModel, fabric: str, place: Place, demand: Demand) -> dict[str, Any]:
    """Return the set-point to stand at: inside the box, or the best known without one."""
    if place.box is None:
        return best_set_point(fit, fabric, place.best)
    return standing_place(fit, fabric, place.box, demand)


def standing_place(
    fit: FittedModel, fabric: str, found: MappedBox, demand: Demand
) -> dict[str, Any]:
    """Return the target of a window. METHODS.md, equation (26).

    Along every setting it is the centre of mass of the excess over the requirement, the others at
    the target; on an edge only where the range or a limit ends there.
    """
    at = _centre_of_mass(fit, fabric, found)
    bounds = {
        f.name: (float(a), float(b))
        for f, a, b in zip(found.mapped.grid.factors, found.low, found.high, strict=True)
    }
    # Move every setting half the way at a time; two that trade off would otherwise oscillate.
    for _ in range(_STEPS):
        places = [grids.as_axis(f, at[f.name]) for f in found.region.grid.factors]
        for k, factor in enumerate(found.region.grid.factors):
            if factor.is_numeric:
                line = line_of(
                    factor, found.region.grid.axes[k], found.region.line(places, k), places[k]
                )
                a, b = _kept_range(factor, *bounds[factor.name], fit, fabric)
                at[factor.name] = 0.5 * (places[k] + float(np.clip(line.middle(), a, b)))
    for factor in fit.session.factors:
        if factor.is_numeric:
            steps = _standing_steps(factor, *bounds[factor.name], fit, fabric)
            at[factor.name] = grids.nearest(steps, at[factor.name])
    return _with_usual_settings(fit, fabric, at, bounds, demand)


def _centre_of_mass(fit: FittedModel, fabric: str, found: MappedBox) -> dict[str, Any]:
    """Return the centre of mass of the excess inside the box.

    Of ordered words the best on average, the usual one if as good.
    """
    grid, weight = found.mapped.grid, found.weight()
    axes = [axis[part] for axis, part in zip(grid.axes, found.part, strict=True)]
    at: dict[str, Any] = dict(grid.words)
    for k, (factor, axis) in enumerate(zip(grid.factors, axes, strict=True)):
        mass = weight.sum(axis=tuple(a for a in range(weight.ndim) if a != k))
        if factor.is_numeric:
            total = float(mass.sum())
            at[factor.name] = float(mass @ axis) / total if total > 0.0 else float(axis.mean())
            continue
        usual = grids.as_axis(factor, fit.session.usual(factor, fabric))
        good = mass >= (1.0 - 0.2) * mass.max()
        same = np.flatnonzero(good & (axis == usual))
        best = int(same[0]) if len(same) else int(np.argmax(mass))
        at[factor.name] = grids.as_setting(factor, axis[best])
    return {f.name: at[f.name] for f in fit.session.factors}


def _kept_range(
    factor: Factor, low: float, high: float, fit: FittedModel, fabric: str, spreads: float = 1.0
) -> tuple[float, float]:
    """Return the part of the window's range away from edges; ends of a range or limit are none."""
    axis = grids.full_axis(fit.session, factor, fabric)
    width = high - low
    keep = max(_FROM_EDGE * width, min(spreads * factor.spread, 0.5 * width))
    return (
        low if low <= axis[0] + 1e-9 else low + keep,
        high if high >= axis[-1] - 1e-9 else high - keep,
    )


def _standing_steps(
    factor: Factor, low: float, high: float, fit: FittedModel, fabric: str
) -> Array:
    """Return the dial steps allowed for a target."""
    axis = grids.full_axis(fit.session, factor, fabric)
    inside = axis[(axis >= low - 1e-9) & (axis <= high + 1e-9)]
    for spreads in (1.0, 0.0):
        a, b = _kept_range(factor, low, high, fit, fabric, spreads)
        kept = inside[(inside >= a - 1e-9) & (inside <= b + 1e-9)]
        if len(kept):
            return kept
    kept = inside[
        ((inside > low + 1e-9) | (inside <= axis[0] + 1e-9))
        & ((inside < high - 1e-9) | (inside >= axis[-1] - 1e-9))
    ]
    return kept if len(kept) else inside


def _with_usual_settings(
    fit: FittedModel,
    fabric: str,
    at: dict[str, Any],
    bounds: dict[str, tuple[float, float]],
    demand: Demand,
) -> dict[str, Any]:
    """Return the target with today's value of every setting where that is as good, jointly."""
    lines = lines_through(fit, fabric, at, demand, _POINTS)
    usual = grids.usual_set_point(fit.session, fabric)
    keep = []
    for name, line in lines.items():
        steps = _standing_steps(line.factor, *bounds[name], fit, fabric)
        stands = usual[name] != at[name] and bool(np.isclose(steps, usual[name]).any())
        if stands and _in_the_middle(line, float(usual[name])):
            keep.append(name)
    order = [f.name for f in fit.session.factors]
    while keep:
        # As it is; each setting alone; all together.
        rows = [at, *(at | {n: usual[n]} for n in keep), at | {n: usual[n] for n in keep}]
        rate = fit.pass_posterior(pd.DataFrame(rows)[order], fabric).expected()
        if rate[-1] >= rate[0] - AS_GOOD:
            return rows[-1]
        keep.pop(int(np.argmin(rate[1:-1])))
    return at


def _in_the_middle(line: Line, place: float) -> bool:
    unit = grids.width_unit(line.factor)
    low = line.low if line.falls_low else line.low - unit
    high = line.high if line.falls_high else line.high + unit
    return abs(place - 0.5 * (low + high)) <= 0.5 * _MIDDLE_SHARE * (high - low)
