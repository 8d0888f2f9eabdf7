"""Where the window of a fabric lies: its box, or the best map known without one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.describe.session import Session
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.window import window_box
from dtfexp.dialin.window.best_known import Mapped, best_map
from dtfexp.dialin.window.demand import Demand
from dtfexp.dialin.window.pass_map import pass_map
from dtfexp.dialin.window.window_box import (
    MappedBox,
    map_of_surroundings,
    refined_box,
    surroundings,
)

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

FEWEST_PRESSES = 4
# Choices of words are refined if their boxes reach this share of the largest on the first grid.
_WORTH_A_LOOK = 0.2
# The usual words are kept unless others are better by more than this factor.
_AS_GOOD_WORDS = 1.25


@dataclass(frozen=True)
class Place:
    """Where a window lies: its ``box``, or without one the ``best`` map.

    ``too_narrow``: set-points keep the pass rate, but no box is as wide as was asked.
    """

    box: MappedBox | None
    best: Mapped
    too_narrow: bool = False


def located(fit: FittedModel, fabric: str, demand: Demand, at_least: Mapping[str, float]) -> Place:
    """Return where the window lies, computed once and kept with the fit."""
    key = (fabric, demand, tuple(sorted(at_least.items())))
    if key not in fit._places:
        fit._places[key] = _look_for_it(fit, fabric, demand, at_least)
    kept: Place = fit._places[key]
    return kept


def _look_for_it(
    fit: FittedModel, fabric: str, demand: Demand, at_least: Mapping[str, float]
) -> Place:
    choices = grids.word_choices(fit.session, fabric)
    budget = max(window_box.FIRST_BUDGET // len(choices), 600)
    maps = [
        pass_map(fit, fabric, grids.grid(fit.session, fabric, words, budget), demand, keep=True)
        for words in choices
    ]
    # With so few presses the result would rest on the prior alone.
    if fit.presses_used(fabric) < FEWEST_PRESSES:
        return Place(None, best_map(maps))
    places = [surroundings(fit.session, fabric, mapped) for mapped, _ in maps]
    largest = max(one.size for one in places)
    # Without a box on the first grid, refine around the best set-point: the grid may miss a window.
    best = best_map(maps)
    closer = [
        map_of_surroundings(fit, fabric, one, demand)
        for one, mapped in zip(places, maps, strict=True)
        if (one.size >= _WORTH_A_LOOK * largest if largest else mapped is best)
    ]
    boxes = [refined_box(fit, fabric, mapped, demand, at_least) for mapped, _ in closer]
    found = [box for box in boxes if box is not None]
    best = best_map([*closer, *maps])
    if found:
        return Place(best_of_words(fit.session, fabric, found), best)
    return Place(None, best, bool(at_least) and any(mapped.good.any() for mapped, _ in closer))


def best_of_words(session: Session, fabric: str, found: list[MappedBox]) -> MappedBox:
    """Return the best box: its size times its mean excess over the requirement.

    Size alone would prefer a wide box that just meets it to one nearly as wide that passes nearly
    always. Today's words stay unless others are clearly better. METHODS.md, section 8.
    """
    usual = grids.usual_set_point(session, fabric)

    def offered(one: MappedBox) -> float:
        same = all(usual[name] == word for name, word in one.mapped.grid.words.items())
        return one.offers * (_AS_GOOD_WORDS if same else 1.0)

    return max(found, key=offered)
