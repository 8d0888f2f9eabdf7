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
from scipy.special import ndtri

from dtfexp.describe.fabric import Fabric
from dtfexp.describe.session import Session
from dtfexp.dialin import grid as grids
from dtfexp.dialin.candidates import Pool, candidate_pool
from dtfexp.dialin.coding import Coding
from dtfexp.dialin.first_look import first_look
from dtfexp.dialin.fit import Fit, fit
from dtfexp.dialin.layout import lay_out
from dtfexp.dialin.numbering import first_numbers
from dtfexp.dialin.plan import Plan, chosen_fabrics, whole_presses, whole_seed
from dtfexp.maths.box import largest_box
from dtfexp.maths.field import Points
from dtfexp.maths.lookahead import Outlook
from dtfexp.maths.posterior import at_central_scales

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

PASS_RATE = 0.90
CONFIDENCE = 0.90
CELL_BUDGET = 3000
CHUNK = 4
GROUPS_TRIED = 12
ENOUGH = 0.01
THRESHOLDS = (0.2, 0.4, 0.6, 0.8)


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
    names = chosen_fabrics(session, fabrics)
    fitted = fit(session, results)
    first = first_numbers(fitted.results)
    rng = np.random.default_rng(seed)
    if not len(fitted.results):
        wanted = first_look(session, names, count)
        reason = "Nothing is recorded yet: a compact first look round the usual settings."
    else:
        chosen = choose(fitted, names, count, seed)
        if chosen is None:
            return Plan(session, _no_rows(session), "next", seed, _enough_reason(fitted, names))
        wanted = chosen
        reason = _next_reason(fitted, names)
    runs = lay_out(session, wanted, rng, *first)
    return Plan(session, runs, "next", seed, reason)


@dataclass(frozen=True)
class Cells:
    """Set-points of all fabrics with their weight, stacked."""

    points: Points
    weight: Array
    margin: tuple[Array, Array]


