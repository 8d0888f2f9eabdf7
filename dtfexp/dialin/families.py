"""Classical families of plans, scaled to the bench, and what they can and cannot tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe.errors import PlanError
from dtfexp.describe.session import Session
from dtfexp.dialin.first_look import REACH, share_presses
from dtfexp.dialin.levels import settings_from_codes
from dtfexp.maths import designs

Made = tuple[pd.DataFrame, str, tuple[str, ...]]
_MOST_CENTRES = 4


def no_options(design: str, options: dict[str, Any], known: tuple[str, ...] = ()) -> None:
    """Raise ``PlanError`` for an option the design does not have."""
    for name in options:
        if name not in known:
            accepted = f"it takes {', '.join(known)}" if known else "it takes no options"
            raise PlanError(f"design {design!r} has no option {name!r}; {accepted}")


def full_factorial(
    session: Session, fabrics: list[str], presses: int, options: dict[str, Any]
) -> Made:
    """Every combination of ``levels`` levels (words: all of them), with centre presses to spare."""
    no_options("full factorial", options, ("levels", "reach"))
    levels = options.get("levels", 2)
    if isinstance(levels, bool) or not isinstance(levels, int) or not 2 <= levels <= 9:
        raise PlanError(f"levels is {levels!r}; give a whole number from 2 to 9")
    counts = [levels if f.is_numeric else len(f.levels) for f in session.factors]
    total = int(np.prod(counts, dtype=float))
    _must_fit("full factorial", total, fabrics, presses)
    table = np.asarray(designs.full_factorial(counts), dtype=float)
    coded = np.column_stack([2.0 * table[:, i] / (n - 1) - 1.0 for i, n in enumerate(counts)])
    wanted = _for_fabrics(session, fabrics, presses, coded, _reach(options))
    places = np.tile(table, (len(fabrics), 1)).astype(int)
    for i, factor in enumerate(session.factors):
        if not factor.is_numeric:
            # Words take part as they are: every one of them, not only the usual and one other.
            rows = wanted["_corner"] >= 0
            word = [factor.levels[k] for k in places[:, i]]
            wanted.loc[rows, factor.name] = word
    extra = len(wanted) - total * len(fabrics)
    return (
        wanted.drop(columns="_corner"),
        f"Every combination of {' x '.join(map(str, counts))} levels"
        + (f", with {extra} centre presses" if extra else "")
        + ".",
        ("Every setting's own effect and every joint effect can be told apart.",),
    )


def fraction(session: Session, fabrics: list[str], presses: int, options: dict[str, Any]) -> Made:
    """A regular two-level fraction of minimum aberration, with centre presses to spare."""
    no_options("fraction", options, ("resolution", "runs", "reach"))
    k = len(session.factors)
    if not 2 <= k <= 8:
        raise PlanError(
            f"a fraction takes 2 to 8 factors and the session has {k}; use design 'auto'"
        )
    resolution, runs = options.get("resolution"), options.get("runs")
    each = presses // len(fabrics)
    try:
        if runs is None and resolution is None:
            runs = max((r for r in (4, 8, 16, 32, 64, 128, 256) if r <= min(each, 2**k)), default=4)
        made = designs.fraction(k, runs=runs, resolution=resolution)
    except ValueError as error:
        raise PlanError(f"fraction of {k} factors: {error}") from None
    matrix = np.asarray(made.matrix, dtype=float)
    _must_fit("fraction", len(matrix), fabrics, presses)
    wanted = _for_fabrics(session, fabrics, presses, matrix, _reach(options))
    letters = {chr(65 + i): f.name for i, f in enumerate(session.factors)}
    return (
        wanted.drop(columns="_corner"),
        f"A two-level fraction of {len(matrix)} presses for each fabric"
        + (f", resolution {made.resolution}" if made.resolution else "")
        + ".",
        _alias_notes(made, letters),
    )


def auto_notes(session: Session, wanted: pd.DataFrame) -> tuple[str, ...]:
    """What a first look can and cannot tell, in plain sentences."""
    if len(wanted) < len(session.factors) + 1:
        return ("So few presses tell whether the usual settings hold, not which setting matters.",)
    return (
        "Each setting's own effect shows; which pairs of settings act together stays open until "
        "follow-up presses.",
        "The far ends of the ranges are not pressed yet: the window cannot reach there.",
    )


def _must_fit(design: str, each: int, fabrics: list[str], presses: int) -> None:
    needed = each * len(fabrics)
    if needed > presses:
        raise PlanError(
            f"design {design!r} needs {needed} presses ({each} for each of {len(fabrics)} "
            f"fabrics) and presses is {presses}; allow {needed} or more, name fewer fabrics, or "
            "use design 'auto'"
        )


def _reach(options: dict[str, Any]) -> float:
    reach = options.get("reach", REACH)
    if isinstance(reach, bool) or not isinstance(reach, (int, float)) or not 0 < reach <= 1:
        raise PlanError(
            f"reach is {reach!r}; give a number above 0 and up to 1 (1: the ends of the range)"
        )
    return float(reach)


def _for_fabrics(
    session: Session, fabrics: list[str], presses: int, coded: Any, reach: float
) -> pd.DataFrame:
    parts = []
    for fabric, count in share_presses(presses, fabrics).items():
        centres = min(count - len(coded), _MOST_CENTRES)
        codes = np.vstack([coded, np.zeros((max(centres, 0), coded.shape[1]))])
        part = settings_from_codes(session, fabric, codes, reach)
        part.insert(0, "fabric", fabric)
        part["_corner"] = np.where(np.arange(len(codes)) < len(coded), np.arange(len(codes)), -1)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _alias_notes(made: designs.Fraction, letters: dict[str, str]) -> tuple[str, ...]:
    """The alias structure in the shop's own words."""

    def spoken(effect: str) -> str:
        names = [letters.get(letter, letter) for letter in effect]
        return names[0] if len(names) == 1 else " with ".join(names)

    notes = []
    told: set[str] = set()
    for effect, others in made.aliases(max_order=2).items():
        if others and effect not in told:
            told |= {effect, *others}
            listed = "; ".join(spoken(o) for o in others)
            notes.append(f"Cannot be told apart: {spoken(effect)} | {listed}.")
    return tuple(notes) or ("All effects of one and of two settings can be told apart.",)
