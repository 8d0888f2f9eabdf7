"""Dialling in again after a change, with the earlier session as prior knowledge.

What is known is not thrown away, and not trusted blindly either.  How far the earlier presses
still hold depends on what changed:

* a drifted or repaired machine moves its temperature: the earlier presses are moved by an amount
  that the new presses tell (:mod:`dtfexp.dialin.shift`);
* new powder, new film, another season: the earlier results count as those of a related fabric,
  correlated with today's as far as two fabrics of one bench are (``fabric_...`` of
  :class:`dtfexp.maths.field.Prior`);
* a new fabric: the fabrics known before stay what they are, and the new one borrows from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin import grid as grids
from dtfexp.dialin.coding import excluded_rows
from dtfexp.dialin.fit import Fit, fit
from dtfexp.dialin.layout import lay_out
from dtfexp.dialin.next_presses import next_presses
from dtfexp.dialin.numbering import first_numbers
from dtfexp.dialin.plan import Plan, whole_presses, whole_seed
from dtfexp.dialin.results import check_results
from dtfexp.dialin.shift import Shift, estimate, probe_offsets, shifted

if TYPE_CHECKING:
    from dtfexp.dialin.window import Window

#: What may have changed -> the stage whose temperature it moves ("" for none), and whether the
#: earlier results are kept at a distance, as of a related fabric.
CHANGES: dict[str, tuple[str, bool]] = {
    "oven": ("cure", False),
    "press": ("press", False),
    "powder": ("", True),
    "film": ("", True),
    "season": ("", True),
    "fabric": ("", False),
}
BEFORE = " (before)"


@dataclass(frozen=True, repr=False)
class Redial:
    """A session after a change.

    ``fit`` is of earlier and new presses together (on ``fit.session``, which may hold the earlier
    results as fabrics of their own); ``shift`` is what is known of a moved temperature, None where
    none is looked for; ``now`` are the checked results since the change.
    """

    session: Session
    fabric: str
    changed: str
    earlier: pd.DataFrame
    now: pd.DataFrame
    fit: Fit
    shift: Shift | None
    target: Mapping[str, Any]

    def window(self, *, pass_rate: float = 0.90, confidence: float = 0.90) -> Window:
        """The window as known now: see :meth:`dtfexp.dialin.fit.Fit.window`."""
        return self.fit.window(self.fabric, pass_rate=pass_rate, confidence=confidence)

    def next_presses(self, presses: int, *, seed: int = 0) -> Plan:
        """At most ``presses`` new presses that teach most, numbered on.

        With a temperature to find, the first batch is four presses beside the old target, to
        either side; every later one is chosen as :func:`dtfexp.next_presses` does, the earlier
        presses counted in.
        """
        count, seed = whole_presses(presses), whole_seed(seed)
        numbers = first_numbers(pd.concat([self.earlier, self.now], ignore_index=True))
        if self.shift is not None and not self.shift.presses:
            wanted = self._probes(self.shift.factor).head(count)
            runs = lay_out(self.session, wanted, np.random.default_rng(seed), *numbers)
            reason = (
                f"Beside the old target, cooler and hotter: shows how far "
                f"{self.shift.factor.name} has moved."
            )
            return Plan(self.session, runs, "redial", seed, reason)
        made = next_presses(
            self.fit.session, self.fit.results, count, fabrics=[self.fabric], seed=seed
        )
        runs = _renumbered(made.runs, numbers)
        return Plan(self.session, runs, "redial", seed, made.reason)

    def _probes(self, factor: Factor) -> pd.DataFrame:
        axis = grids.full_axis(self.session, factor, self.fabric)
        rows = []
        for offset in probe_offsets(factor):
            wanted = float(self.target[factor.name]) + offset
            setting = float(axis[int(np.argmin(np.abs(axis - wanted)))])
            rows.append({"fabric": self.fabric} | dict(self.target) | {factor.name: setting})
        return pd.DataFrame(rows)[["fabric", *(f.name for f in self.session.factors)]]

    @property
    def graded(self) -> int:
        """How many presses since the change carry a grade."""
        return _graded(self.session, self.now)

    @property
    def sentence(self) -> str:
        """What is carried over, in words."""
        old, new = _graded(self.session, self.earlier), self.graded
        told = f"{old} earlier presses carried over, {new} made since ({self.changed} changed). "
        if self.shift is not None:
            return told + self.shift.sentence()
        if self.fit.session != self.session:
            return told + "The earlier ones count as a related fabric's: a guide, not a proof."
        return told + "The new fabric borrows from those known before."

    def __repr__(self) -> str:
        return f"Redial({self.fabric!r}; {self.sentence})"


def redial(
    session: Session,
    earlier: pd.DataFrame,
    fabric: str | Fabric,
    *,
    changed: str,
    now: pd.DataFrame | None = None,
    target: Mapping[str, Any] | None = None,
) -> Redial:
    """Dial in again with what an earlier session knew.

    session: of today.  earlier, now: results frames from before the change and since (``now`` may
    be left out, or hold planned presses only).  changed: "oven" or "press" (drifted, repaired or
    replaced), "powder" or "film" (new lot), "season", or "fabric" (a new one; ``earlier`` then
    holds other fabrics of the session).  target: the set-point that was run (default: the target
    of the earlier results' window).

    Raises ``PlanError`` for an unknown change and ``ResultsError`` for frames that are none.
    """
    if not isinstance(changed, str) or changed not in CHANGES:
        raise PlanError(
            f"changed is {fields.shown(changed)}; accepted is one of {', '.join(CHANGES)}"
        )
    name = session.fabric(fabric).name
    old = check_results(session, earlier)
    new = old.iloc[:0] if now is None else check_results(session, now)
    stage, apart = CHANGES[changed]
    factor = _temperature(session, stage)
    # Without a temperature to move, a changed machine is a reason to keep a distance as well.
    apart = apart or (stage != "" and factor is None)
    both, before, wider = _together(session, old, new, apart)
    shift = None if factor is None else estimate(wider, factor, both, before)
    if factor is not None and shift is not None:
        both = pd.concat(
            [shifted(factor, both[before], shift.mean), both[~before]], ignore_index=True
        )
    fitted = fit(wider, both)
    if target is None:
        target = {} if shift is None or shift.presses else fit(session, old).window(name).target
    return Redial(session, name, changed, old, new, fitted, shift, dict(target))


def _graded(session: Session, results: pd.DataFrame) -> int:
    names = [outcome.name for outcome in session.outcomes]
    seen = results[names].notna().any(axis=1).to_numpy() & ~excluded_rows(results)
    return int(seen.sum())


def _temperature(session: Session, stage: str) -> Factor | None:
    """The temperature that a drifted machine moves; None when the plan does not vary it."""
    return next((f for f in session.factors if f.stage == stage and f.is_temperature), None)


def _together(
    session: Session, old: pd.DataFrame, new: pd.DataFrame, apart: bool
) -> tuple[pd.DataFrame, np.ndarray, Session]:
    """Both frames as one, which rows are of before, and the session that holds them."""
    old, new = old.copy(), new.copy()
    # Numbers that both use are of two logbooks: the earlier ones make room.
    for column in ("press", "oven_load", "press_round"):
        if len(new) and set(old[column]) & set(new[column]):
            old[column] += int(new[column].max())
    wider = session
    if apart:
        names = {f.name: (f.name + BEFORE) for f in session.fabrics}
        old["fabric"] = old["fabric"].map(names)
        apart_ones = [_renamed(fabric, names[fabric.name]) for fabric in session.fabrics]
        wider = replace(session, fabrics=(*session.fabrics, *apart_ones))
    both = check_results(wider, pd.concat([old, new], ignore_index=True))
    return both, np.arange(len(both)) < len(old), wider


def _renamed(fabric: Fabric, name: str) -> Fabric:
    return Fabric(name, fabric.heat_limit, fabric.unit, fabric.notes)


def _renumbered(runs: pd.DataFrame, first: tuple[int, int, int]) -> pd.DataFrame:
    """The same runs, their numbers following on from ``first``."""
    out = runs.copy()
    for column, start in zip(("press", "oven_load", "press_round"), first, strict=True):
        if len(out):
            out[column] = out[column] - int(out[column].min()) + start
    return out
