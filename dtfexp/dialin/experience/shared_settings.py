"""Settings of different sessions on one scale: what is the same setting, and how codes convert.

A setting is known by its stage and what it measures, in whatever unit and range. On the shared
scale it is a distance from a centre in half-widths, times and speeds by their logarithm, as in
METHODS.md, equation (1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dtfexp.describe import units
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.encode.coding import STAGE_CODE, direction, is_logarithmic
from dtfexp.maths.field.points import FieldShape
from dtfexp.maths.field.trend import TrendTerms

Array = NDArray[np.float64]

#: Units in which what sessions share is kept.
_BASE = {"temperature": "°C", "time": "s", "pressure": "kPa", "length": "mm", "speed": "m/min"}
_BY_LOGARITHM = ("time", "speed")


@dataclass(frozen=True)
class CodedSetting:
    """One setting of a session that is not a word: its key and its code on the shared scale.

    The shared value, in ``unit`` (its logarithm where ``log``, times the direction), is ``centre``
    at code 0 and moves by ``half`` per code. Of ordered words, ``levels``, it is the place from 0.
    """

    key: str
    stage: str
    unit: str
    log: bool
    centre: float
    half: float
    levels: tuple[str, ...] = ()

    @classmethod
    def of(cls, factor: Factor, key: str) -> CodedSetting:
        """Return the code of a factor as :class:`dtfexp.dialin.encode.coding.Coding` makes it."""
        if not factor.is_numeric:
            half = 0.5 * (len(factor.levels) - 1)
            place = list(factor.levels).index(str(factor.usual))
            return cls(key, factor.stage, "", False, place, half, factor.levels)
        kind, more = units.kind(factor.unit), direction(factor)
        base = _BASE.get(kind, factor.unit)
        low, high = (units.convert(float(end), factor.unit, base) for end in factor.bounds)
        usual = units.convert(float(factor.usual), factor.unit, base)
        log = kind in _BY_LOGARITHM and usual > 0.0
        if not log:
            return cls(key, factor.stage, base, False, more * usual, 0.5 * (high - low))
        if is_logarithmic(factor):
            half = 0.5 * np.log(high / low)
        else:
            # A narrow range acts by the number itself; near the usual setting that is its log.
            half = 0.5 * (high - low) / usual
        return cls(key, factor.stage, base, True, more * float(np.log(usual)), float(half))

    def value(self, code: float) -> float:
        """Return the setting in ``unit`` at a code."""
        at = self.centre + code * self.half
        return float(np.exp(at if self.unit == "s" else -at)) if self.log else float(at)


def coded_factors(session: Session) -> list[Factor]:
    """Return the factors of :func:`coded_settings`."""
    return [f for f in session.factors if f.is_numeric or f.ordered]


def coded_settings(session: Session) -> tuple[CodedSetting, ...]:
    """Return the settings of a session that are not words, in the session's order."""
    numbers = coded_factors(session)
    plain = [_key(f) for f in numbers]
    return tuple(
        CodedSetting.of(f, key if plain.count(key) == 1 else f"{key}, {f.name.casefold()}")
        for f, key in zip(numbers, plain, strict=True)
    )


def _key(factor: Factor) -> str:
    if not factor.is_numeric:
        return f"{_staged(factor)} ({', '.join(factor.levels)})"
    kind = units.kind(factor.unit)
    named = kind in _BASE
    return f"{factor.stage} {kind}" if named else _staged(factor)


def _staged(factor: Factor) -> str:
    name = factor.name.casefold()
    return name if factor.stage in name else f"{factor.stage} {name}"


def shared_shape(settings: Sequence[CodedSetting]) -> FieldShape:
    """Return the shape of a field over shared settings, for the general prior over them."""
    pairs = [
        (i, j)
        for i, a in enumerate(settings)
        for j, b in enumerate(settings)
        if a.unit == "°C" and b.unit in ("s", "m/min") and a.stage == b.stage
    ]
    stages = tuple(STAGE_CODE[s.stage] for s in settings)
    return FieldShape(stages, (False,) * len(settings), tuple(pairs), 1)


def change_of_scale(own: Sequence[CodedSetting], shared: Sequence[CodedSetting]) -> Array:
    """Return M (p_shared, p_own): the monomials at shared codes are M times those at own codes.

    A shared setting that the session does not vary stands at its centre; one of the session that is
    not shared is in none. METHODS.md, section 16.
    """
    terms, all_terms = (TrendTerms(tuple(range(len(s)))) for s in (own, shared))
    keys, place = [s.key for s in shared], {s.key: k for k, s in enumerate(shared)}
    scale, offset = np.ones(len(own)), np.zeros(len(own))
    for k, one in enumerate(own):
        if one.key in place:
            to = shared[place[one.key]]
            scale[k] = one.half / to.half
            offset[k] = (one.centre - to.centre) / to.half
    rescaled = terms.rescaled(scale, offset)
    at = {term: k for k, term in enumerate(_labels(terms, [s.key for s in own]))}
    out = np.zeros((all_terms.count, terms.count))
    for row, label in enumerate(_labels(all_terms, keys)):
        if label in at:
            out[row] = rescaled[at[label]]
    return out


def known_terms(own: Sequence[CodedSetting], shared: Sequence[CodedSetting]) -> NDArray[np.bool_]:
    """Return which monomials (p_own,) of a session's settings hold shared settings only."""
    keys = {s.key for s in shared}
    labels = _labels(TrendTerms(tuple(range(len(own)))), [s.key for s in own])
    return np.array([set(label) <= keys for label in labels])


def _labels(terms: TrendTerms, keys: list[str]) -> list[tuple[str, ...]]:
    """Return the settings in each monomial, sorted, twice in a square."""
    pairs = [tuple(sorted((keys[i], keys[j]))) for i, j in zip(*terms.pairs, strict=True)]
    return [(), *((key,) for key in keys), *((key, key) for key in keys), *pairs]


def to_table(setting: CodedSetting) -> dict[str, Any]:
    """Return a setting as a table of a file."""
    return {
        "key": setting.key, "stage": setting.stage, "unit": setting.unit, "log": setting.log,
        "centre": setting.centre, "half": setting.half, "levels": list(setting.levels),
    }  # fmt: skip


def from_table(table: dict[str, Any]) -> CodedSetting:
    """Return the setting of :func:`to_table`."""
    return CodedSetting(
        table["key"], table["stage"], table["unit"], table["log"], float(table["centre"]),
        float(table["half"]), tuple(table["levels"]),
    )  # fmt: skip
