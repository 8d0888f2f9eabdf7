"""The next batch: the presses that teach most about where the window ends.

First question: is there any good place; then: where are its edges.  Both are one criterion, the
expected share of cells confirmed good, weighed by how likely each cell belongs to the window.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin.design.first_look import first_look
from dtfexp.dialin.design.plan import Plan, pressable, whole_presses, whole_seed
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.next_numbers import next_numbers
from dtfexp.dialin.fit import Fit, fit
from dtfexp.dialin.following.candidates import CandidatePool, candidate_pool
from dtfexp.dialin.following.likely_window import LikelyWindow, likely_window
from dtfexp.dialin.following.press_reasons import press_reasons
from dtfexp.dialin.schedule.layout import lay_out
from dtfexp.maths.acquisition.batch_acquisition import BatchAcquisition
from dtfexp.maths.field.points import Points
from dtfexp.maths.inference.posterior import at_central_hyperparameters

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

PASS_RATE = 0.90
CONFIDENCE = 0.90
CELL_BUDGET = 1500
GROUP_SIZE = 4
GROUPS_TRIED = 12
# A batch that would prove less than this share more of the likely window is not worth its garments,
# once the share below is proven.
STOP_GAIN = 0.015
STOP_SHARE = 0.75


def next_presses(
    session: Session,
    results: pd.DataFrame,
    presses: int,
    *,
    fabrics: Iterable[str | Fabric] | None = None,
    seed: int = 0,
) -> Plan:
    """At most ``presses`` test presses that teach most, numbered on from ``results``.

    Grades still pending are allowed for: a press on its way is not planned twice.  Returns a plan
    of no rows, with its ``reason``, when another batch would hardly change the windows.  The same
    arguments give the same plan.  Raises ``PlanError`` or ``ResultsError`` in one line.
    """
    count = whole_presses(presses)
    seed = whole_seed(seed)
    names, left_out = pressable(session, fabrics)
    fitted = fit(session, results)
    first = next_numbers(fitted.results)
    rng = np.random.default_rng(seed)
    chosen = None
    if not len(fitted.results):
        wanted = first_look(session, names, count)
        reason = "Nothing is recorded yet: a compact first look round the usual settings."
    else:
        chosen = choose_batch(fitted, names, count, seed)
        if chosen is None:
            enough = f"{_stop_reason(fitted, names)}{left_out}"
            return Plan(session, empty_runs(session), "next", seed, enough)
        wanted = chosen.presses
        reason = _next_reason(fitted, names)
    runs = lay_out(session, wanted, rng, *first)
    why = () if chosen is None else press_reasons(fitted, chosen.likely, runs)
    return Plan(session, runs, "next", seed, f"{reason}{left_out}", why=why)


@dataclass(frozen=True)
class WeightedCells:
    """Set-points of all fabrics with their weight, stacked."""

    points: Points
    weight: Array
    margin: tuple[Array, Array]


@dataclass(frozen=True)
class ChosenBatch:
    """Wanted presses (fabric and factor columns), and where each fabric's window may lie."""

    presses: pd.DataFrame
    likely: dict[str, LikelyWindow]


def choose_batch(fitted: Fit, names: list[str], count: int, seed: int) -> ChosenBatch | None:
    """The presses that teach most, or None when they would hardly teach."""
    post = at_central_hyperparameters(fitted.posterior)
    # Several fabrics share the work: fewer cells for each.
    budget = int(CELL_BUDGET / np.sqrt(len(names)))
    mapped = {name: likely_window(fitted, post, name, PASS_RATE, budget) for name in names}
    cells = _stacked_cells(fitted.coding, names, mapped)
    pool = candidate_pool(fitted, names, {n: m.candidate_region() for n, m in mapped.items()}, seed)
    # While no cell is close to proven, ask for less than the full confidence: the question is then
    # where a good place is, and a demand that no press could meet would leave all presses equal.
    tops = {name: float(m.chance.max()) for name, m in mapped.items()}
    asked = float(np.clip(max(tops.values()) + 0.25, 0.5, CONFIDENCE))
    outlook = BatchAcquisition(
        post, cells.points, pool.candidates, cells.weight, asked, cells.margin
    )
    for candidate, outcomes in pool.pending:
        outlook.add_press(candidate, outcomes)
    now = np.concatenate([mapped[name].chance for name in names])
    known = float(cells.weight @ (now >= CONFIDENCE))
    before = outlook.value
    picked: list[int] = []
    used = set(pool.used_temperatures)
    # A fabric without a window would starve beside one whose edges are cheap to map: fabrics still
    # in need take turns, the least certain first; with none in need the best press wins.
    needy = sorted((top, name) for name, top in tops.items() if top < CONFIDENCE)
    turns: list[str | None] = [name for _, name in needy] or [None]
    chunks = 0
    while len(picked) < count:
        size = min(GROUP_SIZE, count - len(picked))
        chunk = _best_group(outlook, pool, size, used, turns[chunks % len(turns)], picked)
        chunks += 1
        picked += chunk
        used |= {pool.temperatures(i) for i in chunk}
    if not needy and known >= STOP_SHARE and outlook.value - before < STOP_GAIN:
        return None
    return ChosenBatch(pool.frame.iloc[picked].reset_index(drop=True), mapped)


