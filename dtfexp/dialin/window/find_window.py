"""The search for the window of a fabric, and its facts and sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window import window_box
from dtfexp.dialin.window.edges import box_edges, no_edges
from dtfexp.dialin.window.evidence import graded_presses, presses_at, within
from dtfexp.dialin.window.lines import lines_through
from dtfexp.dialin.window.pass_map import Demand, PassMap, pass_map
from dtfexp.dialin.window.proven import chance_better, proven_core
from dtfexp.dialin.window.reasons import no_window_reason, window_reason
from dtfexp.dialin.window.stand import AS_GOOD, standing_place
from dtfexp.dialin.window.window import Margin, Window
from dtfexp.dialin.window.window_box import (
    MappedBox,
    map_of_surroundings,
    refined_box,
    surroundings,
)
from dtfexp.maths.prediction.pass_probability import PassPosterior

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Mapped = tuple[PassMap, PassPosterior]

FEWEST_PRESSES = 4
# Choices of words are refined if their boxes reach this share of the largest on the first grid.
_WORTH_A_LOOK = 0.2
# The usual words are kept unless others are better by more than this factor.
_AS_GOOD_WORDS = 1.25
_CURVE_POINTS = 61
# Steps of the dial from the best of a thinned map, and what one must add to the pass rate.
_MOST_STEPS = 40
_WORTH_A_STEP = 1e-3


def half_widths(session: Session, fabric: str, wanted: Mapping[str, float]) -> dict[str, float]:
    """Return required half-widths by the session's factor names.

    Raises ``SessionError`` for words, which have no width, and for more than half the fabric's
    range.
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
            raise fields.refusal(f"at_least of {factor.name!r}", value, accepted)
        out[factor.name] = float(value)
    return out


def window_of(
    fit: FittedModel,
    fabric: str,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    at_least: Mapping[str, float] | None = None,
) -> Window:
    """Return the window of one fabric, computed once and kept with the fit.

    ``at_least`` as given to :meth:`dtfexp.dialin.fit.Fit.window`, which raises the same errors.
    """
    wanted = half_widths(fit.session, fabric, at_least or {})
    key = (fabric, pass_rate, confidence, tuple(sorted(wanted.items())))
    if key not in fit._windows:
        fit._windows[key] = find_window(fit, fabric, Demand(pass_rate, confidence), wanted)
    kept: Window = fit._windows[key]
    return kept


def find_window(
    fit: FittedModel, fabric: str, demand: Demand, at_least: Mapping[str, float]
) -> Window:
    """See :meth:`dtfexp.dialin.fit.Fit.window`. METHODS.md, equations (24) and (25)."""
    for name, value in (("pass_rate", demand.pass_rate), ("confidence", demand.confidence)):
        if value is not None and not 0.0 < value < 1.0:
            raise ValueError(f"{name} is {value!r}; use a number between 0 and 1, such as 0.90")
    line = fit.session.nothing_left(fabric)
    if line:
        return _nothing_left(fit, fabric, line, demand)
    place = _located(fit, fabric, demand, at_least)
    if place.box is not None:
        return _window_found(fit, fabric, place.box, demand)
    return _window_not_found(fit, fabric, place, demand)


@dataclass(frozen=True)
class _Place:
    """Where a window lies: its ``box``, or without one the ``best`` map.

    ``too_narrow``: set-points keep the pass rate, but no box is as wide as was asked.
    """

    box: MappedBox | None
    best: Mapped
    too_narrow: bool = False

    def target(self, fit: FittedModel, fabric: str, demand: Demand) -> dict[str, Any]:
        """Return the set-point to stand at."""
        if self.box is None:
            return _best_set_point(fit, fabric, self.best)
        return standing_place(fit, fabric, self.box, demand)


def target_of(fit: FittedModel, fabric: str, pass_rate: float) -> dict[str, Any]:
    """Return the target of :func:`window_of` without the facts round it; empty: nothing is left."""
    if fit.session.nothing_left(fabric):
        return {}
    demand = Demand(pass_rate)
    return _located(fit, fabric, demand, {}).target(fit, fabric, demand)


def _located(
    fit: FittedModel, fabric: str, demand: Demand, at_least: Mapping[str, float]
) -> _Place:
    """Return where the window lies, computed once and kept with the fit."""
    key = (fabric, demand, tuple(sorted(at_least.items())))
    if key not in fit._places:
        fit._places[key] = _look_for_it(fit, fabric, demand, at_least)
    kept: _Place = fit._places[key]
    return kept