def choose(fitted: Fit, names: list[str], count: int, seed: int) -> pd.DataFrame | None:
    """Wanted presses (fabric and factor columns), or None when they would hardly teach."""
    post = at_central_scales(fitted.posterior)
    # Several fabrics share the work: fewer cells for each.
    budget = int(CELL_BUDGET / np.sqrt(len(names)))
    mapped = {name: _chances(fitted, name, budget) for name in names}
    cells = _stack(fitted.coding, names, mapped)
    pool = candidate_pool(fitted, names, {n: m.region() for n, m in mapped.items()}, seed)
    # While no cell is close to proven, ask for less than the full confidence: the question is then
    # where a good place is, and a demand that no press could meet would leave all presses equal.
    top = max(float(m.chance.max()) for m in mapped.values())
    asked = float(np.clip(top + 0.25, 0.5, CONFIDENCE))
    outlook = Outlook(post, cells.points, pool.candidates, cells.weight, asked, cells.margin)
    for candidate, outcomes in pool.pending:
        outlook.add(candidate, outcomes)
    now = np.concatenate([mapped[name].chance for name in names])
    before = float(cells.weight @ (now >= CONFIDENCE))
    picked: list[int] = []
    used = set(pool.used_temperatures)
    # A fabric without a window would starve beside one whose edges are cheap to map: fabrics still
    # in need take turns, the least certain first; with none in need the best press wins.
    needy = sorted((float(m.chance.max()), name) for name, m in mapped.items() if not m.has_window)
    turns: list[str | None] = [name for _, name in needy] or [None]
    for start in range(0, count, CHUNK):
        size = min(CHUNK, count - start)
        only = turns[(start // CHUNK) % len(turns)]
        chunk = _best_chunk(outlook, pool, size, used, only)
        picked += chunk
        used |= {pool.temperatures(i) for i in chunk}
    settled = all(m.has_window for m in mapped.values())
    if settled and outlook.value - before < ENOUGH:
        return None
    chosen: pd.DataFrame = pool.frame.iloc[picked].reset_index(drop=True)
    return chosen


def _best_chunk(
    outlook: Outlook,
    pool: Pool,
    size: int,
    used: set[tuple[float, ...]],
    only: str | None,
) -> list[int]:
    """Greedy presses at ONE oven and ONE platen temperature, added to the outlook.

    The pair that teaches most is taken; one that needs a temperature not set before in this
    session must earn its change-over.
    """
    best: tuple[float, list[int]] = (-np.inf, [])
    start = outlook.value
    groups = pool.groups(only)
    single = outlook.scores(np.arange(pool.n))
    promising = sorted(groups, key=lambda g: -float(single[groups[g]].max()))[:GROUPS_TRIED]
    for key in promising:
        members = groups[key]
        branch = outlook.branch(members)
        picked: list[int] = []
        for _ in range(size):
            choice = int(np.argmax(branch.scores(np.arange(len(members)))))
            branch.add(choice)
            picked.append(int(members[choice]))
        gain = (branch.value - start) * pool.price(key, used)
        if gain > best[0] + 1e-12:
            best = (gain, picked)
    for choice in best[1]:
        outlook.add(choice)
    return best[1]


@dataclass(frozen=True)
class Mapped:
    """One fabric's cells: settings, today's chance to meet the rate, and the weight of each."""

    frame: pd.DataFrame
    chance: Array
    weight: Array
    margin: Array
    stays: Array
    has_window: bool

    def region(self) -> pd.DataFrame:
        """The cells that may belong to the window: where candidates are drawn."""
        likely: pd.DataFrame = self.frame[self.weight >= 0.2 * self.weight.max()]
        return likely


def _chances(fitted: Fit, fabric: str, budget: int) -> Mapped:
    parts, chances, weights, margins, stays = [], [], [], [], []
    choices = grids.word_choices(fitted.session)
    found = False
    for words in choices:
        grid = grids.grid(fitted.session, fabric, words, max(budget // len(choices), 300))
        frame = grid.frame()
        passing = fitted.pass_posterior(frame, fabric)
        chance = fitted.session.permits(frame, fabric) * passing.chance_at_least(PASS_RATE)
        middle, between = passing.middle()
        margins.append(middle - ndtri(PASS_RATE))
        stays.append(between)
        parts.append(frame)
        chances.append(chance)
        weights.append(_window_weight(grid, chance.reshape(grid.shape)).ravel())
        found |= bool((chance >= CONFIDENCE).any())
    return Mapped(
        pd.concat(parts, ignore_index=True),
        np.concatenate(chances),
        np.concatenate(weights),
        np.concatenate(margins),
        np.concatenate(stays),
        found,
    )


def _window_weight(grid: grids.Grid, chance: Array) -> Array:
    """How likely each cell is part of the window: boxes of ever stricter chance, laid together."""
    weight = 0.1 * chance / max(float(chance.sum()), 1e-12)
    if not grid.axes:
        return weight + 1.0
    top = float(chance.max())
    units = [grids.unit_of(f) for f in grid.factors]
    for threshold in THRESHOLDS:
        box = largest_box(chance >= threshold * min(top, CONFIDENCE), list(grid.axes), units)
        if box is not None:
            inside = tuple(slice(lo, hi + 1) for lo, hi in zip(box.lo, box.hi, strict=True))
            # Between "each box counts the same" and "each cell counts the same".
            weight[inside] += 1.0 / np.sqrt(weight[inside].size)
    return np.asarray(weight)


def _stack(coding: Coding, names: list[str], mapped: dict[str, Mapped]) -> Cells:
    frames, weights, index = [], [], []
    for name in names:
        part = mapped[name]
        frames.append(part.frame)
        weights.append(part.weight / part.weight.sum())
        index.append(np.full(len(part.frame), coding.fabric_index(name)))
    points = coding.points(pd.concat(frames, ignore_index=True), np.concatenate(index))
    margin = np.concatenate([mapped[n].margin for n in names])
    stays = np.concatenate([mapped[n].stays for n in names])
    return Cells(points, np.concatenate(weights) / len(names), (margin, stays))


def _no_rows(session: Session) -> pd.DataFrame:
    whole = {c: pd.Series(dtype=int) for c in ("press", "oven_load", "press_round")}
    columns = {"press": whole["press"], "fabric": pd.Series(dtype=object)}
    columns |= {"oven_load": whole["oven_load"], "press_round": whole["press_round"]}
    for factor in session.factors:
        columns[factor.name] = pd.Series(dtype=float if factor.is_numeric else object)
    return pd.DataFrame(columns)


def _enough_reason(fitted: Fit, names: list[str]) -> str:
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
