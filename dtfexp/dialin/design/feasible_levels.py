"""The feasible levels of a plan: values of every setting per fabric, and how they are shared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import is_logarithmic
from dtfexp.dialin.encode.levels import centre_of
from dtfexp.dialin.encode.model_columns import FactorColumns, offset_columns
from dtfexp.dialin.schedule.crossing import Crossing
from dtfexp.maths.designs import coordinate_exchange
from dtfexp.maths.linear import efficiency
from dtfexp.maths.linear.model_terms import Terms, covariance, inverse

Array = NDArray[np.float64]

MOST_VALUES = 25
"""Most candidate values of one setting; more are thinned evenly."""
_MOST_COMBINATIONS = 200_000
"""Most candidate values when all combinations must be checked for forbidden ones."""


@dataclass(frozen=True)
class FeasibleLevels:
    """The feasible values: spans (several fabrics or blocks last) and values per fabric."""

    session: Session
    factors: tuple[FactorColumns, ...]
    values: dict[str, tuple[tuple[Any, ...], ...]]

    @classmethod
    def of(
        cls,
        session: Session,
        fabrics: list[str],
        reach: float,
        earlier: pd.DataFrame,
        blocks: tuple[str, ...] = (),
    ) -> FeasibleLevels:
        values = {
            fabric: tuple(
                _levels_within_reach(session, factor, fabric, reach) for factor in session.factors
            )
            for fabric in fabrics
        }
        most = MOST_VALUES
        if session.forbidden:
            each = _MOST_COMBINATIONS ** (1 / len(session.factors))
            most = int(np.clip(each, 3, MOST_VALUES))
        values = _thinned(values, most)
        spans = [
            FactorColumns.of(factor, [v for fabric in fabrics for v in values[fabric][i]])
            for i, factor in enumerate(session.factors)
        ]
        every = [*fabrics, *(f for f in dict.fromkeys(earlier["fabric"]) if f not in fabrics)]
        if len(every) > 1:
            spans.append(offset_columns("fabric", every))
        if blocks:
            spans.append(offset_columns("block", list(dict.fromkeys([*blocks, *earlier["block"]]))))
        return cls(session, tuple(spans), values)

    def classes(self, group: str) -> dict[str, int]:
        """Return a class number per fabric; fabrics of one class may share a load (or round).

        Within a class a shared setting has the same values.
        """
        shared = [i for i, f in enumerate(self.session.factors) if self.group_of(f) == group]
        keys = {fabric: tuple(v[i] for i in shared) for fabric, v in self.values.items()}
        order = list(dict.fromkeys(keys.values()))
        return {fabric: order.index(key) for fabric, key in keys.items()}

    def group_of(self, factor: Factor | None) -> str:
        """Return the unit that shares a setting: an oven "load", a press "round" or one "press"."""
        if factor is not None and factor.stage == "cure":
            return "load"
        hard = factor is not None and factor.stage == "press" and factor.hard_to_change
        return "round" if hard else "press"

    def terms_in_stratum(self, terms: Terms, group: str) -> int:
        """Return the model columns, mean included, that only loads (rounds) estimate."""
        shared = [self.group_of(span.factor) == group for span in self.factors]
        return sum(all(shared[i] for i in key) for key in terms.key)

    def base(self, frame: pd.DataFrame) -> Array:
        """Return the coded columns of presses."""
        return np.concatenate([s.code(frame[s.name].to_numpy()) for s in self.factors], axis=1)

    def information(
        self, terms: Terms, earlier: pd.DataFrame, ratios: tuple[float, float]
    ) -> Array:
        """Return the information matrix of earlier presses (terms.size, terms.size)."""
        if not len(earlier):
            return np.zeros((terms.size, terms.size))
        x = terms.expand(self.base(earlier))
        v = covariance(
            earlier["oven_load"].to_numpy(dtype=int),
            earlier["press_round"].to_numpy(dtype=int),
            ratios[0] ** 2,
            ratios[1] ** 2,
        )
        return efficiency.information(x, inverse(v))

    def task(
        self,
        terms: Terms,
        marks: pd.DataFrame,
        cross: Crossing,
        ratios: tuple[float, float],
        old: Array,
        mean_variance: bool,
    ) -> coordinate_exchange.Task:
        """Return the exchange task over all values of every setting, thinned if too many.

        ``marks``: columns fabric and block, a row per press.
        """
        n, fabrics = len(marks), marks["fabric"]
        groups, levels, allowed = [], [], []
        for place, span in enumerate(self.factors):
            levels.append(span.code(span.values))
            share = {"load": cross.load, "round": cross.round_}
            groups.append(share.get(self.group_of(span.factor), np.arange(n)))
            if span.factor is None:
                allowed.append(np.array([[v == m for v in span.values] for m in marks[span.name]]))
            else:
                own = {f: set(self.values[f][place]) for f in self.values}
                allowed.append(np.array([[v in own[f] for v in span.values] for f in fabrics]))
        v = covariance(cross.load, cross.round_, ratios[0] ** 2, ratios[1] ** 2)
        moments = efficiency.region_moments(terms) if mean_variance else None
        return coordinate_exchange.Task(
            terms,
            tuple(levels),
            np.column_stack(groups),
            tuple(allowed),
            inverse(v),
            old,
            moments,
            self._permitted(),
        )

    def _permitted(self) -> NDArray[np.bool_] | None:
        """Return an axis per span, False for forbidden combinations; or None."""
        if not self.session.forbidden:
            return None
        shape = [len(span.values) for span in self.factors]
        index = np.indices(shape).reshape(len(shape), -1)
        values = {
            span.name: np.array(span.values, dtype=None if span.kind.number else object)[at]
            for span, at in zip(self.factors, index, strict=True)
        }
        only = None if "fabric" in values else next(iter(self.values))
        return self.session.permits(pd.DataFrame(values), only).reshape(shape)

    def settings(self, index: NDArray[np.int_], fabrics: list[str]) -> pd.DataFrame:
        """Return a solution of the task as wanted presses."""
        columns: dict[str, Any] = {"fabric": fabrics}
        for f, span in enumerate(self.factors):
            if span.factor is not None:
                columns[span.name] = [span.values[k] for k in index[:, f]]
        return pd.DataFrame(columns)


def _levels_within_reach(
    session: Session, factor: Factor, fabric: str, reach: float
) -> tuple[Any, ...]:
    """Return the feasible values of a fabric within ``reach`` of the plan's middle.

    ``reach`` is a share of the half-range. On a coarse dial at least the middle and its neighbours;
    of words, all.
    """
    allowed = session.allowed(factor, fabric)
    if not factor.is_numeric:
        return allowed
    values = np.array(allowed)
    centre = centre_of(session, factor, fabric, reach)
    scale = np.log if is_logarithmic(factor) else np.asarray
    low, high = scale(np.array(factor.bounds))
    away = np.abs(scale(values) - scale(np.array(centre)))
    inside = away <= reach * 0.5 * (high - low) * (1 + 1e-9)
    if inside.sum() < 3:
        inside[np.argsort(away, kind="stable")[:3]] = True
    return tuple(values[inside].tolist())


def _thinned(
    values: dict[str, tuple[tuple[Any, ...], ...]], most: int
) -> dict[str, tuple[tuple[Any, ...], ...]]:
    """Return at most ``most`` values of every setting, with both ends of every fabric."""
    return {
        fabric: tuple(
            tuple(own[k] for k in evenly_thinned(np.arange(len(own)), most)) for own in settings
        )
        for fabric, settings in values.items()
    }


def evenly_thinned(places: NDArray[np.int_], most: int) -> NDArray[np.int_]:
    """Return at most ``most`` of the places, evenly, with both ends."""
    if len(places) <= most:
        return places
    return np.asarray(places[np.rint(np.linspace(0, len(places) - 1, most)).astype(int)])
