"""Latin hypercube plans: every part of every range pressed, presses far from one another."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.factor import Factor
from dtfexp.dialin.family import Asked, Wanted
from dtfexp.dialin.first_look import share_presses
from dtfexp.dialin.levels import within_reach
from dtfexp.maths.latin import latin_hypercube

OPTIONS = ("reach", "slow_levels", "blocks")
_SLOW_LEVELS = 5


def hypercube(asked: Asked) -> Wanted:
    """Presses spread over the ranges, every step (and word) of a setting about equally often.

    ``reach``: share of the half-range, default 1, the whole range. ``slow_levels``: how many
    settings a slow one (a temperature, or one marked hard to change) takes at most, default 5: each
    costs a change-over.
    """
    session = asked.session
    reach = asked.reach(default=1.0)
    slow = asked.whole("slow_levels", _SLOW_LEVELS, 2, 1000)
    rng = np.random.default_rng(asked.seed)
    parts = []
    for fabric, count in share_presses(asked.presses, asked.fabrics).items():
        settings = [_settings(asked, f, fabric, reach, slow) for f in session.factors]

        def row(code: NDArray[np.intp], settings: list[list[Any]] = settings) -> dict[str, Any]:
            pairs = zip(session.factors, settings, code, strict=True)
            return {f.name: choices[int(k)] for f, choices, k in pairs}

        def allowed(codes: NDArray[np.intp], fabric: str = fabric) -> NDArray[np.bool_]:
            return np.array([session.clash(row(code), fabric) is None for code in codes])

        codes = latin_hypercube(
            count, [len(s) for s in settings], rng, allowed if session.forbidden else None
        )
        part = pd.DataFrame(
            [row(code) for code in codes], columns=[f.name for f in session.factors]
        )
        part.insert(0, "fabric", fabric)
        parts.append(part)
    frame = pd.concat(parts, ignore_index=True)
    for factor in session.factors:
        if factor.is_numeric:
            frame[factor.name] = frame[factor.name].astype(float)
    return Wanted(
        frame,
        "Presses spread evenly over the ranges, as far from one another as they go.",
        (
            "No single effect is estimated as sharply as in a factorial plan of that size.",
            "Many of these presses may fail outright: the far ends of the ranges are pressed too.",
        ),
    )


def _settings(asked: Asked, factor: Factor, fabric: str, reach: float, slow: int) -> list[Any]:
    """The settings that stand for a factor, evenly chosen where it is slow to change."""
    if not factor.is_numeric:
        return list(factor.levels)
    settings = within_reach(factor, np.array(asked.session.allowed(factor, fabric)), reach)
    if (factor.is_temperature or factor.hard_to_change) and len(settings) > slow:
        settings = settings[np.unique(np.linspace(0, len(settings) - 1, slow).round().astype(int))]
    return [float(value) for value in settings]
