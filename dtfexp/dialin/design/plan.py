"""A plan: the test presses of one batch, in the order to be pressed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from dataclasses import fields as fields_of
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.fabric import Fabric
from dtfexp.describe.fields import without_underscores
from dtfexp.describe.html_text import escape, frame_html
from dtfexp.describe.resources import Supplies
from dtfexp.describe.session import Session
from dtfexp.dialin.design import (
    factorials,
    first_look,
    fractions,
    latin_hypercube,
    optimal,
    quadratics,
    screening,
)
from dtfexp.dialin.design.design_family import DesignRequest, Family, RequestedPresses
from dtfexp.dialin.encode.coding import Coding
from dtfexp.dialin.encode.forbidden_repair import move_out_of_forbidden
from dtfexp.dialin.schedule.cost import Cost, cost
from dtfexp.dialin.schedule.layout import lay_out
from dtfexp.dialin.schedule.timeline import timeline
from dtfexp.maths.designs.blocking import balanced_blocks
from dtfexp.maths.designs.classical import Fraction

if TYPE_CHECKING:
    from dtfexp.dialin.evaluate.plan_check import PlanCheck


def _first_look_family(request: DesignRequest) -> RequestedPresses:
    wanted = first_look.first_look(request.session, request.fabrics, request.presses)
    return RequestedPresses(
        wanted,
        first_look.reason(request.session),
        first_look.notes(request.session, wanted),
    )


FAMILIES: dict[str, Family] = {
    "auto": Family(_first_look_family, ("blocks",)),
    "full factorial": Family(factorials.full_factorial, factorials.OPTIONS),
    "fraction": Family(fractions.fraction, fractions.OPTIONS),
    "plackett-burman": Family(screening.plackett_burman, screening.OPTIONS),
    "box-behnken": Family(quadratics.box_behnken, quadratics.BEHNKEN_OPTIONS),
    "central composite": Family(quadratics.central_composite, quadratics.COMPOSITE_OPTIONS),
    "latin hypercube": Family(latin_hypercube.hypercube, latin_hypercube.OPTIONS),
    "d-optimal": Family(optimal.optimal_plan, optimal.OPTIONS),
    "i-optimal": Family(optimal.optimal_plan, optimal.OPTIONS),
}


DESIGNS = tuple(FAMILIES)
MOST_PRESSES = 2000


@dataclass(frozen=True, repr=False)
class Plan:
    """Test presses in pressing order.

    ``runs``: DataFrame with columns press, fabric, oven_load, press_round, then one per factor, and
    block where the plan has blocks. ``design`` and ``seed`` identify its making; ``reason`` is one
    sentence (why these presses, or why none); ``notes`` are plain sentences on the plan's
    possibilities and limits. ``fraction`` is the coded plan behind a regular two-level one:
    generators, defining words, aliases. ``why`` is a sentence for each row of ``runs``, where
    presses were chosen one by one (else empty).
    """

    session: Session
    runs: pd.DataFrame
    design: str
    seed: int
    reason: str = ""
    notes: tuple[str, ...] = field(default=())
    fraction: Fraction | None = field(default=None, compare=False, kw_only=True)
    why: tuple[str, ...] = field(default=(), kw_only=True)

    def __len__(self) -> int:
        return len(self.runs)

    def why_lines(self) -> list[str]:
        """Return ``why`` with the number of each press."""
        if not self.why:
            return []
        numbers = self.runs["press"]
        return [f"Press {press}: {why}" for press, why in zip(numbers, self.why, strict=True)]

    def timeline(self) -> pd.DataFrame:
        """Return every step with its minutes: see ``dtfexp.dialin.schedule.timeline.timeline``."""
        return timeline(self.session, self.runs)

    def cost(self, **supplies: Any) -> Cost:
        """Return hours, garments, film, powder, money, and the waits.

        ``supplies``: sizes, amounts and prices that replace the session's own, by the names of
        ``dtfexp.describe.resources.Supplies``, such as ``film_per_m2=9, hour=30``.
        """
        known = [f.name for f in fields_of(Supplies)]
        for name in supplies:
            if name not in known:
                raise PlanError(f"cost has no {name!r}; it takes {', '.join(known)}")
        return cost(self.session, self.runs, replace(self.session.supplies, **supplies))

    def check(
        self, model: str = "auto", *, earlier: pd.DataFrame | None = None, **assumed: Any
    ) -> PlanCheck:
        """Return the power and confounding of these presses: tables, a figure and three sentences.

        ``model``: the terms, "auto" for the largest estimable model. ``earlier``: runs or results
        of presses made before, counted with these. ``assumed``: ``effect`` (grades over the tested
        range), ``noise``, ``load_luck``, ``round_luck`` (standard deviations in grades), ``level``,
        ``power``. See ``dtfexp.dialin.evaluate.plan_check.PlanCheck``.
        """
        from dtfexp.dialin.evaluate.plan_check import check_runs

        return check_runs(self.session, self.runs, model, earlier=earlier, **assumed)

    def __repr__(self) -> str:
        loads, rounds = self.runs["oven_load"].nunique(), self.runs["press_round"].nunique()
        return (
            f"Plan({self.design}: {len(self.runs)} presses in {loads} oven loads and {rounds} "
            f"press rounds; {self.reason})"
        )

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in (*self.why_lines(), *self.notes))
        shown = self.runs.rename(columns=without_underscores)
        for factor in self.session.factors:
            shown[without_underscores(factor.name)] = [
                factor.format(value) for value in self.runs[factor.name]
            ]
        table = frame_html(shown)
        return f"<p>{escape(self.reason)}</p>{table}<ul>{notes}</ul>"


def plan(
    session: Session,
    presses: int,
    *,
    fabrics: Iterable[str | Fabric] | None = None,
    design: str = "auto",
    seed: int = 0,
    **options: Any,
) -> Plan:
    """Return a plan of at most ``presses`` test presses, in oven loads and press rounds.

    ``fabrics``: of the session (default all). ``design``, with options by name:

    * ``"auto"``: a compact first look around the usual settings, or with an experience around the
      settings that it expects to be best;
    * ``"full factorial"``: ``levels`` (2; or setting -> number, or the settings themselves);
    * ``"fraction"``: ``resolution`` or ``runs``;
    * ``"plackett-burman"``: ``runs``, ``foldover``;
    * ``"box-behnken"``: ``words`` ("all" or "usual" of the words without a middle);
    * ``"central composite"``: ``alpha`` ("face", "rotatable", "blocks" or a number), ``words``;
    * ``"latin hypercube"``: ``cures`` (number of different ones), ``slow_levels``;
    * ``"d-optimal"`` (effects estimated best) and ``"i-optimal"`` (grades predicted best):
      ``model`` ("quadratic", "interactions" or "linear"), ``include`` (a frame of earlier
      presses), ``loads``, ``rounds``, ``load_luck``, ``round_luck``, ``restarts``; exactly
      ``presses``.

    ``reach`` is the distance of the outer levels from the middle as a share of the half-range (for
    a central composite: of its corners); ``centres`` and ``replicates`` are for each fabric;
    ``blocks`` is a number or the names of days, rolls or lots. The same arguments give the same
    plan.

    Raises ``PlanError`` (a ``ValueError``) in one line for a number of presses, design, option or
    fabric that cannot be met, with what is accepted.
    """
    count = whole_presses(presses)
    seed = whole_seed(seed)
    names, left_out = pressable(session, fabrics)
    if not isinstance(design, str) or design not in FAMILIES:
        raise fields.refusal("design", design, f"one of {', '.join(map(repr, DESIGNS))}", PlanError)
    asked = DesignRequest(session, design, names, count, seed, options)
    wanted = _with_forbidden_repaired(session, design, FAMILIES[design](asked))
    if asked.blocks and "block" not in wanted.frame:
        wanted = replace(wanted, frame=in_blocks(session, wanted.frame, asked.blocks, seed))
    runs = _laid_out(session, wanted, asked.blocks, seed)
    reason = f"{wanted.reason}{left_out}"
    return Plan(session, runs, design, seed, reason, wanted.notes, fraction=wanted.fraction)


def _with_forbidden_repaired(
    session: Session, design: str, wanted: RequestedPresses
) -> RequestedPresses:
    """Return presses moved out of forbidden corners, with a note on the loss of balance."""
    frame, met = move_out_of_forbidden(session, wanted.frame)
    if not met:
        return wanted
    if wanted.laid_out:
        raise PlanError(f"a laid out press is forbidden: {met[0]}")
    corners = "; ".join(dict.fromkeys(map(str, met)))
    for fabric, before in wanted.frame.groupby("fabric", sort=False):
        for factor in session.factors:
            lost = (
                before[factor.name].nunique() > 1 == frame.loc[before.index, factor.name].nunique()
            )
            if lost and design != "auto":
                raise PlanError(
                    f"design {design!r}: what is forbidden ({corners}) leaves {fabric} with one "
                    f"setting of {factor.name!r}; loosen it, change reach, or use design 'auto'"
                )
    presses = "1 press was" if len(met) == 1 else f"{len(met)} presses were"
    note = (
        f"{presses} moved to the nearest permitted settings, out of what is forbidden ({corners}): "
        "the plan is no longer quite balanced there."
    )
    return replace(wanted, frame=frame, notes=(*wanted.notes, note))


def _laid_out(
    session: Session, wanted: RequestedPresses, blocks: tuple[str, ...], seed: int
) -> pd.DataFrame:
    """Return the wanted presses in loads, rounds and order, numbered from 1 (or as they are).

    Blocks follow one another: no load or round belongs to two.
    """
    names = [f.name for f in session.factors]
    if wanted.laid_out:
        runs = wanted.frame.reset_index(drop=True)
        if "press" not in runs:
            runs.insert(0, "press", np.arange(1, len(runs) + 1))
        more = ["block"] if "block" in runs else []
        return runs[["press", "fabric", "oven_load", "press_round", *names, *more]]
    rng = np.random.default_rng(seed)
    if not blocks:
        return lay_out(session, wanted.frame, rng)
    parts: list[pd.DataFrame] = []
    for label in blocks:
        mine = wanted.frame[wanted.frame["block"] == label].drop(columns="block")
        if len(mine):
            last = parts[-1] if parts else None
            first = (
                [int(last[c].max()) + 1 for c in ("press", "oven_load", "press_round")]
                if last is not None
                else [1, 1, 1]
            )
            parts.append(lay_out(session, mine, rng, *first).assign(block=label))
    return pd.concat(parts, ignore_index=True)


def whole_presses(presses: Any) -> int:
    """Return ``presses`` as an int of 1 to ``MOST_PRESSES``; ``PlanError`` otherwise."""
    return fields.whole_number(presses, "plan", "presses", 1, MOST_PRESSES, PlanError)


def whole_seed(seed: Any) -> int:
    """Return ``seed`` as a whole number of 0 or more; ``PlanError`` otherwise."""
    return fields.whole_number(seed, "plan", "seed", 0, 2**53, PlanError)


def chosen_fabrics(session: Session, fabrics: Iterable[str | Fabric] | None) -> list[str]:
    """Return the names of the requested fabrics, in that order; by default all."""
    if fabrics is None:
        return [f.name for f in session.fabrics]
    if isinstance(fabrics, (str, Fabric)):
        fabrics = [fabrics]
    names = list(dict.fromkeys(session.fabric(f).name for f in fabrics))
    if not names:
        raise PlanError(
            "fabrics is empty; name at least one of " + ", ".join(f.name for f in session.fabrics)
        )
    return names


def pressable(session: Session, fabrics: Iterable[str | Fabric] | None) -> tuple[list[str], str]:
    """Return the requested fabrics that can be pressed, and a sentence on the others (else "").

    A fabric is left out when its heat limit, or what is forbidden, leaves no setting. Raises
    ``PlanError`` with the reason when none can be pressed.
    """
    names = chosen_fabrics(session, fabrics)
    reasons = {name: line for name in names if (line := session.nothing_left(name))}
    if len(reasons) == len(names):
        raise PlanError("; ".join(reasons.values()))
    said = "".join(f" Left out: {line}." for line in reasons.values())
    return [name for name in names if name not in reasons], said


def in_blocks(
    session: Session, wanted: pd.DataFrame, labels: tuple[str, ...], seed: int
) -> pd.DataFrame:
    """Return the presses with a column ``block``, each fabric equally in every block.

    ``wanted``: columns fabric and one per factor. Blocks differ in size by at most one press.
    """
    coding = Coding(session)
    rng = np.random.default_rng(seed)
    out = wanted.copy()
    out["block"] = ""
    turn = 0
    for _, mine in wanted.groupby("fabric", sort=False):
        columns: list[Any] = []
        for factor in session.factors:
            if factor.is_numeric or factor.ordered:
                columns.append(coding.code(factor, mine[factor.name]))
            else:
                columns += [(mine[factor.name] == w).astype(float) for w in factor.levels[1:]]
        rows = np.column_stack([np.asarray(c, dtype=float) for c in columns])
        # The surplus presses of a fabric start at the block after those of the previous fabric.
        found = (balanced_blocks(rows, len(labels), rng) + turn) % len(labels)
        turn += len(mine) % len(labels)
        out.loc[mine.index, "block"] = [labels[k] for k in found]
    return out
