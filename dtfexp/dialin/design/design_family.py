"""The interface of a family of plans: its request, its answer, and coded rows as presses.

A family chooses the wanted presses; loads, rounds and order are laid out afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.session import Session
from dtfexp.dialin.design.first_look import REACH, presses_per_fabric
from dtfexp.dialin.encode.levels import settings_from_codes
from dtfexp.maths.designs.classical import Fraction

Array = NDArray[np.float64]
Labels = NDArray[np.intp]


@dataclass(frozen=True)
class DesignRequest:
    """The request to a family: ``presses`` in all, for the named fabrics."""

    session: Session
    design: str
    fabrics: list[str]
    presses: int
    seed: int
    options: dict[str, Any]

    @property
    def presses_per_fabric(self) -> int:
        """The least number of presses of each fabric."""
        return self.presses // len(self.fabrics)

    def require_presses(self, each: int) -> None:
        """Raise ``PlanError`` when ``each`` presses for every fabric exceed the request."""
        needed = each * len(self.fabrics)
        if needed > self.presses:
            raise PlanError(
                f"design {self.design!r} needs {needed} presses ({each} for each of "
                f"{len(self.fabrics)} fabrics) and presses is {self.presses}; allow {needed} or "
                "more, name fewer fabrics, or use design 'auto'"
            )

    def whole_option(self, name: str, default: int, low: int, high: int) -> int:
        """Return the whole-number option ``name``; ``PlanError`` for anything else."""
        value = self.options.get(name, default)
        place = f"design {self.design!r}"
        return fields.whole_number(value, place, name, low, high, PlanError)

    def reach(self, default: float = REACH) -> float:
        """Return the distance of the outer levels from the middle, as a share of the half-range."""
        reach = self.options.get("reach", default)
        if isinstance(reach, bool) or not isinstance(reach, (int, float)) or not 0 < reach <= 1:
            raise fields.refusal(
                "reach", reach, "a number above 0 and up to 1 (1: the ends of the range)", PlanError
            )
        return float(reach)

    @property
    def replicates(self) -> int:
        """The number of replicates of the whole plan."""
        return self.whole_option("replicates", 1, 1, 100)

    @property
    def blocks(self) -> tuple[str, ...]:
        """The labels of the requested blocks (days, rolls, lots); empty without the option."""
        return block_labels(self.options.get("blocks"), self.presses)


def block_labels(value: Any, presses: int) -> tuple[str, ...]:
    """Return labels from a count ("1", "2", ...) or a list of names; ``PlanError`` otherwise."""
    if value is None:
        return ()
    accepted = f"give a whole number from 2 to {presses}, or that many different names"
    labels: list[str] = []
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool):
        labels = [str(k) for k in range(1, int(min(value, presses + 1)) + 1)]
    elif isinstance(value, (list, tuple)):
        labels = [" ".join(str(v).split()) for v in value]
    if not 2 <= len(set(labels)) == len(labels) <= presses or "" in labels:
        raise PlanError(f"blocks is {value!r}; {accepted}")
    return tuple(labels)


@dataclass(frozen=True)
class RequestedPresses:
    """The presses a family asks for.

    ``frame``: the columns fabric and one per factor, a row per press, in no order; with
    ``laid_out`` also oven_load and press_round, numbered from 1, and in pressing order. A column
    ``block`` (labels) is present when the family makes its own blocks. ``reason`` is one sentence,
    ``notes`` are the plan's possibilities and limits; ``fraction`` is the coded plan behind a
    two-level one.
    """

    frame: pd.DataFrame
    reason: str
    notes: tuple[str, ...] = ()
    laid_out: bool = False
    fraction: Fraction | None = None


@dataclass(frozen=True)
class Family:
    """The builder of one family's presses, and its options."""

    make: Callable[[DesignRequest], RequestedPresses]
    options: tuple[str, ...] = ()

    def __call__(self, request: DesignRequest) -> RequestedPresses:
        """Return the wanted presses; ``PlanError`` for an unknown option."""
        for name in request.options:
            if name not in self.options:
                accepted = (
                    f"it takes {', '.join(self.options)}" if self.options else "it takes no options"
                )
                raise PlanError(f"design {request.design!r} has no option {name!r}; {accepted}")
        return self.make(request)


def presses_for_fabrics(
    request: DesignRequest,
    coded: Array,
    reach: float,
    most_centres: int,
    blocks: Labels | None = None,
) -> pd.DataFrame:
    """Return the coded rows (n, factors) for every fabric, with centre presses if possible.

    Rows are repeated by the option ``replicates``; the option ``centres`` gives the number of
    centre presses of each fabric, else up to ``most_centres`` use the presses left. ``blocks``: a
    label 0 .. for each coded row; the column ``block`` is then made, with centre presses dealt in
    turn. Raises ``PlanError`` when the presses do not suffice, or when levels coincide on the
    bench's steps.
    """
    rows = np.tile(coded, (request.replicates, 1))
    labels = request.blocks
    given = "centres" in request.options
    fixed = request.whole_option("centres", 0, 0, 1000) if given else 0
    request.require_presses(len(rows) + fixed)
    parts = []
    for fabric, count in presses_per_fabric(request.presses, request.fabrics).items():
        centres = fixed if given else min(count - len(rows), most_centres)
        codes = np.vstack([rows, np.zeros((centres, rows.shape[1]))])
        part = settings_from_codes(request.session, fabric, codes, reach)
        _check_levels_distinct(request, fabric, coded, part.iloc[: len(rows)])
        part.insert(0, "fabric", fabric)
        if blocks is not None:
            of_row = np.tile(blocks, request.replicates)
            if request.replicates % len(labels) == 0:
                # Every block holds the whole plan, so its effect is confounded with nothing.
                of_row = np.arange(len(rows)) // len(coded) % len(labels)
            turns = np.append(of_row, np.arange(centres) % len(labels))
            part["block"] = [labels[k] for k in turns]
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _check_levels_distinct(
    request: DesignRequest, fabric: str, coded: Array, made: pd.DataFrame
) -> None:
    for i, factor in enumerate(request.session.factors):
        wanted, got = len(np.unique(coded[:, i])), made[factor.name].nunique()
        if got < (wanted if factor.is_numeric else min(wanted, 2)):
            top = request.session.allowed(factor, fabric)[-1]
            raise PlanError(
                f"design {request.design!r} needs {wanted} different settings of "
                f"{factor.name!r} and "
                f"{fabric} has {got} (up to {factor.format(top)}); use a finer step, a wider range "
                "or leave this fabric out"
            )
