"""A plan as lines of text: settings of each press, changes, and waits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.describe import heat
from dtfexp.describe.errors import DtfexpError
from dtfexp.describe.fields import without_underscores
from dtfexp.describe.tomltext import write_file
from dtfexp.dialin.schedule.cured import FILM, changes, film_of
from dtfexp.dialin.schedule.day_steps import day_steps
from dtfexp.show.paper.labels import coupon_labels_pdf
from dtfexp.show.paper.pdf_page import known_paper
from dtfexp.show.paper.run_sheet import run_sheet_pdf

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session
    from dtfexp.dialin.design.plan import Plan

CHANGED = ">"


def run_sheet(plan: Plan) -> list[str]:
    """Return a header, one line for each press with the steps before it, and a key.

    A setting to change is marked; ``min`` is the minute at which the press is due.
    """
    factors = [factor for factor in plan.session.factors if factor.stage not in FILM]
    in_blocks = "block" in plan.runs
    head = ["min", "press", "fabric", *["block"] * in_blocks, "film of load", "round",
            *(without_underscores(f.name) for f in factors)]  # fmt: skip
    rows, before_it = [], []
    records = plan.runs.to_dict("records")
    before: dict[Any, Any] = {}
    day = day_steps(plan.session, plan.runs)
    for run, change in zip(records, changes(plan.session, records), strict=True):
        press = int(run["press"])
        row = [f"{day.minute(press):.0f}", str(press), str(run["fabric"])]
        if in_blocks:
            row.append(_marked(str(run["block"]), bool(before) and before["block"] != run["block"]))
        row.append(film_of(plan.session, run))
        new = bool(before) and before["press_round"] != run["press_round"]
        row.append(_marked(str(run["press_round"]), new))
        row += [
            _marked(_setting_text(plan.session, f, run[f.name]), f.name in change) for f in factors
        ]
        rows.append(row)
        before_it.append(day.before(press))
        before = run
    top, bottom = zip(*(_two_lines(name) for name in head), strict=True)
    table = [list(top), list(bottom), *rows]
    width = [max(len(row[i]) for row in table) for i in range(len(head))]
    padded = ["  ".join(cell.ljust(w) for cell, w in zip(row, width, strict=True)).rstrip()
            for row in table]  # fmt: skip
    lines = [*padded[:2], "-" * (sum(width) + 2 * (len(width) - 1))]
    for line, first in zip(padded[2:], before_it, strict=True):
        lines += [f"{' ' * (width[0] + 2)}- {text}" for text in first]
        lines.append(line)
    key = (
        f"{CHANGED} marks a change to make at the press; - is a step before the press below it; "
        "min: minutes from switching on."
    )
    return [*lines, "", key]


def limit_notes(plan: Plan) -> list[str]:
    """Return the heat limit of each fabric of the plan, one line each."""
    pressed = [fabric for fabric in plan.session.fabrics if fabric.name in set(plan.runs["fabric"])]
    return [note for note in map(plan.session.limit_note, pressed) if note]


def refused_lines(book: Logbook) -> list[str]:
    """Return a line for each planned press that must not be made as planned, and for a hot press.

    The latter where a heat press was read hotter than allowed for.
    """
    true = book.bench.true_settings()
    refused = book.bench.refused(true.session(book.session))
    return [
        *true.hotter_lines(book.session),
        *(f"DO NOT PRESS {press} as planned: {why}." for press, why in refused.items()),
    ]


def _marked(text: str, changed: bool) -> str:
    return f"{CHANGED} {text}" if changed else f"  {text}"


def _setting_text(session: Session, factor: Factor, value: object) -> str:
    """Return a setting in its unit; temperatures in both units.

    A conveyor speed is given with the time in the heat.
    """
    text = factor.format(value)
    if dwell := session.pace.dwell_note(value, factor.unit):
        return f"{text} ({dwell})"
    if not factor.is_temperature:
        return text
    other = "°F" if factor.unit == "°C" else "°C"
    return f"{text} ({heat.setting_text(factor, value, other, session.fabrics)})"


def _two_lines(name: str) -> tuple[str, str]:
    first, _, rest = name.partition(" ")
    return ("", name) if not rest else (first, rest)


def write_sheets(book: Logbook, folder: Path, paper: str = "A4") -> list[Path]:
    """Write run-sheet.pdf, coupon-labels.pdf and the book's own export into ``folder``.

    The export's results.xlsx and results.csv have the same columns and can be imported. ``paper``:
    "A4" or "Letter". Returns the paths, papers first. Raises ``DtfexpError`` for another paper
    size, a book without presses and a folder that cannot be written.
    """
    size = known_paper(paper)
    if not len(book.runs()):
        raise DtfexpError(f"{book.path} has no presses yet; add a plan first")
    drawn = {
        "run-sheet.pdf": run_sheet_pdf(book, paper=size),
        "coupon-labels.pdf": coupon_labels_pdf(book, paper=size),
    }
    exported = book.export(folder)
    for name, content in drawn.items():
        hint = "; close it in any other program, or choose another folder"
        write_file(content, folder / name, DtfexpError, hint)
    return [*(folder / name for name in drawn), *exported]
