"""The numbering of further presses, oven loads and press rounds."""

from __future__ import annotations

import pandas as pd


def next_numbers(results: pd.DataFrame) -> tuple[int, int, int]:
    """Return the next free press, oven load and press round after ``results``."""
    out = []
    for column in ("press", "oven_load", "press_round"):
        numbers = pd.to_numeric(results[column], errors="coerce").dropna()
        out.append(int(numbers.max()) + 1 if len(numbers) else 1)
    return out[0], out[1], out[2]
