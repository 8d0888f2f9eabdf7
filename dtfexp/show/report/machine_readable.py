"""The windows for machines: ``windows.json`` and ``windows.csv``, byte-identical every time."""

from __future__ import annotations

import csv
import hashlib
import json
import math
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from io import StringIO
from typing import TYPE_CHECKING, Any

from dtfexp.book.tables import safe_text
from dtfexp.show.text.cautions import CAUTIONS
from dtfexp.show.text.edge_text import reason
from dtfexp.show.text.measured_conditions import MeasuredConditions
from dtfexp.version import __version__

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.window.window import Window
    from dtfexp.show.text.fabric_results import FabricResult
    from dtfexp.show.text.number_format import NumberFormat

SCHEMA, SCHEMA_VERSION = "dtfexp-windows", 1
CSV_HEAD = (
    "fabric", "found", "factor", "unit", "target", "low", "high",
    "core_low", "core_high", "alone_low", "alone_high",
    "margin_low_spreads", "margin_high_spreads", "stated", "pass_rate", "confidence",
    "required_pass_rate", "required_confidence", "presses", "presses_inside", "presses_at_target",
)  # fmt: skip
_LIBRARIES = ("numpy", "scipy", "pandas")


def digest(results: pd.DataFrame) -> str:
    """Return the sha256 of the checked results as CSV (UTF-8, line feed, rows by press number)."""
    ordered = results.sort_values("press", kind="stable")
    text = ordered.to_csv(index=False, lineterminator="\n")
    return hashlib.sha256(text.encode()).hexdigest()


def versions() -> dict[str, str]:
    """Return the library versions behind the numbers."""
    found = {"dtfexp": __version__}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


def as_dict(
    findings: Sequence[FabricResult],
    session: Session,
    results: pd.DataFrame,
    reading: NumberFormat,
    *,
    seeds: Sequence[int] = (),
    last_entry: str | None = None,
    measured: MeasuredConditions | None = None,
) -> dict[str, Any]:
    """Return the content of ``windows.json``; see ``windows.schema.json`` beside this file."""
    return {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "session": session.name,
        "last_entry": last_entry,
        "temperature_unit": reading.temperature,
        "factors": [
            {
                "name": factor.name,
                "stage": factor.stage,
                "unit": reading.unit(factor) if factor.is_numeric else "",
                "spread": _tidy(reading.difference(factor, factor.spread))
                if factor.is_numeric
                else None,
            }
            for factor in session.factors
        ],
        "windows": [_window(finding, session, reading) for finding in findings],
        "conditions": (measured or MeasuredConditions()).conditions(results, reading),
        "seeds": [int(seed) for seed in seeds],
        "results_sha256": digest(results),
        "versions": versions(),
        "cautions": list(CAUTIONS),
    }


def _window(finding: FabricResult, session: Session, reading: NumberFormat) -> dict[str, Any]:
    window = finding.window
    return {
        "fabric": window.fabric,
        "found": window.found,
        "target": _settings(window.target, session, reading) if window.target else None,
        "low": _ends(window.low, session, reading),
        "high": _ends(window.high, session, reading),
        "core_low": _ends(window.core_low, session, reading),
        "core_high": _ends(window.core_high, session, reading),
        "alone": {factor.name: _alone(window, factor, reading) for factor in session.factors},
        "margin_in_spreads": {factor.name: _margin(window, factor) for factor in session.factors},
        "stated": window.stated,
        "pass_rate": _tidy(window.pass_rate),
        "pass_rate_low": _tidy(finding.target.low),
        "pass_rate_high": _tidy(finding.target.high),
        "confidence": _tidy(window.confidence),
        "required_pass_rate": window.required,
        "required_confidence": window.required_confidence,
        "usual_pass_rate": _tidy(window.usual_pass_rate),
        "gain_chance": _tidy(window.gain_chance),
        "stay": window.stay,
        "reason": reason(session, window, reading),
        "presses": window.presses,
        "presses_inside": window.presses_inside,
        "presses_at_target": window.presses_at_target,
        "presses_waiting_for_grades": finding.waiting,
    }


def _ends(
    end: dict[str, Any] | None, session: Session, reading: NumberFormat
) -> dict[str, Any] | None:
    return None if end is None else _settings(end, session, reading)


def _alone(window: Window, factor: Factor, reading: NumberFormat) -> dict[str, float | None] | None:
    ends = window.alone.get(factor.name)
    if ends is None:
        return None
    low, high = (_tidy(float(reading.told(factor, end))) for end in ends)
    return {"low": low, "high": high}


def _settings(settings: dict[str, Any], session: Session, reading: NumberFormat) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for factor in session.factors:
        value = reading.told(factor, settings[factor.name])
        found[factor.name] = value if isinstance(value, str) else _tidy(value)
    return found


def _margin(window: Window, factor: Factor) -> dict[str, float | None] | None:
    margin = window.margin.get(factor.name)
    if margin is None:
        return None
    return {"low": _tidy(margin.low), "high": _tidy(margin.high)}


def _tidy(value: float) -> float | None:
    """Return a value to six decimals: finer than any dial, coarser than platform differences."""
    number = float(value)
    if not math.isfinite(number):
        return None
    return round(number, 6) + 0.0


def to_json(document: dict[str, Any]) -> str:
    """Return the document as text: UTF-8, indent 2, keys in order, final line feed."""
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def to_csv(document: dict[str, Any]) -> str:
    """Return a heading, then one row per fabric and factor; unknown cells are empty."""
    buffer = StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(CSV_HEAD)
    for window in document["windows"]:
        for factor in document["factors"]:
            name = factor["name"]
            nothing = {"low": None, "high": None}
            margin = window["margin_in_spreads"][name] or nothing
            alone = window["alone"][name] or nothing
            row = (
                window["fabric"],
                "yes" if window["found"] else "no",
                name,
                factor["unit"],
                window["target"][name] if window["target"] else None,
                window["low"][name] if window["low"] else None,
                window["high"][name] if window["high"] else None,
                window["core_low"][name] if window["core_low"] else None,
                window["core_high"][name] if window["core_high"] else None,
                alone["low"],
                alone["high"],
                margin["low"],
                margin["high"],
                window["stated"],
                window["pass_rate"],
                window["confidence"],
                window["required_pass_rate"],
                window["required_confidence"],
                window["presses"],
                window["presses_inside"],
                window["presses_at_target"],
            )
            writer.writerow([_cell(value) for value in row])
    return buffer.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    return safe_text.escape_formula(str(value))
