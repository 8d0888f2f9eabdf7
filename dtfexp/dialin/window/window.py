"""The window: the largest box of set-points that keep the required pass rate, and its target.

Every set-point of the box reaches the required pass rate with the required confidence (pointwise;
Peterson 2004, J. Quality Technology 36:139); the box is the largest in multiples of what the
machines wander, found exactly; the target lies deepest inside, between two failure modes (Joseph &
Wu 2002, J. Quality Technology 34:345; from memory, not verified).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.errors import SessionError
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.dialin.window.edges import box_edges, no_window_reason, window_reason
from dtfexp.dialin.window.pass_map import ProbabilityMap, probability_map
from dtfexp.maths.boxes.box import Box, deepest_point, largest_box

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]

FIRST_BUDGET = 12_000
SECOND_BUDGET = 16_000
THIRD_BUDGET = 24_000
# How often the edges may move on, by one spacing of the second grid each time.
MOST_REFINEMENTS = 3
FEWEST_PRESSES = 4


class Margin(float):
    """Distance from the target to the NEARER edge, in multiples of spread; ``low`` and ``high``
    are the distances to each edge, and unpacking gives the two."""

    low: float
    high: float

    def __new__(cls, low: float, high: float) -> Margin:
        self = super().__new__(cls, min(low, high))
        self.low, self.high = float(low), float(high)
        return self

    def __reduce__(self) -> tuple[type[Margin], tuple[float, float]]:
        return Margin, (self.low, self.high)

    def __iter__(self) -> Iterator[float]:
        return iter((self.low, self.high))


@dataclass(frozen=True, repr=False)
class Window:
    """A window of one fabric.

    found; fabric; target (factor -> value); low, high (factor -> value, None when not found);
    pass_rate expected at the target; confidence: posterior probability that the true pass rate at
    the target is at least ``required``; margin (factor -> :class:`Margin`, None for words); reason:
    one sentence.  ``required`` and ``required_confidence`` are what was asked; ``edges`` has one
    row per edge (factor, side, value, margin, stopped_by, looks, certainty, advice); ``presses`` is
    how many graded presses of this fabric stand behind it.
    """

    found: bool
    fabric: str
    target: dict[str, Any]
    low: dict[str, Any] | None
    high: dict[str, Any] | None
    pass_rate: float
    confidence: float
    margin: dict[str, Margin | None]
    reason: str
    required: float
    required_confidence: float
    edges: pd.DataFrame
    presses: int

    def __repr__(self) -> str:
        state = "found" if self.found else "not found"
        return f"Window({self.fabric!r}, {state}; {self.reason})"


def half_widths(session: Session, fabric: str, wanted: Mapping[str, float]) -> dict[str, float]:
    """Half-widths a window must have, by the session's factor names; ``SessionError`` if none can.

    Words have no width; a half-width over half the range that this fabric allows fits nowhere.
    """
    out = {}
    for given, value in wanted.items():
        factor = session.factor(given)
        axis = grids.full_axis(session, factor, fabric) if factor.is_numeric else np.zeros(1)
        most = 0.5 * float(axis[-1] - axis[0])
        number = not isinstance(value, bool) and isinstance(value, (int, float))
        if not number or not 0.0 < value <= most:
            accepted = (
                f"a half-width up to {most:g}" if most else "none: it has no range of numbers"
            )
            raise SessionError(f"at_least of {factor.name!r} is {value!r}; give {accepted}")
        out[factor.name] = float(value)
    return out


def window_of(
    fit: FittedModel,
    fabric: str,
    pass_rate: float = 0.90,
    confidence: float = 0.90,
    at_least: Mapping[str, float] | None = None,
) -> Window:
    """The window of one fabric, worked out once and kept with the fit.

    ``at_least`` as given to :meth:`dtfexp.dialin.fit.Fit.window`, which raises the same errors.
    """
    wanted = half_widths(fit.session, fabric, at_least or {})
    key = (fabric, pass_rate, confidence, tuple(sorted(wanted.items())))
    if key not in fit._windows:
        fit._windows[key] = find_window(fit, fabric, pass_rate, confidence, wanted)
    kept: Window = fit._windows[key]
    return kept


def find_window(
    fit: FittedModel,
    fabric: str,
    pass_rate: float,
    confidence: float,
    at_least: Mapping[str, float] | None = None,
) -> Window:
    """See :meth:`dtfexp.dialin.fit.Fit.window`. METHODS.md, equations (24) and (25)."""
    for name, value in (("pass_rate", pass_rate), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} is {value!r}; use a number between 0 and 1, such as 0.90")
    line = fit.session.nothing_left(fabric)
    if line:
        return _nothing_left(fit, fabric, line, pass_rate, confidence)
    choices = grids.word_choices(fit.session, fabric)
    budget = max(FIRST_BUDGET // len(choices), 1500)
    maps = [
        probability_map(
            fit, fabric, grids.grid(fit.session, fabric, words, budget), pass_rate, keep=True
        )
        for words in choices
    ]
    # Grades of so few presses would lean on the prior alone: no promise is made on them.
    proven = fit.presses_used(fabric) >= FEWEST_PRESSES
    wanted = at_least or {}
    boxes = [_best_box(m, confidence, wanted) if proven else None for m in maps]
    found = [(b.size, -k, b) for k, b in enumerate(boxes) if b is not None]
    if found:
        _, place, box = max(found, key=lambda entry: entry[:2])
        mapped = maps[-place]
    else:
        best = max(range(len(maps)), key=lambda k: (float(_ranking_map(maps[k]).max()), -k))
        mapped = maps[best] = _refined_around_best(fit, fabric, maps[best], pass_rate)
        closer = _best_box(mapped, confidence, wanted) if proven else None
        if closer is None:
            narrow = bool(wanted) and any((m.chance >= confidence).any() for m in maps)
            return _window_not_found(fit, fabric, mapped, pass_rate, confidence, proven and narrow)
        box = closer
    mapped, box = _refined_around_box(fit, fabric, mapped, box, pass_rate, confidence, wanted)
    return _window_found(fit, fabric, mapped, box, pass_rate, confidence)


def _ranking_map(mapped: ProbabilityMap) -> Array:
    """What to rank set-points by while none is proven: the expected pass rate.

    Where nothing is good yet, a far corner that nobody has pressed would win on ignorance alone, so
    the cautious rate ranks instead: it stays near what was pressed.
    """
    return mapped.expected if float(mapped.expected.max()) >= 0.5 else mapped.lower_sd


def _refined_around_best(
    fit: FittedModel, fabric: str, coarse: ProbabilityMap, pass_rate: float
) -> ProbabilityMap:
    """A finer grid round the best set-point known: a thinned one may step over a small window."""
    if not coarse.grid.axes:
        return coarse
    best, _, _ = _best_set_point(fit, fabric, coarse, pass_rate)
    within = {}
    for factor, axis in zip(coarse.grid.factors, coarse.grid.axes, strict=True):
        here, reach = grids.as_axis(factor, best[factor.name]), np.diff(axis).max(initial=0.0)
        within[factor.name] = (here - float(reach), here + float(reach))
    fine = grids.grid(fit.session, fabric, coarse.grid.words, SECOND_BUDGET, within)
    mapped = probability_map(fit, fabric, fine, pass_rate)
    return mapped if _ranking_map(mapped).max() >= _ranking_map(coarse).max() else coarse


def _best_set_point(
    fit: FittedModel, fabric: str, mapped: ProbabilityMap, pass_rate: float
) -> tuple[dict[str, Any], float, float]:
    """The best set-point known, the probability that it keeps the pass rate, and what it is
    expected to pass: the best of the grid, of what was pressed, or what the shop runs today (a
    thinned grid steps over these)."""
    at = np.unravel_index(int(np.argmax(_ranking_map(mapped))), mapped.grid.shape)
    order = [f.name for f in fit.session.factors]
    first = [
        mapped.grid.setting(tuple(int(i) for i in at)),
        grids.usual_set_point(fit.session, fabric),
    ]
    frame = pd.concat([pd.DataFrame(first)[order], _set_points_pressed(fit, fabric, mapped)[order]])
    frame = frame.reset_index(drop=True)
    passing = fit.pass_posterior(frame, fabric)
    sure = float(mapped.expected.max()) >= 0.5
    rank = passing.expected() if sure else passing.lower_sd()
    # Of equals the first: the grid's own.
    k = int(np.argmax(np.where(fit.session.permits(frame, fabric), rank, -np.inf)))
    chance = float(passing.chance_at_least(pass_rate)[k])
    best = {name: frame[name].iloc[k] for name in order}
    return best, chance, float(passing.expected()[k])


def _set_points_pressed(fit: FittedModel, fabric: str, mapped: ProbabilityMap) -> pd.DataFrame:
    """Set-points of this fabric's presses that the bench can be set to, with the map's words."""
    rows = fit.results[(fit.results["fabric"] == fabric) & ~excluded_rows(fit.results)]
    for name, word in mapped.grid.words.items():
        rows = rows[rows[name] == word]
    for factor in mapped.grid.factors:
        steps = grids.full_axis(fit.session, factor, fabric)
        here = np.array([grids.as_axis(factor, v) for v in rows[factor.name]], dtype=float)
        rows = rows[np.isclose(here[:, None], steps[None, :]).any(axis=1)]
    return rows


def _width_units(mapped: ProbabilityMap) -> list[float]:
    return [grids.width_unit(f) for f in mapped.grid.factors]


def _best_box(
    mapped: ProbabilityMap, confidence: float, at_least: Mapping[str, float]
) -> Box | None:
    """Largest box; each width at least twice the spread when possible, and as asked always."""
    good = mapped.chance >= confidence
    if not good.any():
        return None
    units = _width_units(mapped)
    axes = list(mapped.grid.axes)
    if not axes:
        return Box((), (), 1.0)
    wide = [
        2.0 * f.spread if f.is_numeric and len(a) > 1 else 0.0
        for f, a in zip(mapped.grid.factors, axes, strict=True)
    ]
    asked = [2.0 * at_least.get(f.name, 0.0) for f in mapped.grid.factors]
    both = np.maximum(wide, asked).tolist()
    box = largest_box(good, axes, units, min_width=both, prefer=mapped.chance)
    return box or largest_box(good, axes, units, min_width=asked, prefer=mapped.chance)


def _refined_around_box(
    fit: FittedModel,
    fabric: str,
    coarse: ProbabilityMap,
    box: Box,
    pass_rate: float,
    confidence: float,
    at_least: Mapping[str, float],
) -> tuple[ProbabilityMap, Box]:
    """Search again on a finer grid around the coarse box, then with every step of the bench close
    to its edges until they move no more; a larger box stands."""
    within = {}
    for factor, axis, lo, hi in zip(
        coarse.grid.factors, coarse.grid.axes, box.lo, box.hi, strict=True
    ):
        within[factor.name] = (
            float(axis[max(lo - 1, 0)]),
            float(axis[min(hi + 1, len(axis) - 1)]),
        )
    fine = grids.grid(fit.session, fabric, coarse.grid.words, SECOND_BUDGET, within)
    best = coarse, box
    if fine.shape != coarse.grid.shape:
        best = _larger_box(best, fit, fabric, fine, pass_rate, confidence, at_least)
    for _ in range(MOST_REFINEMENTS):
        mapped, box = best
        axes = mapped.grid.axes
        ends = [(float(a[k]), float(a[m])) for a, k, m in zip(axes, box.lo, box.hi, strict=True)]
        near = grids.refined_near_edges(fit.session, fabric, fine, ends, THIRD_BUDGET)
        if all(np.isin(a, had).all() for a, had in zip(near.axes, axes, strict=True)):
            break  # every step is looked at already
        best = _larger_box(best, fit, fabric, near, pass_rate, confidence, at_least)
        if best[1].size <= box.size:
            break
    return best


def _larger_box(
    best: tuple[ProbabilityMap, Box],
    fit: FittedModel,
    fabric: str,
    grid: grids.Grid,
    pass_rate: float,
    confidence: float,
    at_least: Mapping[str, float],
) -> tuple[ProbabilityMap, Box]:
    """The best box of another grid, or the one known so far where that is larger."""
    mapped = probability_map(fit, fabric, grid, pass_rate)
    box = _best_box(mapped, confidence, at_least)
    return best if box is None or box.size <= best[1].size else (mapped, box)


def _window_found(
    fit: FittedModel,
    fabric: str,
    mapped: ProbabilityMap,
    box: Box,
    pass_rate: float,
    confidence: float,
) -> Window:
    good = mapped.chance >= confidence
    axes = list(mapped.grid.axes)
    units = _width_units(mapped)
    at = deepest_point(good, axes, units, box, mapped.chance) if axes else ()
    target = mapped.grid.setting(at)
    low, high = mapped.grid.setting(box.lo), mapped.grid.setting(box.hi)
    margin: dict[str, Margin | None] = dict.fromkeys(mapped.grid.words, None)
    for k, factor in enumerate(mapped.grid.factors):
        here = axes[k][at[k]]
        margin[factor.name] = Margin(
            (here - axes[k][box.lo[k]]) / units[k], (axes[k][box.hi[k]] - here) / units[k]
        )
    order = [f.name for f in fit.session.factors]
    edges = box_edges(fit, fabric, target, low, high, margin, pass_rate)
    return Window(
        found=True,
        fabric=fabric,
        target={n: target[n] for n in order},
        low={n: low[n] for n in order},
        high={n: high[n] for n in order},
        pass_rate=float(mapped.expected[at]),
        confidence=float(mapped.chance[at]),
        margin={n: margin[n] for n in order},
        reason=window_reason(fit, fabric, low, high, pass_rate, confidence, edges),
        required=pass_rate,
        required_confidence=confidence,
        edges=edges,
        presses=fit.presses_used(fabric),
    )


def _window_not_found(
    fit: FittedModel,
    fabric: str,
    mapped: ProbabilityMap,
    pass_rate: float,
    confidence: float,
    too_narrow: bool = False,
) -> Window:
    target, chance, expected = _best_set_point(fit, fabric, mapped, pass_rate)
    order = [f.name for f in fit.session.factors]
    none: dict[str, Margin | None] = dict.fromkeys(order, None)
    return Window(
        found=False,
        fabric=fabric,
        target=target,
        low=None,
        high=None,
        pass_rate=expected,
        confidence=chance,
        margin=none,
        reason=(
            f"Set-points of {fabric} keep the pass rate, but no window is as wide as was asked; "
            "ask for less, or press more near the edges."
            if too_narrow
            else no_window_reason(fit, fabric, target, chance, expected, pass_rate, confidence)
        ),
        required=pass_rate,
        required_confidence=confidence,
        edges=box_edges(fit, fabric, target, None, None, none, pass_rate),
        presses=fit.presses_used(fabric),
    )


def _nothing_left(
    fit: FittedModel, fabric: str, line: str, pass_rate: float, confidence: float
) -> Window:
    """No window and no set-point: the fabric cannot be pressed."""
    return Window(
        found=False,
        fabric=fabric,
        target={},
        low=None,
        high=None,
        pass_rate=float("nan"),
        confidence=float("nan"),
        margin=dict.fromkeys((f.name for f in fit.session.factors), None),
        reason=f"{line}.",
        required=pass_rate,
        required_confidence=confidence,
        edges=box_edges(fit, fabric, {}, None, None, {}, pass_rate),
        presses=fit.presses_used(fabric),
    )
