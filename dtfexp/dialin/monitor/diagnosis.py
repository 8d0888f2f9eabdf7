"""A diagnosis: causes ranked by signs, fit and bench, with checks and corrections.

It states what to do with the piece at hand, what to check first, what to change and by how much
inside the heat gate, and one press that separates the most probable causes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from dtfexp.describe.fields import without_underscores
from dtfexp.describe.html_text import escape
from dtfexp.describe.session import Session
from dtfexp.describe.signs import phrase, sign
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.monitor.causes import Circumstances, Heard, RankedShare, rank_causes
from dtfexp.dialin.monitor.corrections import (
    Move,
    ProposalContext,
    allowed_moves,
    blocked_moves,
    bound_text,
)
from dtfexp.dialin.monitor.telling_press import discriminating_press

if TYPE_CHECKING:
    from dtfexp.dialin.fit import Fit

#: Expected pass rate from which the settings are good, and a drifted machine or material suspected.
HOLDS_FROM = 0.85
#: Expected failing share from which the fit's sides have full weight.
_FULL_WEIGHT_FAILING = 0.30
#: Smallest probability of a cause for which the fit computes a move.
_WORTH = 0.03
_STAGES = {"cure": ("under-cured", "over-cured"), "press": ("under-pressed", "over-pressed"),
           "peel": ("peeled too early", "peeled too late"),
           "print": ("too little ink or powder", "too much ink or powder")}  # fmt: skip
#: Failure sides of the fit whose cause has another key.
_SIDES = {"peel low": "peeled early", "print low": "little powder",
          "print high": "much powder"}  # fmt: skip


@dataclass(frozen=True)
class RankedCause:
    """One cause in the ranking.

    ``share``: its probability, between 0 and 1; ``machine`` whose drift would look the same
    ("oven", "press" or ""); ``check`` first, the cheapest first; ``change`` in words, with
    ``factor`` moved ``from_`` … ``to`` where a setting changes (None otherwise); ``why``: the
    evidence; ``bound``: what limits the change (a heat limit, a range, what is forbidden).
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
    bound: str = ""


@dataclass(frozen=True, repr=False)
class Diagnosis:
    """Causes, the most probable first, and one press that separates the most probable.

    ``press``: its settings, today's except for the trial (empty when none may be made or nothing
    was understood); ``tells`` in words. ``now``: what to do with the piece at hand. ``asked``:
    questions on ambiguous words; ``not_understood``: what names no sign, with the nearest that do;
    ``absent``: signs reported absent; ``past``: why the settings themselves may not be pressed, ""
    when they may; ``read_as``: the interpretation of free words.
    """

    fabric: str
    seen: Mapping[str, float]
    pass_rate: float
    findings: tuple[RankedCause, ...]
    press: Mapping[str, Any]
    tells: str
    now: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    not_understood: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    past: str = ""
    read_as: tuple[str, ...] = ()

    @property
    def first(self) -> RankedCause:
        """The most probable cause."""
        return self.findings[0]

    def table(self, most: int = 5) -> pd.DataFrame:
        """Return one row per cause.

        Columns: ``cause``, ``share``, ``machine``, ``check_first``, ``change``, ``bound``, ``why``.
        """
        rows = [
            (f.cause, f.share, f.machine, f.check, f.change, f.bound, "; ".join(f.why))
            for f in self.findings[:most]
        ]
        names = ["cause", "share", "machine", "check_first", "change", "bound", "why"]
        return pd.DataFrame(rows, columns=names)

    def __repr__(self) -> str:
        return "\n".join(self._lines())

    def _repr_html_(self) -> str:
        return "<br>".join(escape(line) for line in self._lines())

    def _lines(self) -> list[str]:
        open_ones = [*self.asked, *(_sentence(line) for line in self.not_understood)]
        if self.absent:
            open_ones.append(f"Reported absent: {', '.join(map(phrase, self.absent))}.")
        if not self.seen:
            if not open_ones:
                open_ones.append("No fault is named: keep the settings.")
            elif self.not_understood and not self.asked:
                open_ones.append("None of these words names a known sign; describe in other "
                                 "words what is seen, such as grainy underside, bubbles, parts "
                                 "lifted with the film.")  # fmt: skip
            return open_ones
        first = self.first
        others = ", ".join(
            f"{f.cause} ({round(100 * f.share)} %)" for f in self.findings[1:4] if f.share >= 0.05
        )
        lines = [f"Stop: {_sentence(self.past)}"] if self.past else []
        lines += [f"This piece: {line}" for line in self.now]
        lines.append(f"{self.fabric}: most likely {first.cause} ({round(100 * first.share)} %)"
                     + (f"; then {others}." if others else "."))  # fmt: skip
        if first.why:
            lines.append("Because: " + "; ".join(first.why) + ".")
        lines += [f"Check first: {first.check}", f"Then: {first.change}"]
        if first.bound and first.bound.casefold() not in first.change.casefold():
            lines.append(f"Bounded by: {_sentence(first.bound)}")
        lines.append(f"One press decides: {self.tells}")
        if self.read_as:
            lines.append(_sentence("; ".join(self.read_as)))
        return [*lines, *open_ones]


