"""Dial in again after a change, with the earlier session as prior knowledge.

How far the earlier presses still apply depends on the change (:data:`.change.CHANGES`):

* a drifted or repaired machine shifts its temperature by an amount estimated from the new presses;
* with new powder, film or ink, or in another season, cure and press may need other temperatures,
  and the rest of the field changes slightly;
* with a new fabric, the earlier fabrics are unchanged, and the new one borrows from them, at its
  own press temperature.

Estimation of the shifts: :mod:`dtfexp.dialin.recalibrate.shift`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.factor import Factor
from dtfexp.describe.fields import and_list
from dtfexp.describe.session import Session
from dtfexp.describe.units import convert_difference
from dtfexp.dialin.design.plan import pressable, whole_presses, whole_seed
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.results import check_results, next_numbers
from dtfexp.dialin.experience.moves import known_kept, known_moves
from dtfexp.dialin.fit import Fit, fit
from dtfexp.dialin.following.batch import choose_batch
from dtfexp.dialin.following.next_presses import NextPlan, empty_runs
from dtfexp.dialin.following.press_reasons import press_reasons
from dtfexp.dialin.recalibrate.change import CHANGES
from dtfexp.dialin.recalibrate.shift import (
    Shift,
    ShiftPrior,
    fit_with_shift,
    graded_rows,
    known_by_set_point,
    shift_probe_offsets,
    shifted,
)
from dtfexp.dialin.schedule.layout import lay_out
from dtfexp.maths.field.parameters import Prior

if TYPE_CHECKING:
    from dtfexp.dialin.window.window import Window


#: Correlation kept when a temperature that the plan does not vary may have shifted.
UNVARIED_CORRELATION = 0.7


@dataclass(frozen=True)
class EarlierChange:
    """A change before the last: what changed, its shifts, and the rows of the fit it moved."""

    changed: str
    shifts: tuple[Shift, ...]
    moved: NDArray[np.bool_]


@dataclass(frozen=True, repr=False)
class Redial:
    """A session after a change.

    ``fit`` is of earlier and new presses, as they were pressed; ``shifts`` give the posterior of
    each temperature that may have shifted, ``moved`` the rows of the fit's results from before
    that; ``now`` are the checked results since the change; ``target`` is the earlier set-point,
    None for that of the earlier window. ``before_that``: the changes before, the last first, and
    ``chapters`` the earlier results between them.
    """

    session: Session
    fabric: str
    changed: str
    earlier: pd.DataFrame
    now: pd.DataFrame
    fit: Fit
    shifts: tuple[Shift, ...]
    moved: NDArray[np.bool_]
    target: Mapping[str, Any] | None
    before_that: tuple[EarlierChange, ...] = ()
    chapters: tuple[pd.DataFrame, ...] = ()

    def window(self, *, pass_rate: float = 0.90, confidence: float | None = None) -> Window:
        """Return the present window: see :meth:`dtfexp.dialin.fit.Fit.window`."""
        return self.fit.window(self.fabric, pass_rate=pass_rate, confidence=confidence)

    def next_presses(
        self, presses: int, *, fabrics: Iterable[str | Fabric] | None = None, seed: int = 0
    ) -> NextPlan:
        """Return at most ``presses`` new presses with the largest expected gain, numbered on.

        The first ones after a change of temperatures: four around the old target, on either side.
        Later ones are chosen as by :func:`dtfexp.next_presses`, with the earlier presses included,
        for ``fabrics`` (default: this one). The plan is empty, with its ``reason``, when another
        batch would hardly change the windows.
        """
        count, seed = whole_presses(presses), whole_seed(seed)
        # With a new fabric the others' presses are shifted to its temperature.
        only = fabrics is None or self.changed == "fabric"
        names, left_out = pressable(self.session, [self.fabric] if only else fabrics)
        chosen = None
        if self.shifts and not len(self.now) and self.fabric in names:
            wanted = self._beside_target().head(count)
            reason = f"On either side of the old target: shows how far {self._moved_text} moved."
        else:
            chosen = choose_batch(self.fit, names, count, seed)
            several = len(names) > 1
            told = f"window{'s' * several} of {and_list(names)}"
            if chosen is None:
                reason = f"Another batch would hardly change the {told}: confirm the target."
                none = empty_runs(self.session)
                return NextPlan(
                    self.session, none, "redial", seed, f"{reason}{left_out}", fit=self.fit
                )
            wanted = chosen.presses
            ends = "end" if several else "ends"
            reason = f"Chosen to show where the {told} {ends}."
        numbers = next_numbers(pd.concat([self.earlier, self.now], ignore_index=True))
        runs = lay_out(self.session, wanted, np.random.default_rng(seed), *numbers)
        why = () if chosen is None else press_reasons(self.fit, chosen.likely, runs, chosen.targets)
        return NextPlan(
            self.session, runs, "redial", seed, f"{reason}{left_out}", why=why, fit=self.fit
        )

    def _beside_target(self) -> pd.DataFrame:
        target = self.target
        if target is None:
            target = self._before_the_change().window(self.fabric).target
        rows = []
        for offsets in shift_probe_offsets([shift.factor for shift in self.shifts]):
            beside = {f.name: float(target[f.name]) + offset for f, offset in offsets}
            # The earlier target may exceed a limit measured since.
            inside = grids.moved_in(self.session, self.fabric, dict(target) | beside)
            rows.append({"fabric": self.fabric} | inside)
        return pd.DataFrame(rows)[["fabric", *(f.name for f in self.session.factors)]]

    @property
    def _moved_text(self) -> str:
        names = [shift.factor.name for shift in self.shifts]
        return f"{and_list(names)} {'has' if len(names) == 1 else 'have'}"

    def _before_the_change(self) -> Fit:
        if not self.before_that:
            return fit(self.session, self.earlier)
        changes = [one.changed for one in self.before_that[::-1]]
        return redial_through(self.session, self.chapters, self.fabric, changes).fit

    def on_todays_dial(self) -> pd.DataFrame:
        """Return earlier and new presses, the earlier settings moved by the mean of each shift."""
        out = self.fit.results
        for shifts, moved in (
            (self.shifts, self.moved),
            *((one.shifts, one.moved) for one in self.before_that),
        ):
            for shift in shifts:
                out = shifted(shift.factor, out, moved, shift.mean)
        return out

    @property
    def graded(self) -> int:
        """The number of graded presses since the change."""
        return _graded_count(self.session, self.now)

    @property
    def sentence(self) -> str:
        """The carried-over knowledge, in words."""
        old, new = _graded_count(self.session, self.earlier), self.graded
        told = [f"{old} earlier presses carried over, {new} made since ({self.changed} changed)."]
        if new or not self.shifts:
            told += [shift.sentence() for shift in self.shifts]
        else:
            told.append(f"How far {self._moved_text} moved is not known yet.")
        told += [
            f"Before that, {one.changed} changed; that is allowed for." for one in self.before_that
        ]
        if self.changed == "fabric":
            told.append("The new fabric borrows from the earlier ones.")
        elif min(self.fit.posterior.prior.change_correlation) < 1.0:
            told.append("The earlier ones are a guide, not a proof.")
        return " ".join(told)

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
    """Return a session dialled in again with the results of an earlier session.

    ``session``: of today. ``earlier``, ``now``: results frames from before the change and since
    (``now`` may be left out, or hold planned presses only). ``changed``: "oven" or "press"
    (drifted, repaired or replaced), "powder", "film" or "ink" (new lot), "season", or "fabric" (a
    new one; ``earlier`` then holds other fabrics of the session). ``target``: the earlier set-point
    (default: the target of the earlier results' window).

    Raises ``PlanError`` for an unknown change and ``ResultsError`` for invalid frames.
    METHODS.md, equation (30).
    """
    if not isinstance(changed, str) or changed not in CHANGES:
        raise fields.refusal("changed", changed, f"one of {', '.join(CHANGES)}", PlanError)
    old = check_results(session, earlier)
    new = old.iloc[:0] if now is None else now
    return redial_through(session, [old, new], fabric, [changed], target)


def redial_through(
    session: Session,
    chapters: Sequence[pd.DataFrame],
    fabric: str | Fabric,
    changes: Sequence[str],
    target: Mapping[str, Any] | None = None,
) -> Redial:
    """Return a session dialled in again after several changes, all integrated at once.

    ``chapters``: results before the first change, between each two, and since the last; otherwise
    as :func:`redial`, which is the case of one change. METHODS.md, equation (30).
    """
    name = session.fabric(fabric).name
    checked = [check_results(session, chapter) for chapter in chapters]
    old, new = check_results(session, pd.concat(checked[:-1], ignore_index=True)), checked[-1]
    both = _joined_results(session, old, new)
    ends = np.cumsum([len(chapter) for chapter in checked[:-1]])
    graded = [_graded_count(session, chapter) for chapter in checked[1:]]
    moving, moved, kept = [], [], []
    for changed, end in zip(changes, ends, strict=True):
        change = CHANGES[changed]
        may_move = [
            ShiftPrior(factor, sd * convert_difference(1.0, "°C", factor.unit), change.cause_text)
            for stage, sd in known_moves(session.experience, changed, change.moves).items()
            if (factor := _temperature(session, stage)) is not None
        ]
        all_vary = len(may_move) == len(change.moves)
        moving.append(may_move)
        moved.append(_moved_rows(both, np.arange(len(both)) < end, changed, name, may_move))
        learnt = known_kept(session.experience, changed, change.correlation)
        kept.append(learnt if all_vary else UNVARIED_CORRELATION)
    # The last change first, as people are told of them.
    fitted, shifts = fit_with_shift(
        session,
        both,
        np.column_stack(moved[::-1]),
        moving[::-1],
        Prior(change_correlation=tuple(kept[::-1])),
        graded[::-1],
    )
    before_that = tuple(map(EarlierChange, changes[-2::-1], shifts[1:], moved[-2::-1]))
    return Redial(
        session, name, changes[-1], old, new, fitted, shifts[0], moved[-1], target,
        before_that if len(changes) > 1 else (), tuple(checked[:-1]),
    )  # fmt: skip


def _moved_rows(
    both: pd.DataFrame,
    earlier: NDArray[np.bool_],
    changed: str,
    fabric: str,
    moving: Sequence[ShiftPrior],
) -> NDArray[np.bool_]:
    """Return which rows a change moved."""
    if changed == "fabric":
        return np.asarray((both["fabric"] != fabric).to_numpy())
    if changed in ("oven", "press"):
        # A reading of the reached temperature holds whatever the dial shows now.
        by_dial = [known_by_set_point(one.factor, both) for one in moving]
        return np.asarray(earlier & np.logical_and.reduce(by_dial), dtype=bool)
    return earlier


def _temperature(session: Session, stage: str) -> Factor | None:
    """Return the temperature factor of a stage; None when the plan does not vary it."""
    return next((f for f in session.factors if f.stage == stage and f.is_temperature), None)


def _graded_count(session: Session, results: pd.DataFrame) -> int:
    return int(graded_rows(session, results).sum())


def _joined_results(session: Session, old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Return both frames as one, the earlier first."""
    old = old.copy()
    # Numbers used in both frames are from two logbooks: renumber the earlier ones.
    for column in ("press", "oven_load", "press_round"):
        if len(new) and set(old[column]) & set(new[column]):
            old[column] += int(new[column].max())
    return check_results(session, pd.concat([old, new], ignore_index=True))
