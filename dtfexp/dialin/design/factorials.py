"""Full factorial plans: every combination of the requested levels."""

from __future__ import annotations

from collections.abc import Mapping
from math import prod
from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session
from dtfexp.dialin.design.design_family import DesignRequest, RequestedPresses
from dtfexp.dialin.design.first_look import presses_per_fabric
from dtfexp.dialin.design.fractions import block_confounding_note, regular_blocks
from dtfexp.dialin.encode.levels import centre_of, evenly_chosen_words, evenly_spaced_numbers
from dtfexp.maths.designs import classical

OPTIONS = ("levels", "reach", "centres", "replicates", "blocks")
_MOST_CENTRES = 4
_MOST_LEVELS = 50


def full_factorial(request: DesignRequest) -> RequestedPresses:
    """Return every combination of the levels, with centre presses if possible.

    The option ``levels`` is a whole number for every numeric setting (words take part with all of
    theirs), or a table: setting -> a whole number, or the settings themselves.
    """
    session = request.session
    wanted = _requested_levels(session, request.options.get("levels", 2))
    levels = {
        fabric: [_settings(request, f, fabric, wanted[f.name]) for f in session.factors]
        for fabric in request.fabrics
    }
    counts = {fabric: [len(one) for one in levels[fabric]] for fabric in request.fabrics}
    totals = {fabric: prod(counts[fabric]) * request.replicates for fabric in request.fabrics}
    centres = request.whole_option("centres", 0, 0, 1000)
    request.require_presses(max(totals.values()) + centres)
    parts = []
    hidden: tuple[str, ...] = ()
    for fabric, count in presses_per_fabric(request.presses, request.fabrics).items():
        total = totals[fabric]
        table = np.tile(classical.full_factorial(counts[fabric]), (request.replicates, 1))
        blocks, hidden = _blocks(request, counts[fabric])
        extra = centres if "centres" in request.options else min(count - total, _MOST_CENTRES)
        part = pd.DataFrame({"fabric": [fabric] * (total + extra)})
        for i, factor in enumerate(session.factors):
            corners = [levels[fabric][i][k] for k in table[:, i]]
            part[factor.name] = corners + [_centre(request, factor, fabric)] * extra
        if blocks is not None:
            turns = np.append(blocks, np.arange(extra) % len(request.blocks))
            part["block"] = [request.blocks[k] for k in turns]
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True)
    extra = len(frame) - sum(totals.values())
    text = " or ".join(dict.fromkeys(" x ".join(map(str, one)) for one in counts.values()))
    return RequestedPresses(
        frame,
        f"Every combination of {text} levels"
        + (f", {request.replicates} times" if request.replicates > 1 else "")
        + (f", with {extra} centre presses" if extra else "")
        + ".",
        (
            "Every main effect and every joint effect can be separated.",
            *block_confounding_note(session, hidden),
        ),
    )


def _requested_levels(session: Session, levels: Any) -> dict[str, Any]:
    """Return for every factor a count or a list of settings; None: all allowed words."""
    if not isinstance(levels, Mapping):
        many = fields.whole_number(levels, "full factorial", "levels", 2, 9, PlanError)
        return {f.name: many if f.is_numeric else None for f in session.factors}
    out: dict[str, Any] = {f.name: 2 if f.is_numeric else None for f in session.factors}
    for name, value in levels.items():
        factor = session.factor(name)
        if isinstance(value, (list, tuple)):
            out[factor.name] = list(value)
        else:
            most = 9 if factor.is_numeric else len(factor.levels)
            out[factor.name] = fields.whole_number(
                value, "full factorial", f"levels of {factor.name!r}", 2, most, PlanError
            )
    return out


def _settings(request: DesignRequest, factor: Factor, fabric: str, wanted: Any) -> list[Any]:
    """Return the levels of one factor on one fabric; ``PlanError`` when it has too few."""
    allowed = request.session.allowed(factor, fabric)
    if wanted is None:
        return list(allowed)
    if isinstance(wanted, list):
        return _given_levels(factor, fabric, wanted, allowed)
    if factor.is_numeric:
        found = evenly_spaced_numbers(
            request.session, factor, fabric, wanted, request.reach()
        ).tolist()
    else:
        found = evenly_chosen_words(request.session, factor, fabric, wanted)
    if len(found) < wanted:
        raise PlanError(
            f"levels of {factor.name!r} is {wanted}; on {fabric}, within reach "
            f"{request.reach():g}, "
            f"its steps give {len(found)}; ask for fewer levels, or a longer reach"
        )
    return list(found)


def _given_levels(
    factor: Factor, fabric: str, wanted: list[Any], allowed: tuple[Any, ...]
) -> list[Any]:
    if not 2 <= len(wanted) <= _MOST_LEVELS:
        raise PlanError(f"levels of {factor.name!r} has {len(wanted)} settings; give 2 or more")
    out = []
    for value in wanted:
        with fields.at(f"levels of {factor.name!r}", PlanError):
            setting = factor.snap(value)
        off = factor.is_numeric and abs(setting - float(value)) > 1e-6 * factor.grid_step
        if off or setting not in allowed or setting in out:
            near = (
                f"the nearest is {factor.format(min(allowed, key=lambda a: abs(a - float(value))))}"
                if factor.is_numeric
                else f"use {' or '.join(allowed)}"
            )
            raise PlanError(
                f"levels of {factor.name!r}: {factor.format(value)} is given twice"
                if setting in out and not off
                else f"levels of {factor.name!r}: {factor.format(value)} cannot be set for "
                f"{fabric}; {near}"
            )
        out.append(setting)
    return out


def _centre(request: DesignRequest, factor: Factor, fabric: str) -> Any:
    if not factor.is_numeric:
        return request.session.usual(factor, fabric)
    allowed = np.array(request.session.allowed(factor, fabric))
    centre = centre_of(request.session, factor, fabric, request.reach())
    return float(allowed[int(np.argmin(np.abs(allowed - centre)))])


def _blocks(request: DesignRequest, counts: list[int]) -> tuple[Any, tuple[str, ...]]:
    """Return labels of all corner presses of one fabric, and what they hide.

    None when blocks are to be balanced later.
    """
    number = len(request.blocks)
    if not number:
        return None, ()
    if request.replicates % number == 0:
        return np.repeat(np.arange(request.replicates) % number, prod(counts)), ()
    if set(counts) != {2} or not 2 <= len(counts) <= classical.MOST_IN_FRACTION:
        return None, ()
    made = classical.fraction(len(counts), runs=2 ** len(counts))
    blocked = regular_blocks(request.session, made, number, range(len(counts)))
    if blocked is None:
        return None, ()
    # The coded plan has its own row order, so find each corner by its levels.
    corners = map(tuple, (made.matrix > 0).astype(int).tolist())
    label = dict(zip(corners, blocked.labels.tolist(), strict=True))
    of_row = [label[tuple(row)] for row in classical.full_factorial(counts).tolist()]
    return np.tile(of_row, request.replicates), blocked.confounded
