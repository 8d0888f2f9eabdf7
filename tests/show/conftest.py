"""Stand-ins for layout: a fit with an invented, smooth pass-rate surface and windows at will.

They have only what the papers ask of a fit. What dtfexp.fit really gives is tested end to end in
test_report_of_a_book.py.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest

from dtfexp import Fabric, Factor, Outcome, Session
from dtfexp.dialin import side_by_side
from dtfexp.dialin.encode.results import check_results
from dtfexp.dialin.window.window import Margin, Window

WHEN = datetime(2026, 11, 20, 9, 30, tzinfo=UTC)


def make_session(fabrics: list[Any] | None = None, name: str = "Autumn dial-in") -> Session:
    return Session(
        name,
        [
            Factor("cure_temperature", 110, 150, "°C", 5, "cure", True, 3, 125),
            Factor("cure_time", 30, 120, "s", 10, "cure", spread=5, usual=60),
            Factor("press_temperature", 140, 180, "°C", 5, "press", True, 4, 160),
            Factor("press_time", 5, 25, "s", 1, "press", spread=1, usual=15),
            Factor("pressure", levels=("light", "medium", "firm"), ordered=True, stage="press"),
            Factor("peel_film", levels=("hot", "cold")),
        ],
        [Outcome("peel"), Outcome("wash", washes=5)],
        fabrics or ["cotton jersey", Fabric("polyester", 165, "°C", "bleeds when hot")],
    )


def make_results(session: Session, presses: int = 12, pending: int = 0) -> pd.DataFrame:
    """Presses spread round the usual settings by a fixed rule; grades fall away from there."""
    rows = []
    for i in range(presses):
        row: dict[str, Any] = {
            "press": i + 1,
            "fabric": session.fabrics[i % len(session.fabrics)].name,
            "oven_load": i // 6 + 1,
            "press_round": i // 4 + 1,
        }
        away = 0.0
        for k, factor in enumerate(session.factors):
            if not factor.is_numeric:
                row[factor.name] = factor.levels[(i + k) % len(factor.levels)]
                continue
            low, high = factor.bounds
            shift = ((i * (k + 3)) % 7 - 3) / 8
            top = session.highest(factor, row["fabric"])
            row[factor.name] = min(factor.snap(factor.usual + shift * (high - low)), top)
            away += ((row[factor.name] - factor.usual) / (high - low)) ** 2
        for outcome in session.outcomes:
            row[outcome.name] = float(np.clip(round(5 - 6 * away), 1, 5))
        if i >= presses - pending:
            row[session.outcomes[-1].name] = np.nan
        rows.append(row)
    columns = ["press", "fabric", "oven_load", "press_round"]
    columns += [item.name for item in (*session.factors, *session.outcomes)]
    return check_results(session, pd.DataFrame(rows, columns=columns))


@dataclass
class StandInFit:
    """Answers as Fit does, from 1 - distance from the usual settings squared."""

    session: Session
    results: pd.DataFrame
    found: bool = True
    calls: list[int] = field(default_factory=list)
    _windows: dict[tuple[Any, ...], Any] = field(default_factory=dict)

    def share_of_eye(self) -> None:
        """No coupon was judged again."""

    def pass_rate(self, settings: pd.DataFrame, fabric: str) -> pd.DataFrame:
        assert list(settings.columns) == [f.name for f in self.session.factors]
        self.session.fabric(fabric)
        self.calls.append(len(settings))
        away = np.zeros(len(settings))
        for factor in self.session.factors:
            if factor.is_numeric:
                low, high = factor.bounds
                values = settings[factor.name].to_numpy(dtype=float)
                away += (2 * (values - float(factor.usual)) / (high - low)) ** 2
        rate = 0.97 * np.exp(-1.5 * away)
        return pd.DataFrame(
            {
                "pass_rate": rate,
                "low": np.clip(rate - 0.05 - 0.2 * (1 - rate), 0, 1),
                "high": np.clip(rate + 0.02 + 0.2 * (1 - rate), 0, 1),
            },
            index=settings.index,
        )

    def window(
        self, fabric: str, *, pass_rate: float = 0.9, confidence: float | None = None
    ) -> Window:
        session = self.session
        target = {f.name: f.usual for f in session.factors}
        low: dict[str, Any] = {}
        high: dict[str, Any] = {}
        margin: dict[str, Margin | None] = {}
        rows = []
        for factor in session.factors:
            name = factor.name
            if factor.is_numeric:
                step = factor.grid_step
                low[name] = float(factor.usual) - step
                high[name] = min(float(factor.usual) + 2 * step, session.highest(factor, fabric))
                unit = factor.spread or step
                margin[name] = Margin(step / unit, (high[name] - float(factor.usual)) / unit)
            else:
                low[name] = high[name] = target[name]
                margin[name] = None
                if not factor.ordered:
                    continue
            for side, looks in (("low", "under-"), ("high", "over-")):
                edge = (low if side == "low" else high)[name]
                limited = (
                    factor.is_numeric and side == "high" and edge == session.highest(factor, fabric)
                )
                rows.append(
                    {
                        "factor": name,
                        "side": side,
                        "value": edge,
                        "margin": 1.0,
                        "alone": edge if factor.is_numeric else np.nan,
                        "stopped_by": "heat limit"
                        if limited
                        else "wash"
                        if side == "low"
                        else "not known",
                        "looks": looks + ("cured" if factor.stage == "cure" else "pressed"),
                        "certainty": 0.95 if side == "low" else 0.4,
                        "advice": f"See {factor.format(edge)}.",
                    }
                )
        used = (self.results["fabric"] == fabric).sum() if len(self.results) else 0
        columns = ["factor", "side", "value", "margin", "alone", "stopped_by", "looks", "certainty"]
        return Window(
            found=self.found,
            fabric=fabric,
            target=target,
            low=low if self.found else None,
            high=high if self.found else None,
            pass_rate=0.97 if self.found else 0.71,
            confidence=0.96 if self.found else 0.3,
            margin=margin if self.found else dict.fromkeys(margin),
            reason=f"For {fabric} the best cure_temperature known is 125 °C.",
            required=pass_rate,
            required_confidence=confidence,
            edges=pd.DataFrame(rows if self.found else [], columns=[*columns, "advice"]),
            presses=int(used),
            core_low=target if self.found else None,
            core_high=target if self.found else None,
            alone={
                f.name: (low[f.name], high[f.name]) if self.found and f.is_numeric else None
                for f in session.factors
            },
            presses_inside=int(used) // 2 if self.found else 0,
            presses_at_target=1 if self.found else 0,
            pass_rate_low=0.9 if self.found else 0.5,
            usual_pass_rate=0.97 if self.found else 0.71,
            gain_chance=0.0,
            stay=True,
        )

    def shares(self, fabric: str) -> pd.DataFrame:
        names = [factor.name for factor in self.session.factors]
        columns = ["alone", "in_all", "in_all_low", "in_all_high"]
        rows = [[0.1, 0.4 / (k + 1), 0.2 / (k + 1), 0.6 / (k + 1)] for k in range(len(names))]
        return pd.DataFrame(rows, columns=columns, index=pd.Index(names, name="setting"))

    def batch_effects(self) -> pd.DataFrame:
        loads = sorted(set(self.results["oven_load"])) if len(self.results) else []
        rows = [
            ["oven load", load, 6, -0.9 if load == 2 else 0.1, -1.4, 0.3, load == 2]
            for load in loads
        ]
        columns = ["kind", "number", "presses", "effect", "low", "high", "stands_out"]
        return pd.DataFrame(rows, columns=columns)

    def check_grades(self) -> pd.DataFrame:
        columns = ["outcome", "grade", "observed", "expected", "low", "high", "as_predicted"]
        rows = [
            [outcome.name, grade, seen, 3.25, 1, 6, seen <= 6]
            for outcome in self.session.outcomes
            for grade, seen in (("4", 3), ("5", 9))
        ]
        return pd.DataFrame(rows if len(self.results) else [], columns=columns)

    def surprises(self) -> pd.DataFrame:
        columns = ["press", "fabric", "outcome", "grade", "predicted", "chance", "why"]
        outcome, fabric = self.session.outcomes[0].name, self.session.fabrics[0].name
        rows = [[7, fabric, outcome, 1.0, 5.0, 0.012, "worse than predicted"]]
        return pd.DataFrame(rows if len(self.results) > 7 else [], columns=columns)

    def failure_sides(self, settings: pd.DataFrame, fabric: str) -> pd.DataFrame:
        return pd.DataFrame({"looks": "under-cured"}, index=settings.index)

    def anova(self, outcome: str, fabric: str) -> pd.DataFrame:
        columns = ["stratum", "df", "df_error", "F", "p", "variance", "note"]
        rows = [
            ["oven load", 1, 3.5, 12.25, 0.0004, 0.07, ""],
            ["press", 1, 0, np.nan, np.nan, np.nan, "not varied"],
        ]
        names = [factor.name for factor in self.session.factors[:2]]
        return pd.DataFrame(rows[: len(names)], columns=columns, index=names)

    def describe(self) -> str:
        return "A stand-in fit, for layout only."


@pytest.fixture(autouse=True)
def no_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the papers be written by this process, which counts what the fit is asked."""
    monkeypatch.setattr(side_by_side, "_further_cores", lambda: 0)


@pytest.fixture
def session() -> Session:
    return make_session()


@pytest.fixture
def fit(session: Session) -> StandInFit:
    return StandInFit(session, make_results(session))


@pytest.fixture
def no_window(session: Session) -> StandInFit:
    return StandInFit(session, make_results(session), found=False)
