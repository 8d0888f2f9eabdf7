"""Latin hypercube plans: every part of every range pressed, presses far apart.

The oven's settings are drawn for loads, not for presses: a hypercube of cures, each with presses
far apart in everything else.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.errors import PlanError
from dtfexp.describe.factor import Factor
from dtfexp.dialin.design.design_family import DesignRequest, RequestedPresses
from dtfexp.dialin.design.first_look import presses_per_fabric
from dtfexp.dialin.encode.levels import within_reach
from dtfexp.maths.designs.latin_hypercube import latin_hypercube

OPTIONS = ("reach", "slow_levels", "cures", "blocks")
_SLOW_LEVELS = 5
_FEWEST_CURES = 5
_PRESSES_FOR_A_CURE = 3

Codes = NDArray[np.intp]
Allowed = Callable[[Codes], NDArray[np.bool_]]


def hypercube(request: DesignRequest) -> RequestedPresses:
    """Return presses spread over the ranges, every step (and word) about equally often.

    ``reach``: share of the half-range, default 1, the whole range. ``slow_levels``: most settings
    of a slow factor (a temperature, or hard to change), default 5: each costs a change-over.
    ``cures``: number of different cures, default a third of the presses, at least 5: each costs an
    oven load.
    """
    session = request.session
    rng = np.random.default_rng(request.seed)
    cure = [f for f in session.factors if f.stage == "cure"]
    others = [f for f in session.factors if f.stage != "cure"]
    cures = _cure_settings(request, cure, rng)
    parts = []
    for fabric, count in presses_per_fabric(request.presses, request.fabrics).items():
        if not count:
            continue
        choices = [cures, *([{f.name: v} for v in _settings(request, f, fabric)] for f in others)]
        codes = latin_hypercube(
            count,
            [len(c) for c in choices],
            rng,
            _allowed(request, fabric, choices),
            [_maximin_positions(cure, cures), *[None] * len(others)],
        )
        part = pd.DataFrame([_row(choices, code) for code in codes])
        part.insert(0, "fabric", fabric)
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True)[["fabric", *(f.name for f in session.factors)]]
    return RequestedPresses(
        frame,
        "Presses spread evenly over the ranges, as far apart as possible"
        + (f", with {len(cures)} different cures." if cure else "."),
        (
            "Each effect is estimated less precisely than in a factorial plan of this size.",
            "Many of these presses may fail: the far ends of the ranges are pressed too.",
        ),
    )


def _cure_settings(
    request: DesignRequest, cure: list[Factor], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Return different cure settings, spread over their ranges; one empty one without any."""
    usual = max(_FEWEST_CURES, -(-request.presses // _PRESSES_FOR_A_CURE))
    count = min(
        request.whole_option("cures", min(usual, request.presses), 1, request.presses),
        request.presses,
    )
    if not cure:
        return [{}]
    choices = [[{f.name: v} for v in _for_all(request, f)] for f in cure]
    codes = latin_hypercube(
        count, [len(c) for c in choices], rng, _allowed_cures(request, cure, choices)
    )
    rows = [_row(choices, code) for code in codes]
    # With fewer steps than cures some coincide: keep one of each.
    return list({tuple(row.values()): row for row in rows}.values())


def _maximin_positions(cure: list[Factor], cures: list[dict[str, Any]]) -> NDArray[np.float64]:
    """Return positions of the cures in their ranges, shape (cures, settings), from 0 to 1."""
    columns = []
    for factor in cure:
        settings = list(factor.settings())
        places = [settings.index(row[factor.name]) for row in cures]
        columns.append(np.array(places) / max(len(settings) - 1, 1))
    return np.column_stack(columns) if columns else np.zeros((len(cures), 1))


def _row(choices: list[list[dict[str, Any]]], code: Codes) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for options, k in zip(choices, code, strict=True):
        out |= options[int(k)]
    return out


def _allowed_cures(
    request: DesignRequest, cure: list[Factor], choices: list[list[dict[str, Any]]]
) -> Allowed | None:
    """Return the cures moved out of corners forbidden by the cure alone."""
    known = {f.name: f for f in cure}
    corners = [corner for corner in request.session.forbidden if set(corner.names) <= set(known)]
    if not corners:
        return None

    def forbidden(code: Codes) -> bool:
        row = _row(choices, code)
        return any(bool(corner.holds(known, row.__getitem__)) for corner in corners)

    return lambda codes: np.array([not forbidden(code) for code in codes], dtype=bool)


def _allowed(
    request: DesignRequest, fabric: str, choices: list[list[dict[str, Any]]]
) -> Allowed | None:
    session = request.session
    if not session.forbidden:
        return None
    return lambda codes: np.array(
        [session.clash(_row(choices, code), fabric) is None for code in codes], dtype=bool
    )


def _for_all(request: DesignRequest, factor: Factor) -> list[Any]:
    """Return the cure settings allowed for every fabric, as fabrics share cures."""
    within = [_within(request, factor, fabric) for fabric in request.fabrics]
    shared = [value for value in within[0] if all(value in other for other in within)]
    if not shared:
        raise PlanError(
            f"design {request.design!r} cures all fabrics alike, and no setting of {factor.name!r} "
            f"is allowed for all of {', '.join(request.fabrics)}; plan them one by one"
        )
    return _few(request, factor, shared)


def _settings(request: DesignRequest, factor: Factor, fabric: str) -> list[Any]:
    """Return the levels of a factor, evenly chosen where it is slow to change."""
    return _few(request, factor, _within(request, factor, fabric))


def _within(request: DesignRequest, factor: Factor, fabric: str) -> list[Any]:
    if not factor.is_numeric:
        return list(request.session.allowed(factor, fabric))
    found = within_reach(request.session, factor, fabric, request.reach(default=1.0))
    return [float(value) for value in found]


def _few(request: DesignRequest, factor: Factor, settings: list[Any]) -> list[Any]:
    slow = request.whole_option("slow_levels", _SLOW_LEVELS, 2, 1000)
    if not (factor.is_numeric and factor.is_slow) or len(settings) <= slow:
        return settings
    places = np.unique(np.linspace(0, len(settings) - 1, slow).round().astype(int))
    return [settings[int(k)] for k in places]
