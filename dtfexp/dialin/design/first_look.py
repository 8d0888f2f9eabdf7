"""The compact first look: few presses around the usual settings, near the edges.

Most corners of a wide range fail and say little about the edge, so the first presses stay close to
the usual settings: a two-level fraction with centre presses, then presses further out on
one setting at a time, then the rest of the corners.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dtfexp.describe.session import Session
from dtfexp.dialin.encode.forbidden_repair import signs_with_fewest_forbidden
from dtfexp.dialin.encode.levels import settings_from_codes
from dtfexp.dialin.encode.model_columns import FactorColumns, offset_columns
from dtfexp.maths.designs import classical

Array = NDArray[np.float64]

REACH = 0.45
AXIAL_DISTANCE = 1.8
# Of that, how far the corners of a plan stand that has no room for all of them: so few presses
# find a good place between them, not the edges.
CLOSE = 0.7


def presses_per_fabric(presses: int, fabrics: list[str]) -> dict[str, int]:
    """Presses for each fabric, as equal as they go; the first fabrics get the odd ones."""
    base, extra = divmod(presses, len(fabrics))
    return {name: base + (1 if k < extra else 0) for k, name in enumerate(fabrics)}


def first_look(session: Session, fabrics: list[str], presses: int) -> pd.DataFrame:
    """Wanted presses (fabric and factor columns), exactly ``presses`` rows, not yet in order.

    Around the usual settings, or with experience around the best ones it expects, which are then
    pressed first.
    """
    session, parts = _around_expected_best(session, fabrics), []
    for k, (fabric, count) in enumerate(presses_per_fabric(presses, fabrics).items()):
        if count:
            codes = first_look_codes(len(session.factors), count, mirror=k % 2 == 1, turn=k // 2)
            codes = signs_with_fewest_forbidden(session, [fabric], codes, REACH)
            part = settings_from_codes(session, fabric, codes, REACH)
            part.insert(0, "fabric", fabric)
            parts.append(part)
    if not parts:
        return pd.DataFrame(columns=["fabric", *(f.name for f in session.factors)])
    return pd.concat(parts, ignore_index=True)


def reason(session: Session) -> str:
    """Return what a first look is, in one sentence."""
    if session.experience is None:
        return "A compact first look around the usual settings, to see where the edges are."
    return (
        "A compact first look around the best settings that experience expects, to see where the "
        "edges are."
    )


def _around_expected_best(session: Session, fabrics: list[str]) -> Session:
    """Return the session with the target that experience alone expects as each fabric's usual."""
    if session.experience is None:
        return session
    # Imported here: a plan without experience needs no fit, which takes longer to load.
    from dtfexp.dialin.experience.expected_model import expected_model
    from dtfexp.dialin.window.find_window import window_of

    known = expected_model(session)
    moved = tuple(
        replace(one, usual=dict(window_of(known, one.name).target)) if one.name in fabrics else one
        for one in session.fabrics
    )
    return session.altered(fabrics=moved, experience=None)


def notes(session: Session, wanted: pd.DataFrame) -> tuple[str, ...]:
    """Return what a first look can and cannot tell, in plain sentences."""
    if not _main_effects_estimable(session, wanted):
        return ("So few presses tell whether the usual settings hold, not which setting matters.",)
    return (
        "No setting always changes together with another; which pairs of settings act together "
        "stays open until follow-up presses.",
        "The far ends of the ranges are not pressed yet: the window cannot reach there.",
    )


def _main_effects_estimable(session: Session, wanted: pd.DataFrame) -> bool:
    """Whether no setting stands still or always changes together with others."""
    spans = [FactorColumns.of(factor, wanted[factor.name]) for factor in session.factors]
    if not all(span.varies for span in spans):
        return False
    spans.append(offset_columns("fabric", list(dict.fromkeys(wanted["fabric"]))))
    base = np.concatenate([s.code(wanted[s.name].to_numpy()) for s in spans if s.varies], axis=1)
    with_mean = np.column_stack([np.ones(len(base)), base])
    return bool(np.linalg.matrix_rank(with_mean) == with_mean.shape[1])


def first_look_codes(factors: int, count: int, *, mirror: bool = False, turn: int = 0) -> Array:
    """``count`` coded presses: the first ones alone are a sound small plan, more only add.

    ``mirror`` takes the other half of the fraction, so that a second fabric on the same bench
    presses the corners the first one left out; ``turn`` goes on by so many times the corners that
    there is room for, where there are more.
    """
    corners = _corners(factors, count)
    if mirror and factors > 1:
        corners = corners * np.where(np.arange(factors) == factors - 1, -1.0, 1.0)
    centre = np.zeros((1, factors))
    corners = _maximin_order(corners)
    if count <= len(corners):
        corners = CLOSE * corners
    room = max(1, min(len(corners), count - 1))
    corners = np.roll(corners, -turn * room, axis=0)
    start = corners[:room]
    far = np.vstack([sign * AXIAL_DISTANCE * np.eye(factors) for sign in (1.0, -1.0)])
    far = far[np.argsort(np.tile(np.arange(factors), 2), kind="stable")]
    rows = [centre, start, centre, far, centre, corners[len(start) :]]
    plan = np.vstack(rows)
    ring = 1.0
    while len(plan) < count:
        # A very large plan: the same corners again, a little further out each time.
        ring = min(ring * 1.3, 2.0)
        plan = np.vstack([plan, ring * corners, centre])
    return np.asarray(plan[:count])


def _corners(factors: int, count: int) -> Array:
    """Corners of the two-level plan: the largest fraction that leaves room for a centre press."""
    if factors == 1:
        return np.array([[-1.0], [1.0]])
    if factors > 8:
        return np.asarray(classical.plackett_burman(factors), dtype=float)
    full = 2**factors
    if count >= full + 1 + 2 * factors or factors == 2:
        return np.asarray(classical.two_level_full(factors), dtype=float)
    runs = full // 2
    smallest = 2 ** int(np.ceil(np.log2(factors + 1)))
    while runs > max(smallest, 4) and runs + 1 > count:
        runs //= 2
    return np.asarray(classical.fraction(factors, runs=runs).matrix, dtype=float)


def _maximin_order(rows: Array) -> Array:
    """Order rows so that any first few lie far apart: opposite corners first."""
    left = list(range(len(rows)))
    chosen = [left.pop(0)]
    while left:
        gap = [min(float(np.abs(rows[i] - rows[j]).sum()) for j in chosen) for i in left]
        chosen.append(left.pop(int(np.argmax(gap))))
    return np.asarray(rows[chosen])
