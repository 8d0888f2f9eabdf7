"""A plan as lines of text: what to set for each press, and what changes since the one before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.describe.units import convert

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.dialin.plan import Plan

CHANGED = ">"


def run_sheet(plan: Plan) -> list[str]:
    """Header, one line for each press, and a key; a setting to change is marked."""
    factors = plan.session.factors
    head = ["press", "fabric", "load", "round", *(f.name.replace("_", " ") for f in factors)]
    rows = []
    before: dict[str, object] = {}
    for record in plan.runs.to_dict("records"):
        run = {str(name): value for name, value in record.items()}
        row = [str(run["press"]), str(run["fabric"])]
        row += [_marked(str(run[c]), c, run[c], before) for c in ("oven_load", "press_round")]
        row += [_marked(_told(f, run[f.name]), f.name, run[f.name], before) for f in factors]
        rows.append(row)
        before = run
    top, bottom = zip(*(_two_lines(name) for name in head), strict=True)
    table = [list(top), list(bottom), *rows]
    width = [max(len(row[i]) for row in table) for i in range(len(head))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, width, strict=True)).rstrip()
             for row in table]  # fmt: skip
    key = f"{CHANGED} marks what to change since the press before."
    return [*lines[:2], "-" * (sum(width) + 2 * (len(width) - 1)), *lines[2:], "", key]


def _marked(text: str, name: str, value: object, before: dict[str, object]) -> str:
    return f"{CHANGED} {text}" if before and before[name] != value else f"  {text}"


def _told(factor: Factor, value: object) -> str:
    """A setting in its own unit; temperatures in the other one too, for the other dial."""
    text = factor.format(value)
    if not factor.is_temperature:
        return text
    other = "°F" if factor.unit == "°C" else "°C"
    return f"{text} ({convert(float(str(value)), factor.unit, other):.0f} {other})"


def _two_lines(name: str) -> tuple[str, str]:
    first, _, rest = name.partition(" ")
    return ("", name) if not rest else (first, rest)
