"""The window: the largest box of set-points at which a new press is expected to pass as asked.

At every set-point of the box the posterior predictive chance that a new press passes reaches what
is asked (Peterson 2004, J. Quality Technology 36:139); the box is the largest in multiples of the
machine spread, found exactly.  The part of it that is proven is its core; the target stands away
from where the pass rate falls, between two failure modes (Joseph & Wu 2002, J. Quality Technology
34:345; from memory, not verified).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pandas as pd


class Margin(float):
    """Distance from the target to the NEARER edge, in multiples of spread.

    ``low`` and ``high`` are the distances to each edge; unpacking gives both.
    """

    low: float
    high: float

    def __new__(cls, low: float, high: float) -> Margin:
        self = super().__new__(cls, min(low, high))
        self.low, self.high = float(low), float(high)
        return self

    def __reduce__(self) -> tuple[type[Margin], tuple[float, float]]:
        return Margin, (self.low, self.high)

    def __iter__(self) -> Iterator[float]:
        return iter((self.low, self.high))


@dataclass(frozen=True, repr=False)
class Window:
    """A window of one fabric.

    found; fabric; target (factor -> value); low, high (factor -> value, None when not found; edges
    of numbers may lie between the steps of the dial); pass_rate expected of a new press at the
    target; confidence: posterior probability that the true pass rate at the target is at least
    ``required``; margin (factor -> :class:`Margin`, None for words); reason: one sentence.

    ``required`` and ``required_confidence`` are what was asked (the latter None where every
    set-point is *expected* to pass so often); ``edges`` has one row per edge (factor, side, value,
    margin, alone, stopped_by, looks, certainty, advice).  core_low, core_high: the part of the
    window at every set-point of which the true pass rate reaches ``required`` with 90 %
    probability; None where nothing is proven.  alone: factor -> (low, high), how far that setting
    may be off by itself, the others at the target with their spread; None for words and where there
    is no window.

    presses: graded presses of the fabric; presses_inside: of them inside the window;
    presses_at_target.  pass_rate_low: lower end of the 90 % interval of the true pass rate at the
    target.  usual_pass_rate: expected at today's settings; gain_chance: posterior probability that
    the true pass rate at the target is above that; stay: the target is what the shop runs today.
    """

    found: bool
    fabric: str
    target: dict[str, Any]
    low: dict[str, Any] | None
    high: dict[str, Any] | None
    pass_rate: float
    confidence: float
    margin: dict[str, Margin | None]
    reason: str
    required: float
    required_confidence: float | None
    edges: pd.DataFrame
    presses: int
    core_low: dict[str, Any] | None = None
    core_high: dict[str, Any] | None = None
    alone: dict[str, tuple[float, float] | None] = field(default_factory=dict)
    presses_inside: int = 0
    presses_at_target: int = 0
    pass_rate_low: float = float("nan")
    usual_pass_rate: float = float("nan")
    gain_chance: float = float("nan")
    stay: bool = False

    @property
    def proven(self) -> bool:
        """True when some part of the window is proven."""
        return self.core_low is not None

    @property
    def target_in_core(self) -> bool:
        """True when the target's numbers lie in the proven part."""
        if self.core_low is None or self.core_high is None:
            return False
        return all(
            isinstance(at, str) or self.core_low[name] <= at <= self.core_high[name]
            for name, at in self.target.items()
        )

    @property
    def promise(self) -> str:
        """The statement on every set-point of the window, in one sentence."""
        asked = f"at least {100 * self.required:.4g} of 100"
        if self.required_confidence is None:
            return f"Anywhere inside, {asked} new presses are expected to pass."
        sure = f"{100 * self.required_confidence:.4g} %"
        return f"Anywhere inside, {asked} new presses pass, with {sure} probability each."

    @property
    def cautious(self) -> bool:
        """True while only the cautious end may be stated: nothing proven, or target not pressed.

        Where less is expected than was asked there is nothing to claim: what is expected is stated,
        which the reason names, one number and not two.
        """
        claims = self.found or self.pass_rate >= self.required
        return claims and (not self.proven or self.presses_at_target == 0)

    @property
    def stated(self) -> str:
        """The pass rate at the target as it is shown: "about 97 of 100", rounded down.

        The cautious end claims no more than was asked until the target is pressed.
        """
        rate, least = self.pass_rate, ""
        if self.cautious:
            most = math.inf if self.presses_at_target else self.required
            rate, least = min(self.pass_rate_low, most), "at least "
        return f"{least}about {_whole(rate)} of 100" if math.isfinite(rate) else "not known"

    @property
    def expectation(self) -> str:
        """Return the expected result at the target in a sentence, cautious while not proven."""
        if not self.found:
            expected = "should pass, said with caution" if self.cautious else "are expected to pass"
            return f"At the best settings known {self.stated} {expected}; not proven."
        # Beside the promise, which is what is expected, the cautious end must not read as such.
        state = ", the cautious end of what is expected" if self.cautious else ""
        if not self.proven:
            state += "; not proven yet"
        elif not self.target_in_core:
            state += "; the proven part lies beside it"
        told = ""
        if self.found and not self.presses_inside:
            told = " The window is computed, not yet pressed."
        elif not self.presses_at_target:
            told = " The target is computed, not yet pressed."
        return f"At the target {self.stated} should pass{state}.{told}"

    @property
    def out_of_reach(self) -> bool:
        """Whether more presses in today's ranges would hardly find a window."""
        return (
            not self.found
            and self.presses > 0
            and out_of_reach(self.pass_rate, self.confidence, self.required)
        )

    def __repr__(self) -> str:
        state = "found" if self.found else "not found"
        return f"Window({self.fabric!r}, {state}; {self.reason})"


def out_of_reach(expected: float, chance: float, required: float) -> bool:
    """Return whether more presses in this range would hardly find a window.

    expected: pass rate at the best set-point; chance: posterior probability that it is at least
    ``required``.
    """
    return chance < 0.1 and expected < required - 0.1


def _whole(rate: float) -> int:
    """Return a rate as a count of 100, rounded down."""
    return math.floor(100.0 * rate + 1e-9)