def _best_group(
    outlook: BatchAcquisition,
    pool: CandidatePool,
    size: int,
    used: set[tuple[float, ...]],
    only: str | None,
    before: list[int],
) -> list[int]:
    """Greedy presses at ONE oven and ONE platen temperature, added to the outlook.

    The pair that teaches most is taken; one that needs a temperature not set before in this
    session must earn its change-over.  No press of a batch is made twice (``before``: those chosen
    already), as long as there are others: twins share their luck and say little of the edges.  A
    pair with fewer presses to offer gives fewer.
    """
    best: tuple[float, list[int]] = (-np.inf, [])
    start = outlook.value
    groups = pool.by_slow_settings(only)
    made = pool.duplicate_code[before]
    fresh = {key: rows[~np.isin(pool.duplicate_code[rows], made)] for key, rows in groups.items()}
    fresh = {key: rows for key, rows in fresh.items() if len(rows)}
    twice = not fresh
    offered = groups if twice else fresh
    single = outlook.scores(np.arange(pool.n))
    promising = sorted(offered, key=lambda key: -float(single[offered[key]].max()))[:GROUPS_TRIED]
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
        gain, price = branch.value - start, pool.changeover_factor(key, used)
        # A price makes every gain smaller, a loss (cells proven already) larger.
        gain *= price if gain > 0 else 1 / price
        if gain > best[0] + 1e-12:
            best = (gain, picked)
    for choice in best[1]:
        outlook.add_press(choice)
    return best[1]


def _stacked_cells(
    coding: Coding, names: list[str], mapped: dict[str, LikelyWindow]
) -> WeightedCells:
    frames, weights, index = [], [], []
    for name in names:
        part = mapped[name]
        frames.append(part.frame)
        weights.append(part.weight / part.weight.sum())
        index.append(np.full(len(part.frame), coding.fabric_index(name)))
    points = coding.points(pd.concat(frames, ignore_index=True), np.concatenate(index))
    margin = np.concatenate([mapped[n].margin for n in names])
    stays = np.concatenate([mapped[n].between_variance for n in names])
    return WeightedCells(points, np.concatenate(weights) / len(names), (margin, stays))


def empty_runs(session: Session) -> pd.DataFrame:
    """The runs of a plan without any."""
    whole = {c: pd.Series(dtype=int) for c in ("press", "oven_load", "press_round")}
    columns = {"press": whole["press"], "fabric": pd.Series(dtype=object)}
    columns |= {"oven_load": whole["oven_load"], "press_round": whole["press_round"]}
    for factor in session.factors:
        columns[factor.name] = pd.Series(dtype=float if factor.is_numeric else object)
    return pd.DataFrame(columns)


def _stop_reason(fitted: Fit, names: list[str]) -> str:
    return (
        f"Another batch would hardly change the windows of {', '.join(names)}: "
        f"{len(fitted.results)} presses say enough; confirm the target instead."
    )


def _next_reason(fitted: Fit, names: list[str]) -> str:
    known = [n for n in names if fitted.presses_used(n)]
    if not known:
        return "No grade is in yet: these presses add to the first look."
    return (
        "Chosen where they teach most about where the windows of "
        f"{', '.join(names)} end, with few changes of oven and platen temperature."
    )