def _look_for_it(
    fit: FittedModel, fabric: str, demand: Demand, at_least: Mapping[str, float]
) -> _Place:
    choices = grids.word_choices(fit.session, fabric)
    budget = max(window_box.FIRST_BUDGET // len(choices), 600)
    maps = [
        pass_map(fit, fabric, grids.grid(fit.session, fabric, words, budget), demand, keep=True)
        for words in choices
    ]
    # With so few presses the result would rest on the prior alone.
    if fit.presses_used(fabric) < FEWEST_PRESSES:
        return _Place(None, _best_map(maps))
    places = [surroundings(fit.session, fabric, mapped) for mapped, _ in maps]
    largest = max(one.size for one in places)
    # Without a box on the first grid, refine around the best set-point: the grid may miss a window.
    best = _best_map(maps)
    closer = [
        map_of_surroundings(fit, fabric, one, demand)
        for one, mapped in zip(places, maps, strict=True)
        if (one.size >= _WORTH_A_LOOK * largest if largest else mapped is best)
    ]
    boxes = [refined_box(fit, fabric, mapped, demand, at_least) for mapped, _ in closer]
    found = [box for box in boxes if box is not None]
    best = _best_map([*closer, *maps])
    if found:
        return _Place(best_of_words(fit.session, fabric, found), best)
    return _Place(None, best, bool(at_least) and any(mapped.good.any() for mapped, _ in closer))


def best_of_words(session: Session, fabric: str, found: list[MappedBox]) -> MappedBox:
    """Return the best box: its size times its mean excess over the requirement.

    Size alone would prefer a wide box that just meets it to one nearly as wide that passes nearly
    always. Today's words stay unless others are clearly better.
    """
    usual = grids.usual_set_point(session, fabric)

    def offered(one: MappedBox) -> float:
        same = all(usual[name] == word for name, word in one.mapped.grid.words.items())
        return one.offers * (_AS_GOOD_WORDS if same else 1.0)

    return max(found, key=offered)


def _best_map(maps: list[Mapped]) -> Mapped:
    return max(maps, key=lambda one: float(_ranking(one).max()))


def _ranking(one: Mapped) -> Any:
    """Return the ranking of a map's set-points without a window: the expected pass rate.

    Where nothing is good yet, an untested corner would win by its uncertainty alone, so the
    cautious rate ranks instead, which stays near the presses made.
    """
    mapped, passing = one
    rate = passing.expected()
    rate = rate if float(rate.max()) >= 0.5 else passing.lower_sd()
    return mapped.allowed * rate.reshape(mapped.grid.shape)


def _best_set_point(fit: FittedModel, fabric: str, one: Mapped) -> dict[str, Any]:
    """Return the best set-point known: the best of the map, of those pressed, or the usual one.

    A thinned map steps over the latter two. The usual one is taken where it is as good.
    """
    mapped, order = one[0], [f.name for f in fit.session.factors]
    best = np.unravel_index(int(np.argmax(_ranking(one))), mapped.grid.shape)
    at = mapped.grid.setting(tuple(int(i) for i in best))
    first = [
        grids.usual_set_point(fit.session, fabric),
        grids.moved_in(fit.session, fabric, at),
    ]
    frame = pd.concat([pd.DataFrame(first)[order], _set_points_pressed(fit, fabric, mapped)[order]])
    frame = frame.reset_index(drop=True)
    sure = float(one[1].expected().max()) >= 0.5
    rank = _ranks(fit, fabric, frame, sure)
    # In a tie the map's own come before those that were pressed.
    k = 0 if rank[0] >= rank.max() - AS_GOOD else 1 + int(np.argmax(rank[1:]))
    here = dict(frame.astype(object).iloc[k])
    return here if k == 0 else _climbed(fit, fabric, here, float(rank[k]), sure)


def _ranks(fit: FittedModel, fabric: str, frame: pd.DataFrame, sure: bool) -> Any:
    passing = fit.pass_posterior(frame, fabric)
    rank = passing.expected() if sure else passing.lower_sd()
    return np.where(fit.session.permits(frame, fabric), rank, -np.inf)


def _climbed(
    fit: FittedModel, fabric: str, here: dict[str, Any], rank: float, sure: bool
) -> dict[str, Any]:
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
        ranks = _ranks(fit, fabric, frame, sure)
        best = int(np.argmax(ranks))
        if not ranks[best] > rank + _WORTH_A_STEP:
            break
        here, rank = dict(frame.astype(object).iloc[best]), float(ranks[best])
    return here


def _set_points_pressed(fit: FittedModel, fabric: str, mapped: PassMap) -> pd.DataFrame:
    """Return the set-points of this fabric's presses that can be set, with the map's words."""
    rows = graded_presses(fit, fabric)
    for name, word in mapped.grid.words.items():
        rows = rows[rows[name] == word]
    for factor in mapped.grid.factors:
        steps = grids.full_axis(fit.session, factor, fabric)
        here = np.array([grids.as_axis(factor, v) for v in rows[factor.name]], dtype=float)
        rows = rows[np.isclose(here[:, None], steps[None, :]).any(axis=1)]
    return rows


def _window_found(fit: FittedModel, fabric: str, found: MappedBox, demand: Demand) -> Window:
    target = standing_place(fit, fabric, found, demand)
    low, high = found.ends(fit.session)
    margin: dict[str, Margin | None] = {f.name: None for f in fit.session.factors}
    for factor in found.mapped.grid.factors:
        here, unit = grids.as_axis(factor, target[factor.name]), grids.width_unit(factor)
        down, up = (grids.as_axis(factor, end[factor.name]) for end in (low, high))
        margin[factor.name] = Margin((here - down) / unit, (up - here) / unit)
    lines = lines_through(fit, fabric, target, Demand(demand.pass_rate), _CURVE_POINTS)
    edges = box_edges(fit, fabric, target, (low, high), margin, lines, demand.pass_rate)
    core = proven_core(fit, fabric, found, target, demand.pass_rate)
    core_low, core_high = (None, None) if core is None else core.ends(fit.session)
    return Window(
        found=True,
        low=low,
        high=high,
        margin=margin,
        reason=window_reason(fabric, (low, high), demand, core is not None, edges),
        edges=edges,
        core_low=core_low,
        core_high=core_high,
        alone={n: lines[n].told() if n in lines else None for n in margin},
        presses_inside=int(within(fit.session, graded_presses(fit, fabric), low, high).sum()),
        **_facts(fit, fabric, target, demand),
    )


def _window_not_found(fit: FittedModel, fabric: str, place: _Place, demand: Demand) -> Window:
    target = place.target(fit, fabric, demand)
    facts = _facts(fit, fabric, target, demand)
    none: dict[str, Any] = {f.name: None for f in fit.session.factors}
    return Window(
        found=False,
        low=None,
        high=None,
        margin=none,
        reason=(
            f"Set-points of {fabric} keep the pass rate, but no window is as wide as was asked; "
            "ask for less, or press more near the edges."
            if place.too_narrow
            else no_window_reason(fit, fabric, target, demand, facts["pass_rate"])
        ),
        edges=no_edges(),
        alone=dict(none),
        **facts,
    )


def _nothing_left(fit: FittedModel, fabric: str, line: str, demand: Demand) -> Window:
    """Return a window without set-point: the fabric cannot be pressed."""
    none: dict[str, Any] = {f.name: None for f in fit.session.factors}
    return Window(
        found=False,
        fabric=fabric,
        target={},
        low=None,
        high=None,
        pass_rate=float("nan"),
        confidence=float("nan"),
        margin=none,
        reason=f"{line}.",
        required=demand.pass_rate,
        required_confidence=demand.confidence,
        edges=no_edges(),
        presses=fit.presses_used(fabric),
        alone=dict(none),
    )


def _facts(fit: FittedModel, fabric: str, target: dict[str, Any], demand: Demand) -> dict[str, Any]:
    """Return the facts of a target and of today's settings, with or without a window."""
    usual = grids.usual_set_point(fit.session, fabric)
    passing = fit.pass_posterior(pd.DataFrame([target, usual])[list(target)], fabric)
    expected = passing.expected()
    stay = all(usual[name] == target[name] for name in target)
    return {
        "fabric": fabric,
        "target": target,
        "pass_rate": float(expected[0]),
        "pass_rate_low": min(float(passing.quantile(0.05)[0]), float(expected[0])),
        "confidence": float(passing.chance_at_least(demand.pass_rate)[0]),
        "required": demand.pass_rate,
        "required_confidence": demand.confidence,
        "presses": fit.presses_used(fabric),
        "presses_at_target": presses_at(fit, fabric, target),
        "usual_pass_rate": float(expected[1]),
        "gain_chance": 0.0 if stay else chance_better(fit, fabric, target, usual),
        "stay": stay,
    }
