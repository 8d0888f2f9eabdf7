"""The presses that could be made next, on few oven and platen temperatures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from dtfexp.describe.factor import Factor
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.coding import excluded_rows
from dtfexp.maths.acquisition.batch_acquisition import Candidates

if TYPE_CHECKING:
    from dtfexp.dialin.model.fitted import FittedModel

Array = NDArray[np.float64]
Ints = NDArray[np.int_]

# Candidates of one fabric, and how many choices of slow settings share them; of several fabrics
# fewer each, but never less than so many.
CANDIDATES = 480
SLOW_COMBINATIONS = 24
FEWEST_PER_GROUP = 8
SLOW_LEVELS = 5
# How far past the likely window candidates reach, as a share of its range, beside one spread.
MARGIN_SHARE = 0.15
CHANGEOVER_FACTOR = 0.92


@dataclass(frozen=True)
class CandidatePool:
    """Candidates: ``frame`` (fabric and settings), arrays for the look-ahead, and slow settings.

    ``duplicate_code`` (C,): equal codes are the same press; ``slow_settings`` (C, s): values of the
    settings that are slow to change (oven temperature; hard-to-change press settings), of which
    ``used_temperatures`` were set before; ``pending``: presses on their way, which stand at the END
    of the candidate arrays, as (index, outcomes still to come).
    """

    frame: pd.DataFrame
    candidates: Candidates
    duplicate_code: Ints
    slow_settings: Array
    pending: tuple[tuple[int, tuple[int, ...]], ...]
    used_temperatures: frozenset[tuple[float, ...]]

    @property
    def n(self) -> int:
        """How many candidates can be chosen."""
        return len(self.frame)

    def temperatures(self, index: int) -> tuple[float, ...]:
        return tuple(float(v) for v in self.slow_settings[index])

    def by_slow_settings(self, only: str | None = None) -> dict[tuple[float, ...], Ints]:
        """Candidates by their slow settings; ``only`` keeps to one fabric."""
        out: dict[tuple[float, ...], list[int]] = {}
        wanted = (
            np.ones(self.n, bool) if only is None else (self.frame["fabric"] == only).to_numpy()
        )
        for i in np.flatnonzero(wanted):
            out.setdefault(self.temperatures(int(i)), []).append(int(i))
        return {key: np.array(rows) for key, rows in sorted(out.items())}

    def changeover_factor(self, key: tuple[float, ...], used: set[tuple[float, ...]]) -> float:
        """Return what is left of a gain after the change-overs: less for each value not set before.

        METHODS.md, equation (29).
        """
        price = 1.0
        for column, value in enumerate(key):
            if all(abs(other[column] - value) > 1e-9 for other in used):
                price *= CHANGEOVER_FACTOR
        return price


def slow_factors(fit: FittedModel) -> list[Factor]:
    """Return the slow numbers: cure temperatures and hard-to-change press settings."""
    return [
        f
        for f in fit.session.factors
        if (f.stage == "cure" and (f.is_temperature or f.hard_to_change))
        or (f.stage != "cure" and f.hard_to_change)
    ]


def candidate_pool(
    fit: FittedModel,
    names: list[str],
    regions: dict[str, pd.DataFrame],
    seed: int,
    targets: Mapping[str, Mapping[str, Any]] = MappingProxyType({}),
) -> CandidatePool:
    """Draw candidates of all fabrics where the window may be, and a little beyond.

    The ``targets`` of fabrics come last.
    """
    slow = slow_factors(fit)
    used = _slow_settings_used(fit, slow)
    parts = [
        _draw_candidates(fit, name, regions[name], slow, used, seed, len(names)) for name in names
    ]
    parts += [pd.DataFrame([{"fabric": name, **at}]) for name, at in targets.items()]
    frame = pd.concat(parts, ignore_index=True)[parts[0].columns]
    waiting, outcomes = _pending_presses(fit)
    everything = pd.concat([frame, waiting[frame.columns]], ignore_index=True)
    index = everything["fabric"].map(fit.coding.fabric_index).to_numpy(dtype=int)
    at = fit.coding.points(everything, index, spread=False)
    load = _group(everything, [f for f in fit.session.factors if f.stage == "cure"])
    round_ = _group(
        everything, [f for f in fit.session.factors if f.stage != "cure" and f.hard_to_change]
    )
    # Presses on their way have loads and rounds of their own, not those of the new batch.
    tail = np.arange(len(frame), len(everything))
    load[tail] = 10_000 + pd.factorize(waiting["oven_load"])[0] if len(tail) else load[tail]
    round_[tail] = 10_000 + pd.factorize(waiting["press_round"])[0] if len(tail) else round_[tail]
    return CandidatePool(
        frame,
        Candidates(at, load, round_, fit.coding.points(everything, index).sd),
        np.asarray(frame.groupby(list(frame.columns), sort=True).ngroup(), dtype=int),
        _slow_values(frame, slow),
        tuple((len(frame) + i, o) for i, o in enumerate(outcomes)),
        frozenset(used),
    )


def _draw_candidates(
    fit: FittedModel,
    fabric: str,
    region: pd.DataFrame,
    slow: list[Factor],
    used: set[tuple[float, ...]],
    seed: int,
    parts: int,
) -> pd.DataFrame:
    """Sobol points over the region's box, a little widened, on the bench's steps.

    Every choice of slow settings meets the same choices of quick ones: a batch at one oven and one
    platen temperature then has enough to choose from.
    """
    factors = fit.session.factors
    pairs = max(int(SLOW_COMBINATIONS / np.sqrt(parts)), FEWEST_PER_GROUP) if slow else 1
    each = max(int(CANDIDATES / np.sqrt(parts)) // pairs, FEWEST_PER_GROUP)
    unit = qmc.Sobol(len(factors), scramble=True, rng=np.random.default_rng(seed)).random(
        2 ** int(np.ceil(np.log2(max(pairs, each))))
    )
    columns: dict[str, Any] = {"fabric": np.full(pairs * each, fabric, dtype=object)}
    for i, factor in enumerate(factors):
        at = unit[:pairs, i].repeat(each) if factor in slow else np.tile(unit[:each, i], pairs)
        if not factor.is_numeric and not factor.ordered:
            words = sorted(set(region[factor.name]), key=factor.levels.index)
            place = np.minimum((at * len(words)).astype(int), len(words) - 1)
            columns[factor.name] = np.array(words, dtype=object)[place]
            continue
        axis = grids.full_axis(fit.session, factor, fabric)
        values = np.array([grids.as_axis(factor, v) for v in region[factor.name].unique()])
        margin = MARGIN_SHARE * (values.max() - values.min()) + grids.width_unit(factor)
        low, high = values.min() - margin, values.max() + margin
        inside = axis[(axis >= low - 1e-9) & (axis <= high + 1e-9)]
        if factor in slow:
            # Values set before stay on offer beside a few new ones.
            fresh = inside[np.unique(np.linspace(0, len(inside) - 1, SLOW_LEVELS).astype(int))]
            before = np.array([u[slow.index(factor)] for u in sorted(used)])
            inside = np.unique(np.concatenate([fresh, before[np.isin(before, inside)]]))
        picked = inside[np.minimum((at * len(inside)).astype(int), len(inside) - 1)]
        columns[factor.name] = (
            picked
            if factor.is_numeric
            else np.array(factor.levels, dtype=object)[picked.astype(int)]
        )
    drawn = pd.DataFrame(columns)
    free = fit.session.permits(drawn, fabric)
    # With nothing permitted here the plan moves what is drawn to the nearest permitted settings.
    return drawn[free].reset_index(drop=True) if free.any() else drawn


def _slow_values(frame: pd.DataFrame, slow: list[Factor]) -> Array:
    if not slow:
        return np.zeros((len(frame), 0))
    return np.column_stack([[grids.as_axis(f, v) for v in frame[f.name]] for f in slow])


def _slow_settings_used(fit: FittedModel, slow: list[Factor]) -> set[tuple[float, ...]]:
    return {tuple(row) for row in _slow_values(fit.results, slow)} if len(fit.results) else set()


def _group(frame: pd.DataFrame, factors: list[Factor]) -> Ints:
    if not factors:
        return np.zeros(len(frame), dtype=int)
    # A copy: pandas' own array may not be written to.
    return np.array(frame.groupby([f.name for f in factors]).ngroup(), dtype=int)


def _pending_presses(fit: FittedModel) -> tuple[pd.DataFrame, list[tuple[int, ...]]]:
    """Presses not excluded with a grade still to come, and which outcomes each waits for."""
    results = fit.results[~excluded_rows(fit.results)]
    names = [o.name for o in fit.coding.outcomes]
    missing = results[names].isna()
    waiting = results[missing.any(axis=1)]
    outcomes = [
        tuple(int(k) for k in np.flatnonzero(row)) for row in missing.loc[waiting.index].to_numpy()
    ]
    return waiting, outcomes
