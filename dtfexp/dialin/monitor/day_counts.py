"""Checked daily counts for the watch."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import ResultsError
from dtfexp.dialin.confirm.press_verdicts import wilson_interval

_COLUMNS = ("day", "fabric", "pressed", "failed")
#: Level of the intervals of shares.
INTERVAL = 0.90


def check_day_counts(counts: pd.DataFrame, fabric: str, since: str) -> pd.DataFrame:
    """Return the counts of one fabric from the day ``since`` on, in the order of days.

    Columns ``day`` (text), ``pressed``, ``failed``, ``warm_up``, ``symptoms``, ``counted`` (bool:
    garments were pressed and the machines were not being set up), ``share`` failing with its Wilson
    interval ``low`` and ``high``. Raises ``ResultsError`` naming row and value.
    """
    if not isinstance(counts, pd.DataFrame):
        raise ResultsError(
            f"counts: got {fields.quoted(counts)}; give a DataFrame with the columns "
            f"{', '.join(_COLUMNS)}"
        )
    for column in _COLUMNS:
        if column not in counts and len(counts):
            raise ResultsError(
                f"counts: column {column!r} is missing; accepted are {', '.join(_COLUMNS)}"
            )
    rows: list[dict[str, Any]] = []
    seen: set[str] = set()
    for number, row in enumerate(counts.to_dict("records"), start=1):
        if row["fabric"] != fabric:
            continue
        day = _day(row["day"], number)
        if day in seen:
            raise ResultsError(f"counts: row {number}: {fabric} has {day} twice; one line a day")
        seen.add(day)
        pressed = fields.whole_number(
            row["pressed"], f"counts, row {number}", "pressed", 0, 1_000_000, ResultsError
        )
        failed = fields.whole_number(
            row["failed"], f"counts, row {number}", "failed", 0, pressed, ResultsError
        )
        flag = row.get("warm_up", False)
        warm_up = fields.is_flag(flag) and bool(flag)
        low, high = wilson_interval(pressed - failed, pressed, INTERVAL)
        rows.append(
            {
                "day": day, "pressed": pressed, "failed": failed, "warm_up": warm_up,
                "symptoms": row.get("symptoms", ""), "counted": pressed > 0 and not warm_up,
                "share": failed / pressed if pressed else np.nan,
                "low": 1.0 - high if pressed else np.nan, "high": 1.0 - low if pressed else np.nan,
            }
        )  # fmt: skip
    names = ["day", "pressed", "failed", "warm_up", "symptoms", "counted", "share", "low", "high"]
    frame = pd.DataFrame(rows, columns=names).sort_values("day", ignore_index=True)
    frame["counted"] = frame["counted"].astype(bool)
    kept: pd.DataFrame = frame[frame["day"] >= since].reset_index(drop=True)
    return kept


def _day(value: object, row: int) -> str:
    text = str(value).strip()
    if len(text) >= 10:
        try:
            return str(pd.Timestamp(text).date())
        except (ValueError, OverflowError):
            pass
    raise fields.refusal(
        f"counts: row {row}, day", value, "year-month-day such as 2026-05-01", ResultsError
    )
