"""A diagnosis: causes ranked by what is seen, by the fit and by what is known of the bench; what
to check first, what to change and by how much, and one press that tells the two likeliest apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import spoken
from dtfexp.describe.units import convert_difference, kind
from dtfexp.dialin import grid as grids
from dtfexp.dialin.symptoms import Circumstances, Ranked, rank

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit

#: A set-point is said to hold from this expected pass rate on: then a machine or a material has
#: moved rather than the setting being wrong.
HOLDS = 0.85
#: How far a setting may be moved at once, in multiples of what the machine wanders.
FURTHEST = 4.0
#: Failing presses from this share on let the fit's sides speak in full.
_FULL_SAY = 0.30
_STAGES = {"cure": ("under-cured", "over-cured"), "press": ("under-pressed", "over-pressed"),
           "peel": ("peeled too early", "peeled too late")}  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """One cause in the ranking.

    ``share`` of the blame, between 0 and 1; ``machine`` whose drift would look the same ("oven",
    "press" or ""); ``check`` first; ``change`` in words, with ``factor`` moved ``from_`` … ``to``
    where a setting is to be changed (None otherwise); ``why``: what spoke for it.
    """

    cause: str
    share: float
    machine: str
    check: str
    change: str
    factor: str
    from_: Any
    to: Any
    why: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Diagnosis:
    """Causes, the likeliest first, and one press that tells the first two apart (``press``: its
    settings, the ones run now but for what is to be tried; ``tells`` in words)."""

    fabric: str
    seen: Mapping[str, float]
    pass_rate: float
    findings: tuple[Finding, ...]
    press: Mapping[str, Any]
    tells: str

    @property
    def first(self) -> Finding:
        """The likeliest cause."""
        return self.findings[0]

    def table(self, most: int = 5) -> pd.DataFrame:
        """One row per cause: ``cause``, ``share``, ``machine``, ``check_first``, ``change``,
        ``why``."""
        rows = [
            (f.cause, f.share, f.machine, f.check, f.change, "; ".join(f.why))
            for f in self.findings[:most]
        ]
        return pd.DataFrame(
            rows, columns=["cause", "share", "machine", "check_first", "change", "why"]
        )

    def __repr__(self) -> str:
        return "\n".join(self._lines())

    def _repr_html_(self) -> str:
        return "<br>".join(escape(line) for line in self._lines())

    def _lines(self) -> list[str]:
        if not self.seen:
            return [
                "None of these words is in the symptom table; write what is seen in other words, "
                "such as grainy underside, bubbles, parts lifted with the film."
            ]
        first = self.first
        others = ", ".join(
            f"{f.cause} ({round(100 * f.share)} %)" for f in self.findings[1:4] if f.share >= 0.05
        )
        lines = [f"{self.fabric}: most likely {first.cause} ({round(100 * first.share)} %)"
                 + (f"; then {others}." if others else ".")]  # fmt: skip
        if first.why:
            lines.append("Because: " + "; ".join(first.why) + ".")
        return [*lines, f"Check first: {first.check}", f"Then: {first.change}",
                f"One press to tell: {self.tells}"]  # fmt: skip


def diagnosis(
    fit: Fit,
    settings: Mapping[str, Any],
    fabric: str,
    seen: Mapping[str, float],
    around: Circumstances,
    drift: Mapping[str, float],
) -> Diagnosis:
    """Rank the causes of ``seen`` at checked ``settings`` of one fabric.

    drift: factor -> how much hotter than before its machine was measured, in the factor's unit.
    """
    at = pd.DataFrame([dict(settings)])
    sides = fit.failure_sides(at, fabric).iloc[0]
    rate = float(sides["pass_rate"])
    ranked = rank(seen, _by_the_fit(fit, sides, rate, around))
    findings = tuple(_finding(fit, settings, fabric, one, rate, drift) for one in ranked)
    press, tells = _telling(fit, settings, findings, ranked)
    return Diagnosis(fabric, dict(seen), rate, findings, press, tells)


def _by_the_fit(fit: Fit, sides: Any, rate: float, around: Circumstances) -> Circumstances:
    """The fit's belief in each failure side, as far as presses are expected to fail there."""
    say = min(1.0, (1.0 - rate) / _FULL_SAY)
    for stage, names in _STAGES.items():
        for side, name in zip(("low", "high"), names, strict=True):
            if name not in sides or (stage, side) == ("peel", "high"):
                continue
            belief = float(sides[name])
            key = "peeled early" if stage == "peel" else f"{stage} {side}"
            why = ""
            if say > 0.5 and belief >= 0.7:
                why = (
                    f"by the presses so far these settings look {name} "
                    f"({round(100 * belief)} % sure)"
                )
            # From a third for a side that is ruled out to three times for one that is certain.
            around = around.and_(key, float(3.0 ** (say * (2.0 * belief - 1.0))), why)
    return around


