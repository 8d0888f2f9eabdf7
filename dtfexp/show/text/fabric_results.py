"""All results of one fabric that the papers show, from two calls of the fit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from dtfexp.dialin.confirm import press_verdicts
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode import set_point_lines

if TYPE_CHECKING:
    from dtfexp.describe.fabric import Fabric
    from dtfexp.dialin.fit import Fit
    from dtfexp.dialin.window.window import Window


RATES = ("pass_rate", "low", "high")


class Rate(NamedTuple):
    """A pass rate with its 90 % credible bounds; shares of 1."""

    pass_rate: float
    low: float
    high: float


@dataclass(frozen=True)
class FabricResult:
    """One fabric: its window, and the pass rates behind every figure and table.

    ``curves``: factor -> rates along it through the target; ``maps``: (x, y, rates). ``presses``:
    the fabric's rows of the checked results, with ``press_rates`` (expected at their settings),
    ``verdicts`` (words of ``judged``) and ``within`` (set inside the window), row by row.
    ``at_target``: verdicts of the presses at the target. ``outlying_presses``: those with a grade
    far from its prediction (``Fit.surprises``), when asked for.
    """

    fabric: Fabric
    window: Window
    target: Rate
    usual: Rate
    usual_settings: dict[str, Any]
    curves: Mapping[str, pd.DataFrame]
    maps: Sequence[tuple[str, str, pd.DataFrame]]
    presses: pd.DataFrame
    press_rates: pd.DataFrame
    verdicts: list[str]
    within: list[bool]
    at_target: tuple[str, ...] = ()
    outlying_presses: tuple[int, ...] = ()

    @property
    def closed(self) -> bool:
        """True when the fabric cannot be pressed at all; no settings are shown then."""
        return not self.window.target

    @property
    def name(self) -> str:
        """The fabric's name."""
        return self.fabric.name

    @property
    def range_effects(self) -> dict[str, float]:
        """The change of the pass rate over the range of each setting alone, largest first."""
        found = {name: set_point_lines.range_effect(rates) for name, rates in self.curves.items()}
        return dict(sorted(found.items(), key=lambda item: -item[1]))

    @property
    def waiting(self) -> list[int]:
        """Presses with some grades, not enough for a verdict."""
        return self._presses(press_verdicts.WAITING)

    @property
    def planned(self) -> list[int]:
        """Presses without any grade yet."""
        return self._presses(press_verdicts.PLANNED)

    def _presses(self, word: str) -> list[int]:
        rows = zip(self.presses["press"], self.verdicts, strict=True)
        return [int(press) for press, verdict in rows if verdict == word]


def fabric_result(
    fit: Fit,
    fabric: str,
    *,
    pass_rate: float = 0.90,
    confidence: float | None = None,
    maps: int = set_point_lines.MOST_MAPS,
) -> FabricResult:
    """Return all that is shown of one fabric, with at most ``maps`` maps.

    The card needs no maps.
    """
    session = fit.session
    described = session.fabric(fabric)
    name = described.name
    window = fit.window(name, pass_rate=pass_rate, confidence=confidence)
    mine = fit.results[fit.results["fabric"] == name].reset_index(drop=True)
    names = [factor.name for factor in session.factors]
    asked = {"presses": mine[names]}
    usual: dict[str, Any] = {}
    if window.target:
        usual = grids.usual_set_point(session, name)
        asked |= {
            "target": pd.DataFrame([window.target])[names],
            "usual": pd.DataFrame([usual])[names],
            **{f: set_point_lines.curve_settings(session, name, f, window.target) for f in names},
        }
    first = _pass_rates_of_frames(fit, name, asked)
    curves = {f: first[f] for f in names if f in first}
    planes: dict[str, pd.DataFrame] = {}
    pairs: list[tuple[str, str]] = []
    if maps and window.target:
        pairs = set_point_lines.pairs_worth_a_map(
            session, {f: set_point_lines.range_effect(curves[f]) for f in names}, maps
        )
        settings = {
            f"{x}\n{y}": set_point_lines.map_settings(session, name, x, y, window.target)
            for x, y in pairs
        }
        planes = _pass_rates_of_frames(fit, name, settings)
    return FabricResult(
        fabric=described,
        window=window,
        target=_rate(first.get("target")),
        usual=_rate(first.get("usual")),
        usual_settings=usual,
        curves=curves,
        maps=[(x, y, planes[f"{x}\n{y}"]) for x, y in pairs],
        presses=mine,
        press_rates=first["presses"],
        verdicts=press_verdicts.verdict_of_presses(session, mine),
        within=press_verdicts.within_window(session, mine, window),
        at_target=press_verdicts.at_target(session, mine, window),
    )


def _pass_rates_of_frames(
    fit: Fit, fabric: str, parts: Mapping[str, pd.DataFrame]
) -> dict[str, pd.DataFrame]:
    """Return the pass rates of several frames of settings, from one call."""
    filled = [part for part in parts.values() if len(part)]
    if not filled:
        return {key: pd.DataFrame(columns=list(RATES), dtype=float) for key in parts}
    rates = fit.pass_rate(pd.concat(filled, ignore_index=True), fabric)
    found: dict[str, pd.DataFrame] = {}
    start = 0
    for key, part in parts.items():
        found[key] = rates.iloc[start : start + len(part)].reset_index(drop=True)
        start += len(part)
    return found


def _rate(rates: pd.DataFrame | None) -> Rate:
    if rates is None:
        return Rate(math.nan, math.nan, math.nan)
    row = rates.iloc[0]
    return Rate(float(row["pass_rate"]), float(row["low"]), float(row["high"]))
