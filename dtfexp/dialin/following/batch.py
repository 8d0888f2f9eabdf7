"""The presses of the next batch: the target itself, and the most informative ones.

First question: is there any good place; then: how far does it reach.  Each has its criterion, the
expected share of cells confirmed good, then of those that will stand in the window; both are
weighed by how likely each cell belongs to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import Coding, excluded_rows
from dtfexp.dialin.fit import Fit
from dtfexp.dialin.following.candidates import CandidatePool, candidate_pool
from dtfexp.dialin.following.likely_window import LikelyWindow, likely_window
from dtfexp.dialin.following.need import FEWEST_PRESSES, need, shared_by_need
from dtfexp.dialin.side_by_side import side_by_side
from dtfexp.dialin.window.find_window import target_of
from dtfexp.maths.acquisition.batch_acquisition import BatchAcquisition
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.infer import at_central_hyperparameters
from dtfexp.maths.inference.posterior import Posterior

Array = NDArray[np.float64]

PASS_RATE = 0.90
CONFIDENCE = 0.90
CELL_BUDGET = 1500
GROUP_SIZE = 4
GROUPS_TRIED = 12
# A fabric that gets fewer presses than this in a batch has none to spare for its target.
TARGET_FROM = 3
# Where no set-point is expected to pass so often, the best one known is always pressed first: what
# is believed far from presses that failed is too low, and no other press finds a good place sooner.
LOST = 0.5
# From a set-point on that is as likely as not to be good, presses show how far good ones reach.
REACH_FROM = 0.5
# A batch that would prove less than this share more of the likely window is not worth its garments,
# once the share below is proven.
STOP_GAIN = 0.015
STOP_SHARE = 0.75


@dataclass(frozen=True)
class WeightedCells:
    """Set-points of all fabrics with their weight, stacked; those without weight are left out.

    ``demanded`` (E,): the chance at which each counts as confirmed; ``predictive`` (E,): probit of
    the pass rate where a good place of the fabric is likely and its edges are sought, else NaN;
    ``chance`` (E,): that it meets the rate today.
    """

    points: Points
    weight: Array
    margin: tuple[Array, Array]
    demanded: Array
    predictive: Array
    chance: Array


@dataclass(frozen=True)
class ChosenBatch:
    """Wanted presses (fabric and factor columns), and where each fabric's window may lie.

    shares: how many presses each fabric gets, the neediest first; targets: fabric -> the target
    that is pressed among them.
    """

    presses: pd.DataFrame
    likely: dict[str, LikelyWindow]
    shares: dict[str, int]
    targets: dict[str, dict[str, Any]]


def choose_batch(fitted: Fit, names: list[str], count: int, seed: int) -> ChosenBatch | None:
    """Return the most informative presses, or None when they would add little.

    METHODS.md, equation (29).
    """
    fitted, post, mapped = _chosen_from(fitted, names)
    cells = _stacked_cells(fitted.coding, mapped)
    shares = shared_by_need(
        count, {n: need(m, fitted.presses_used(n), PASS_RATE) for n, m in mapped.items()}
    )
    targets = _targets_to_press(fitted, mapped, shares)
    regions = {n: m.candidate_region() for n, m in mapped.items()}
    pool = candidate_pool(fitted, names, regions, seed, targets)
    outlook = BatchAcquisition(
        post,
        cells.points,
        pool.candidates,
        cells.weight,
        cells.demanded,
        cells.margin,
        cells.predictive,
    )
    for candidate, outcomes in pool.pending:
        outlook.add_press(candidate, outcomes)
    before = outlook.confirmed
    picked = list(range(pool.n - len(targets), pool.n))
    for candidate in picked:
        outlook.add_press(candidate)
    used = set(pool.used_temperatures) | {pool.temperatures(i) for i in picked}
    for name, share in shares.items():
        left = share - (name in targets)
        while left:
            group = _best_group(outlook, pool, min(GROUP_SIZE, left), used, name, picked)
            picked += group
            used |= {pool.temperatures(i) for i in group}
            left -= len(group)
    known = float(cells.weight @ (cells.chance >= CONFIDENCE))
    everywhere = all(m.chance.max() >= CONFIDENCE for m in mapped.values())
    if everywhere and known >= STOP_SHARE and outlook.confirmed - before < STOP_GAIN:
        return None
    return ChosenBatch(pool.frame.iloc[picked].reset_index(drop=True), mapped, shares, targets)


def _chosen_from(fitted: Fit, names: list[str]) -> tuple[Fit, Posterior, dict[str, LikelyWindow]]:
    """Return the fit that presses are chosen from, its posterior and its likely windows.

    The presses that an experience of other benches expects to tell nothing are those that show
    where it is wrong: until this bench's own grades show a good place of every fabric, all is
    chosen without it.
    METHODS.md, section 9.
    """
    if fitted.session.experience is not None:
        alone = fitted.without_experience()
        post, mapped = _likely_windows(alone, names)
        if not all(m.has_good_place(PASS_RATE) for m in mapped.values()):
            return alone, post, mapped
    return fitted, *_likely_windows(fitted, names)


def _likely_windows(fitted: Fit, names: list[str]) -> tuple[Posterior, dict[str, LikelyWindow]]:
    """Return the posterior at central hyperparameters, and where each window may lie."""
    post = at_central_hyperparameters(fitted.posterior)
    # Several fabrics share the work: fewer cells for each.
    budget = int(CELL_BUDGET / np.sqrt(len(names)))
    likely = [partial(likely_window, fitted, post, n, PASS_RATE, budget) for n in names]
    return post, dict(zip(names, side_by_side(likely, start=False), strict=True))


def _targets_to_press(
    fitted: Fit, mapped: dict[str, LikelyWindow], shares: dict[str, int]
) -> dict[str, dict[str, Any]]:
    """Return the targets that a shop would press before relying on them.

    Expected to pass as often as asked, or the best known where none is expected to pass half;
    and never pressed within half a spread of every setting.
    METHODS.md, section 9.
    """
    lost = {name: not mapped[name].has_good_place(LOST) for name in shares}
    asked = [
        name
        for name, share in shares.items()
        if share
        and fitted.presses_used(name) >= FEWEST_PRESSES
        and (lost[name] or (share >= TARGET_FROM and mapped[name].has_good_place(PASS_RATE)))
    ]
    found = side_by_side([partial(target_of, fitted, n, PASS_RATE) for n in asked], start=False)
    out = {}
    for name, target in zip(asked, found, strict=True):
        if not target or _was_pressed(fitted, name, target):
            continue
        rate = fitted.pass_posterior(pd.DataFrame([target]), name).expected()[0]
        if lost[name] or rate >= PASS_RATE:
            out[name] = target
    return out


def _was_pressed(fitted: Fit, fabric: str, target: dict[str, Any]) -> bool:
    """Whether a press of the fabric stands at the target, its grades known or still to come."""
    rows = fitted.results[(fitted.results["fabric"] == fabric) & ~excluded_rows(fitted.results)]
    near = np.ones(len(rows), dtype=bool)
    for factor in fitted.session.factors:
        if factor.is_numeric:
            off = rows[factor.name].to_numpy(dtype=float) - float(target[factor.name])
            near &= np.abs(off) <= 0.5 * grids.width_unit(factor) + 1e-9
        else:
            near &= (rows[factor.name] == target[factor.name]).to_numpy()
    return bool(near.any())


def _best_group(
    outlook: BatchAcquisition,
    pool: CandidatePool,
    size: int,
    used: set[tuple[float, ...]],
    fabric: str,
    before: list[int],
) -> list[int]:
    """Greedy presses of a fabric at ONE oven and ONE platen temperature, added to the outlook.

    The most informative pair is taken; one that needs a temperature not set before in this
    session must earn its change-over.  No press of a batch is made twice (``before``: those chosen
    already), as long as there are others: twins share their luck and say little of the edges.  A
    pair with fewer presses to offer gives fewer.
    """
    best: tuple[float, list[int]] = (-np.inf, [])
    start = outlook.value
    groups = pool.by_slow_settings(fabric)
    made = pool.duplicate_code[before]
    fresh = {key: rows[~np.isin(pool.duplicate_code[rows], made)] for key, rows in groups.items()}
    fresh = {key: rows for key, rows in fresh.items() if len(rows)}
    twice = not fresh
    offered = groups if twice else fresh
    alone = {key: float(outlook.scores(rows).max()) for key, rows in offered.items()}
    promising = sorted(offered, key=lambda key: -alone[key])[:GROUPS_TRIED]
    for key in promising:
        members = offered[key]
        branch = outlook.restricted_copy(members)
        left = np.ones(len(members), dtype=bool)
        picked: list[int] = []
        while len(picked) < size and left.any():
            scores = branch.scores(np.arange(len(members)))
            choice = int(np.argmax(np.where(left, scores, -np.inf)))
            branch.add_press(choice)
            picked.append(int(members[choice]))
            left &= twice | (pool.duplicate_code[members] != pool.duplicate_code[members[choice]])
        gain = after_price(branch.value - start, pool.changeover_factor(key, used))
        if gain > best[0] + 1e-12:
            best = (gain, picked)
    for choice in best[1]:
        outlook.add_press(choice)
    return best[1]


def after_price(gain: float, price: float) -> float:
    """Return a gain made smaller by a price below 1; a loss (of cells counted before) larger.

    METHODS.md, equation (29).
    """
    return gain * price if gain > 0.0 else gain / price


def _stacked_cells(coding: Coding, mapped: dict[str, LikelyWindow]) -> WeightedCells:
    """Return the cells of all fabrics, each fabric with the same weight in all.

    While no cell of a fabric is close to proven, less than the full confidence is asked of it: the
    question is then where a good place is, and a demand that no press could meet would leave all
    presses equal.
    """
    parts = [m.that_count() for m in mapped.values()]
    frame = pd.concat([m.frame for m in parts], ignore_index=True)
    index = [
        np.full(len(m.frame), coding.fabric_index(name))
        for name, m in zip(mapped, parts, strict=True)
    ]
    best = [m.chance.max() for m in mapped.values()]
    demanded = [
        np.full(len(m.frame), np.clip(chance + 0.25, 0.5, CONFIDENCE))
        for m, chance in zip(parts, best, strict=True)
    ]
    rate = [
        np.full(len(m.frame), ndtri(PASS_RATE) if chance >= REACH_FROM else np.nan)
        for m, chance in zip(parts, best, strict=True)
    ]
    margin = np.concatenate([m.margin for m in parts])
    return WeightedCells(
        coding.points(frame, np.concatenate(index)),
        np.concatenate([m.weight / m.weight.sum() for m in parts]) / len(parts),
        (margin, np.concatenate([m.between_variance for m in parts])),
        np.concatenate(demanded),
        np.concatenate(rate),
        np.concatenate([m.chance for m in parts]),
    )
