"""What a plan can tell, as numbers: terms, aliases, efficiencies, prediction variance.

The presses are taken as a strip-plot with the luck of oven loads and press rounds: what is set once
for a load is known only as well as loads can be told apart. Figures are for an effect of a stated
size, in grades, and for luck and noise as the fit expects them before it sees a grade.
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
"""A fitted effect that carries less of another than this is taken as clear of it."""


@dataclass(frozen=True, eq=False, repr=False)
class PlanFacts:
    """What the presses of a plan can tell, as numbers and tables.

    model: the terms that the figures are for, the largest of "linear", "interactions" and
    "quadratic" that the presses can tell with one to spare (or the one asked for; what of it cannot
    be told is left out). ``terms``, ``aliases``, ``correlation`` and ``variance`` are tables,
    ``efficiency`` a dict.

    effects: all terms of the quadratic; fitted: the columns of them in the model; covariance of
    their estimates in units of the noise variance, luck counted; df: of what each is tested with.
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
        """How many presses are counted."""
        return len(self.runs)

    @property
    def residual_df(self) -> int:
        """Presses beyond the terms fitted."""
        return self.presses - len(self.fitted)

    def is_fitted(self, key: Key) -> bool:
        """Whether all columns of a term are in the model of the figures."""
        return all(c in self.fitted for c in self.effects.terms.columns[key])

    def is_estimable(self, key: Key) -> bool:
        """Whether a term can be told from all others."""
        return self.effects.is_estimable(key) or (
            self.is_fitted(key) and not self.aliased_with(key)
        )

    def aliased_with(self, key: Key) -> tuple[Key, ...]:
        """The terms that one hides behind, the most tied first; of a fitted one, those left out
        that it carries a tenth of or more.
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
        """Model columns of the terms fitted."""
        return self.effects.x[:, list(self.fitted)]

    @cached_property
    def terms(self) -> pd.DataFrame:
        """One row per term of the whole quadratic model: what the plan can tell of it.

        kind (own, joint, bend; shift of a fabric or block); stratum in which it varies; told: it
        can be told from all others (a fitted effect may carry up to a tenth of one left out);
        mixed_with: those it hides behind; fitted: it is in the model of the figures, and then
        inflation of its variance by the others, df and se (grades) of the effect from one end tried
        to the other (of a bend: from the middle to the ends), power for an effect of
        ``assumed.effect`` grades, and smallest, the effect seen with ``assumed.power``. Where
        something cannot be told the cell is missing; an effect that no size could make sure is
        infinite.
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
                "told": self.is_estimable(key),
                "mixed_with": ", ".join(map(self.effects.name, self.aliased_with(key))),
                "fitted": self.is_fitted(key),
            }
            if row["fitted"]:
                row["inflation"] = max(inflation[c] for c in columns)
                row |= self._detectability(key)
            rows.append(row)
        numbers = ("inflation", "df", "se", "power", "smallest")
        table = pd.DataFrame(
            rows, columns=["term", "kind", "stratum", "told", "mixed_with", "fitted", *numbers]
        )
        return table.astype({"told": bool, "fitted": bool} | dict.fromkeys(numbers, float))

    @cached_property
    def aliases(self) -> pd.DataFrame:
        """What each fitted effect also carries of those left out: rows fitted, columns left out.

        An entry of 1 beside a left-out effect: its whole size is added. Only rows and columns with
        an entry are kept; empty when nothing is mixed.
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
        """Correlations of all effects that vary, those left out too: 1 is one and the same."""
        x = self.effects.x[:, 1:]
        names = self._column_names()[1:]
        varies = [i for i in range(x.shape[1]) if len(x) and np.ptp(x[:, i]) > 1e-9]
        chosen = [names[i] for i in varies]
        r = efficiency.correlation(x[:, varies]) if varies else np.zeros((0, 0))
        return pd.DataFrame(np.round(r, 6) + 0.0, index=chosen, columns=chosen)

    @cached_property
    def efficiency(self) -> dict[str, float]:
        """D-, G- and I-efficiency (0 to 1) against the best that any plan could be, every press
        taken as made alone, over what may be set; empty when some of the model cannot be told.
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
        """How well grades are predicted over the range tried, as far as it may be set:
        share_of_range, and the sd (grades) that so much of the range stays below, luck of loads
        and rounds in the presses counted.
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
        """What each fitted column (p) carries of each left out (q)."""
        if not self.fitted:
            return np.zeros((0, len(self._columns_left_out)))
        return aliasing.alias_matrix(self.x, self.effects.x[:, self._columns_left_out])

    def _model_terms(self) -> Terms:
        return Terms.of(self.effects.terms.kinds, self.model)

    @cached_property
    def _inside(self) -> Array:
        """Even points (m, columns of all spans) over what may be set of the range tried."""
        points = efficiency.coded_range(self._range(), points=_SAMPLE)
        return points[self._may_be_set(points)]

    def _may_be_set(self, base: Array) -> NDArray[np.bool_]:
        return may_be_set(self.session, self.effects.spans, self.runs, base)

    def _range(self) -> list[Array | None]:
        return [span.category_columns() for span in self.effects.spans]

    def _stratum(self, key: Key) -> str:
        """Where the effect is judged: between loads or rounds that it never changes within."""
        x = self.effects.x[:, self.effects.terms.columns[key]]
        for name, column in ((LOAD, "oven_load"), (ROUND, "press_round")):
            codes = self.runs[column].to_numpy()
            if len(set(codes)) < len(codes) and aliasing.constant_within(x, codes):
                return name
        return self._stratum_when_alone(key)

    def _stratum_when_alone(self, key: Key) -> str:
        """With every press a load and a round of its own, by what is set for each."""
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
        """df, se, power and smallest effect of one fitted term."""
        places = [self.fitted.index(c) for c in self.effects.terms.columns[key]]
        df = min(self.df[place] for place in places)
        # Noncentrality of an effect of one grade in units of the noise: the least favourable one.
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
        """b' C^-1 b for an effect of one grade, the smallest over what that effect may be.

        One grade from one end to the other is half a grade per unit of the code; a bend is one
        grade from the middle to both ends; of words, two of them differ and the others lie between.
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