def _finding(
    fit: Fit,
    settings: Mapping[str, Any],
    fabric: str,
    ranked: Ranked,
    rate: float,
    drift: Mapping[str, float],
) -> Finding:
    cause = ranked.cause
    factor = lever(fit, cause.stage)
    change, to = cause.change, None
    if factor is not None and cause.side:
        to, reason = _move(fit, settings, fabric, factor, cause.side, drift.get(factor.name))
        if to is not None:
            here = factor.format(settings[factor.name])
            change = (
                f"{cause.change} {spoken(factor.name)}: {here} to {factor.format(to)} ({reason})."
            )
    why = ranked.why
    if cause.machine and rate >= HOLDS and ranked.share >= 0.2:
        why = (
            *why,
            f"these settings are expected to pass (about {int(min(100 * rate, 99))} of 100), so "
            f"the {cause.machine} itself may have moved",
        )
    return Finding(
        cause.name, ranked.share, cause.machine, cause.check, change,
        factor.name if factor is not None and to is not None else "",
        settings[factor.name] if factor is not None and to is not None else None, to, why,
    )  # fmt: skip


def lever(fit: Fit, stage: str) -> Factor | None:
    """The setting that is moved first for a stage: its temperature, else its time, else another
    number or ordered word."""
    ranged = [f for f in grids.ranged_factors(fit.session) if f.stage == stage]

    def need(factor: Factor) -> int:
        if factor.is_temperature:
            return 0
        return 1 if factor.is_numeric and kind(factor.unit) == "time" else 2

    by_need = sorted(ranged, key=need)
    return by_need[0] if by_need else None


def _move(
    fit: Fit,
    settings: Mapping[str, Any],
    fabric: str,
    factor: Factor,
    side: str,
    drift: float | None,
) -> tuple[Any, str]:
    """Where to set a factor instead, never past a heat limit or into what is forbidden, and why
    there; None when it cannot be moved that way."""
    axis = grids.full_axis(fit.session, factor, fabric)
    here = grids.as_axis(factor, settings[factor.name])
    sign = 1.0 if side == "low" else -1.0
    unit = max(grids.unit_of(factor), factor.grid_step if factor.is_numeric else 1.0)
    way = axis[(sign * (axis - here) > 1e-9) & (sign * (axis - here) <= FURTHEST * unit + 1e-9)]
    frame = pd.DataFrame([dict(settings)] * len(way))
    if len(way):
        frame[factor.name] = [grids.as_setting(factor, float(v)) for v in way]
        way = way[fit.session.permits(frame, fabric)]
        frame = frame[fit.session.permits(frame, fabric)]
    if not len(way):
        return None, ""
    if drift is not None and sign * drift < 0:
        wanted = here - drift
        reason = f"the machine was measured {factor.format(round(abs(drift), 1))} off"
    else:
        rates = fit.pass_posterior(frame, fabric).expected()
        best = int(np.argmax(rates))
        now = fit.pass_posterior(pd.DataFrame([dict(settings)]), fabric).expected()[0]
        if rates[best] > now + 0.02:
            wanted, reason = float(way[best]), "where the fit expects most to pass"
        else:
            wanted = here + sign * max(unit, _smallest_try(factor))
            reason = "a try; measure first, the fit alone would not move it"
    return grids.as_setting(factor, grids.nearest(way, wanted)), reason


def _smallest_try(factor: Factor) -> float:
    """A move that can be seen: 5 °C, common practice, no source; else the machine's wander."""
    if not factor.is_temperature:
        return 0.0
    return float(convert_difference(5.0, "°C", factor.unit))


def _telling(
    fit: Fit, settings: Mapping[str, Any], findings: tuple[Finding, ...], ranked: list[Ranked]
) -> tuple[dict[str, Any], str]:
    """One press with a single change: the first cause's move, else the second's, else its trick."""
    first, second = findings[0], findings[1]
    press = dict(settings)
    # The change that only the first cause answers to; when neither is a setting, its own trick.
    for one, other in ((first, second), (second, first)):
        if one.to is not None and one.factor != other.factor:
            press[one.factor] = one.to
            told = f"{one.factor} {fit.session.factor(one.factor).format(one.to)}"
            return press, (
                f"as now, but {told}. Gone: it was {one.cause}. Still there: look for "
                f"{other.cause}."
            )
    if first.to is not None:
        press[first.factor] = first.to
        told = f"{first.factor} {fit.session.factor(first.factor).format(first.to)}"
        return press, (f"as now, but {told}. Better: it was {first.cause}. Worse: {second.cause}.")
    return press, (
        f"{ranked[0].cause.tell} Gone: it was {first.cause}. Still there: look for {second.cause}."
    )
