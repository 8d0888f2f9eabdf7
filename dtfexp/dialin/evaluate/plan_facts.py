"""Figures of a plan: terms, aliases, efficiencies, prediction variance.

The presses form a strip-plot with batch effects of oven loads and press rounds, so a setting that
changes between loads is estimated only as precisely as loads allow. Figures are for an effect of a
stated size, in grades, and for batch effects and noise as the fit expects them without data.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.dialin.encode.model_columns import may_be_set
from dtfexp.dialin.evaluate import aliasing
from dtfexp.dialin.evaluate.aliasing import Effects
from dtfexp.dialin.evaluate.planning_assumptions import Assumptions
from dtfexp.maths.linear import efficiency, power
from dtfexp.maths.linear.model_terms import Key, Terms, inverse

if TYPE_CHECKING:
    from dtfexp.describe.session import Session

Array = NDArray[np.float64]

LOAD, ROUND, PRESS = "oven load", "press round", "press"
_CURVE = 21
_SAMPLE = 2048
_ALIAS_LIMIT = 0.1
"""Alias coefficient below which a fitted effect counts as clear of another."""


@dataclass(frozen=True, eq=False, repr=False)
class PlanFacts:
    """The figures and tables of a plan.

    ``model``: the terms of the figures, the largest of "linear", "interactions" and "quadratic"
    that the presses can estimate with one degree of freedom left (or the requested one, less what
    cannot be estimated). ``terms``, ``aliases``, ``correlation`` and ``variance`` are tables,
    ``efficiency`` a dict.

    ``effects``: all terms of the quadratic; ``fitted``: their columns in the model; ``covariance``
    of the estimates in units of the noise variance, batch effects included; ``df``: error degrees
    of freedom of each test.
    """

    session: Session
    runs: pd.DataFrame
    model: str
    assumed: Assumptions
    effects: Effects
    fitted: tuple[int, ...]
    covariance: Array
    df: tuple[float, ...]

    @property
    def presses(self) -> int:
        """The number of presses counted."""
        return len(self.runs)

    @property
    def residual_df(self) -> int:
        """The number of presses less the number of fitted terms."""
        return self.presses - len(self.fitted)

    def is_fitted(self, key: Key) -> bool:
        """Return whether all columns of a term are in the model of the figures."""
        return all(c in self.fitted for c in self.effects.terms.columns[key])

    def is_estimable(self, key: Key) -> bool:
        """Return whether a term can be separated from all others."""
        return self.effects.is_estimable(key) or (
            self.is_fitted(key) and not self.aliased_with(key)
        )

    def aliased_with(self, key: Key) -> tuple[Key, ...]:
        """Return the terms aliased with a term, the strongest first.

        For a fitted term: the terms left out of which it carries at least a tenth.
        """
        if not self.is_fitted(key):
            return self.effects.aliased_with(key)
        rows = [self.fitted.index(c) for c in self.effects.terms.columns[key]]
        size = np.abs(self._alias_matrix[rows]).max(axis=0, initial=0.0)
        found: dict[Key, float] = {}
        for column, weight in zip(self._columns_left_out, size.tolist(), strict=True):
            other = self.effects.terms.key[column]
            found[other] = max(found.get(other, 0.0), weight)
        tied = [other for other, weight in found.items() if weight >= _ALIAS_LIMIT]
        return tuple(sorted(tied, key=lambda other: (-round(found[other], 6), other)))

    @cached_property
    def x(self) -> Array:
        """The model columns of the fitted terms."""
        return self.effects.x[:, list(self.fitted)]

    @cached_property
    def terms(self) -> pd.DataFrame:
        """One row per term of the full quadratic model.

        ``kind`` (own, joint, bend; shift of a fabric or block); ``stratum`` in which it varies;
        ``estimable``: it can be separated from all others (a fitted effect may carry up to a tenth
        of one left out); ``aliased_with``: its aliases; ``fitted``: it is in the model of the
        figures, and then ``inflation`` of its variance by the others, ``df`` and ``se`` (grades) of
        the effect over the tested range (of a bend: from the middle to the ends), ``power`` for an
        effect of ``assumed.effect`` grades, and ``smallest``, the effect detected with
        ``assumed.power``. Cells that cannot be computed are missing; an effect undetectable at any
        size is infinite.
        """
        rows = []
        inflation = dict(zip(self.fitted[1:], efficiency.inflation(self.x[:, 1:]), strict=True))
        for key, columns in self.effects.terms.columns.items():
            if not key:
                continue
            row: dict[str, Any] = {
                "term": self.effects.name(key),
                "kind": self.effects.kind(key),
                "stratum": self._stratum(key),
                "estimable": self.is_estimable(key),
                "aliased_with": ", ".join(map(self.effects.name, self.aliased_with(key))),
                "fitted": self.is_fitted(key),
            }
            if row["fitted"]:
                row["inflation"] = max(inflation[c] for c in columns)
                row |= self._detectability(key)
            rows.append(row)
        numbers = ("inflation", "df", "se", "power", "smallest")
        table = pd.DataFrame(
            rows,
            columns=["term", "kind", "stratum", "estimable", "aliased_with", "fitted", *numbers],
        )
        return table.astype({"estimable": bool, "fitted": bool} | dict.fromkeys(numbers, float))

    @cached_property
    def aliases(self) -> pd.DataFrame:
        """The alias coefficients: rows fitted effects, columns effects left out.

        An entry of 1 adds the whole left-out effect. Only rows and columns with an entry are kept;
        empty when nothing is aliased.
        """
        names = self._column_names()
        table = pd.DataFrame(
            np.round(self._alias_matrix, 6) + 0.0,
            index=[names[c] for c in self.fitted],
            columns=[names[c] for c in self._columns_left_out],
        )
        some = table.abs() > 1e-6
        return table.loc[some.any(axis=1), some.any(axis=0)]

    @cached_property
    def correlation(self) -> pd.DataFrame:
        """The correlations of all varied effects, including those left out; 1 means identical."""
        x = self.effects.x[:, 1:]
        names = self._column_names()[1:]
        varies = [i for i in range(x.shape[1]) if len(x) and np.ptp(x[:, i]) > 1e-9]
        chosen = [names[i] for i in varies]
        r = efficiency.correlation(x[:, varies]) if varies else np.zeros((0, 0))
        return pd.DataFrame(np.round(r, 6) + 0.0, index=chosen, columns=chosen)

    @cached_property
    def efficiency(self) -> dict[str, float]:
        """D-, G- and I-efficiency (0 to 1) relative to the best possible plan.

        Over the allowed settings, each press by itself. Empty where some of the model cannot be
        estimated.
        """
        terms = self._model_terms()
        if len(self.fitted) < terms.size or len(self.fitted) < 2:
            return {}
        m, n = efficiency.information(self.x), self.presses
        corners = efficiency.corners(self._range())
        free = self._may_be_set(corners)
        if free.all():
            ideal = efficiency.continuous_optimum(terms.kinds, self.model)
            tried, moments = terms.expand(corners), efficiency.region_moments(terms)
        else:
            inside = terms.expand(self._inside)
            moments = inside.T @ inside / max(len(inside), 1)
            few = np.random.default_rng(0).permutation(np.flatnonzero(free))[:_SAMPLE]
            tried = np.vstack([terms.expand(corners[few]), inside[: _SAMPLE // 4], self.x])
            ideal = efficiency.ideal_over(tried, moments)
        return {
            "D": efficiency.d_efficiency(m, n, ideal),
            "G": efficiency.g_efficiency(m, n, tried),
            "I": efficiency.i_efficiency(m, n, moments, ideal),
        }

    @cached_property
    def variance(self) -> pd.DataFrame:
        """The prediction error over the allowed part of the tested range.

        Columns: ``share_of_range``, and the sd (grades) not exceeded in that share, batch effects
        of the counted presses included.
        """
        share = np.linspace(0.0, 1.0, _CURVE)
        sd: Array = np.zeros(0)
        if self.fitted:
            terms = self._model_terms()
            names = [terms.key[c] for c in range(terms.size)]
            keep = [names.index(self.effects.terms.key[c]) for c in self.fitted]
            if len(keep) == terms.size:
                at = terms.expand(self._inside)
                sd = self.assumed.noise * np.sqrt(np.sum((at @ self.covariance) * at, axis=1))
        if not len(sd):
            return pd.DataFrame({"share_of_range": [], "sd": []}, dtype=float)
        return pd.DataFrame({"share_of_range": share, "sd": np.quantile(sd, share)})

    # ------------------------------------------------------------------------------- inner parts

    @cached_property
    def _columns_left_out(self) -> list[int]:
        return [c for c in range(self.effects.terms.size) if c not in self.fitted]

    @cached_property
    def _alias_matrix(self) -> Array:
        """The part of each left-out column (q) carried by each fitted column (p)."""
        if not self.fitted:
            return np.zeros((0, len(self._columns_left_out)))
        return aliasing.alias_matrix(self.x, self.effects.x[:, self._columns_left_out])

    def _model_terms(self) -> Terms:
        return Terms.of(self.effects.terms.kinds, self.model)

    @cached_property
    def _inside(self) -> Array:
        """Evenly spread points (m, columns of all spans) over the allowed settings tested."""
        points = efficiency.coded_range(self._range(), points=_SAMPLE)
        return points[self._may_be_set(points)]

    def _may_be_set(self, base: Array) -> NDArray[np.bool_]:
        return may_be_set(self.session, self.effects.spans, self.runs, base)

    def _range(self) -> list[Array | None]:
        return [span.category_columns() for span in self.effects.spans]

    def _stratum(self, key: Key) -> str:
        """Return the stratum of an effect: between loads or rounds in which it never changes."""
        x = self.effects.x[:, self.effects.terms.columns[key]]
        for name, column in ((LOAD, "oven_load"), (ROUND, "press_round")):
            codes = self.runs[column].to_numpy()
            if len(set(codes)) < len(codes) and power.constant_within(x, codes):
                return name
        return self._stratum_when_alone(key)

    def _stratum_when_alone(self, key: Key) -> str:
        """Return the stratum when every press is its own load and round, by the setting's stage."""
        factors = [self.effects.spans[i].factor for i in key]
        if all(f is not None and f.stage == "cure" for f in factors):
            return LOAD
        hard = all(f is not None and f.stage == "press" and f.hard_to_change for f in factors)
        return ROUND if hard else PRESS

    def _column_names(self) -> list[str]:
        terms = self.effects.terms
        out = []
        for column, key in enumerate(terms.key):
            own = terms.columns[key]
            place = f" ({own.index(column) + 1})" if len(own) > 1 else ""
            out.append(self.effects.name(key) + place)
        return out

    def _detectability(self, key: Key) -> dict[str, float]:
        """Return df, se, power and smallest detectable effect of one fitted term."""
        places = [self.fitted.index(c) for c in self.effects.terms.columns[key]]
        df = min(self.df[place] for place in places)
        # Noncentrality of the least favourable effect of one grade, in units of the noise.
        least = self._least_favourable(key, self.covariance[np.ix_(places, places)])
        per_grade = least / self.assumed.noise**2
        effect, level, wanted = self.assumed.effect, self.assumed.level, self.assumed.power
        if len(places) == 1:
            seen = power.power_t(effect * np.sqrt(per_grade), df, level)
            smallest = power.smallest_detectable_shift(df, wanted, level) / np.sqrt(per_grade)
        else:
            seen = power.power_f(effect**2 * per_grade, len(places), df, level)
            needed = power.smallest_detectable_noncentrality(len(places), df, wanted, level)
            smallest = np.sqrt(needed / per_grade)
        return {
            "df": df,
            "se": float(1.0 / np.sqrt(per_grade)),
            "power": seen,
            "smallest": float(smallest),
        }

    def _least_favourable(self, key: Key, covariance: Array) -> float:
        """Return b' C^-1 b for an effect of one grade, minimised over the possible effects.

        One grade from end to end is half a grade per unit of the code; a bend is one grade from the
        middle to both ends; of words, two differ by one grade and the others lie between.
        """
        precision = inverse(covariance)
        kind = self.effects.kind(key)
        if kind == aliasing.QUADRATIC:
            return float(precision[0, 0])
        if len(key) == 1 and len(covariance) > 1:
            words = self.effects.spans[key[0]].category_columns()
            if words is not None:
                shifts = [(words[a] - words[b]) / (2.0 * len(words)) for a, b in _pairs(len(words))]
                return float(min(s @ precision @ s for s in shifts))
        return float(0.25 * np.linalg.eigvalsh(precision)[0])


def _pairs(count: int) -> list[tuple[int, int]]:
    return list(combinations(range(count), 2))