def diagnosis(
    fit: Fit,
    settings: Mapping[str, Any],
    fabric: str,
    heard: Heard,
    around: Circumstances,
    drift: Mapping[str, float],
    gate: Session | None = None,
) -> Diagnosis:
    """Rank the causes of the signs ``heard`` at checked ``settings`` of one fabric.

    ``drift``: factor -> how much hotter than before its machine was measured, in the factor's unit.
    ``gate``: the session whose heat gate applies to proposals (default: that of the fit).
    METHODS.md, section 13.
    """
    gate = fit.session if gate is None else gate
    at = pd.DataFrame([dict(settings)])
    sides = fit.failure_sides(at, fabric).iloc[0]
    rate = float(sides["pass_rate"])
    ranked = rank_causes(heard.seen, _evidence_of_fit(sides, rate, around))
    past = gate.refusal(settings, fabric)
    bench = ProposalContext(fit, gate, fabric, _inside(gate, settings, fabric), drift)
    moves = {
        one.cause.key: allowed_moves(bench, one.cause, one.share >= _WORTH)
        for one in ranked
        if one.cause.moves
    }
    findings = tuple(_finding(bench, one, moves.get(one.cause.key, []), rate) for one in ranked)
    press, tells = _one_press(bench, heard, ranked, moves)
    now = tuple(dict.fromkeys(sign(key).now for key in heard.seen if sign(key).now))
    if past and any("press again" in line.casefold() for line in now):
        now = (*now, "Press nothing until the settings are back inside the limit.")
    return Diagnosis(
        fabric, dict(heard.seen), rate, findings, press, tells, now, heard.asked,
        heard.not_understood, heard.absent, past, heard.read_as,
    )  # fmt: skip


def _one_press(
    bench: ProposalContext, heard: Heard, ranked: list[RankedShare], moves: dict[str, list[Move]]
) -> tuple[dict[str, Any], str]:
    if not heard.seen:
        return {}, ""
    refused = bench.gate.nothing_left(bench.fabric) or bench.gate.refusal(bench.at, bench.fabric)
    if refused:
        return {}, f"none may be made. {_sentence(refused)}"
    return discriminating_press(bench, ranked, moves)


def _inside(gate: Session, settings: Mapping[str, Any], fabric: str) -> dict[str, Any]:
    """Return the settings, those outside the gate moved to the nearest allowed."""
    inside = dict(settings)
    for factor in gate.factors:
        allowed = gate.allowed(factor, fabric)
        here = settings[factor.name]
        if not allowed or not gate.refusal({factor.name: here}, fabric):
            continue
        if factor.is_numeric:
            inside[factor.name] = min(allowed, key=lambda value: (abs(value - here), value))
        elif factor.ordered:
            place = grids.as_axis(factor, here)
            inside[factor.name] = min(
                allowed, key=lambda value: abs(grids.as_axis(factor, value) - place)
            )
        else:
            inside[factor.name] = allowed[0]
    return inside


def _evidence_of_fit(sides: Any, rate: float, around: Circumstances) -> Circumstances:
    """Add the fit's probability of each failure side, weighted by the expected failures."""
    say = min(1.0, (1.0 - rate) / _FULL_WEIGHT_FAILING)
    for stage, names in _STAGES.items():
        for side, name in zip(("low", "high"), names, strict=True):
            if name not in sides or (stage, side) == ("peel", "high"):
                continue
            belief = float(sides[name])
            key = _SIDES.get(f"{stage} {side}", f"{stage} {side}")
            why = ""
            if say > 0.5 and belief >= 0.7:
                why = (
                    f"by the presses so far these settings look {name} "
                    f"({round(100 * belief)} % sure)"
                )
            # Factor 1/3 for an excluded side to 3 for a certain one.
            around = around.with_factor(key, float(3.0 ** (say * (2.0 * belief - 1.0))), why)
    return around


def _finding(
    bench: ProposalContext, ranked: RankedShare, moves: list[Move], rate: float
) -> RankedCause:
    cause = ranked.cause
    move = moves[0] if moves else None
    blocked = blocked_moves(bench, cause) if cause.moves else ()
    change, held = cause.change, ""
    if blocked:
        # The preferred setting is at its limit: say so instead of proposing it.
        change = " ".join([*map(_sentence, blocked), cause.otherwise]).strip()
        held = "; ".join(blocked)
    if move is not None:
        name = without_underscores(move.factor.name)
        text = (
            f"{name}: {bench.shown(move.factor, move.from_)} to "
            f"{bench.shown(move.factor, move.to)} ({move.reason})."
        )
        change = f"{change} {'Allowed here,' if blocked else 'Move'} {text}"
        held = held or bound_text(bench, move.factor)
    why = ranked.why
    if cause.machine and rate >= HOLDS_FROM and ranked.share >= 0.2:
        why = (
            *why,
            f"these settings are expected to pass (about {int(min(100 * rate, 99))} of 100), so "
            f"the {cause.machine} itself may have moved",
        )
    return RankedCause(
        cause.name, ranked.share, cause.machine, cause.check, change,
        move.factor.name if move is not None else "",
        bench.at[move.factor.name] if move is not None else None,
        move.to if move is not None else None, why, held,
    )  # fmt: skip


def _sentence(text: str) -> str:
    """Return the text with a capital and a full stop."""
    return _capital(text if text.endswith((".", "?", "!")) else f"{text}.")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
