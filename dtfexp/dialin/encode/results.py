"""Check a results frame and return a normalised copy for the fit.

A row is named by its position in the frame, counted from 1, and by its press number; the message
also gives the column, the value, and what is accepted.
"""

from __future__ import annotations

import math
import numbers
from collections.abc import Callable
from typing import Any

import pandas as pd

from dtfexp.describe import fields
from dtfexp.describe.errors import ResultsError, SessionError
from dtfexp.describe.factor import Factor
from dtfexp.describe.outcome import Outcome
from dtfexp.describe.session import Session
from dtfexp.dialin.encode import cure_look
from dtfexp.maths.inference.observations import BY_PICTURE, EYE_AGAIN

_LARGEST_NUMBER = 1_000_000_000
_WHOLE = "a whole number, 1 or more"
_MISSING_TYPES = ("NAType", "NaTType", "NoneType")


def check_results(session: Session, results: pd.DataFrame) -> pd.DataFrame:
    """Return a normalised copy of ``results``, which itself is not changed.

    Columns of the copy, in this order: ``press`` (int), ``fabric`` (text), ``oven_load`` and
    ``press_round`` (int), one per factor (float, or text for words), one per outcome (float, NaN
    where the grade is not known), then ``block`` (text, "" where missing), ``excluded`` (bool),
    ``cure_look`` (one of ``cure_look.LOOKS``, "" where not recorded; the same for all presses of an
    oven load), ``<outcome>_again`` and ``<outcome>_picture`` (float with NaN: a second grade of the
    same coupon, by eye or as a picture proposed) and ``<factor>_actual`` (float with NaN, or text
    with None) as far as they are given, then every unknown column unchanged. Rows keep their order
    and are numbered from 0.

    * ``fabric`` may be absent when the session has one fabric;
    * without ``oven_load`` or ``press_round``, or where one is blank, a press is its own load or
      round;
    * settings may lie outside the session's range, but must be finite numbers or known words;
    * a frame without rows is accepted, with or without columns.

    Raises ``ResultsError``, a ``ValueError``, for anything that cannot be a result.
    """
    if not isinstance(results, pd.DataFrame):
        raise ResultsError(
            f"results: got {fields.quoted(results)}; give a pandas DataFrame, one row per press"
        )
    _check_columns(session, results)
    rows = _CellReader(results)
    checked: dict[str, pd.Series[Any]] = {}
    presses = rows.read("press", _whole, _WHOLE)
    rows.presses = presses
    _check_duplicates(rows, presses)
    checked["press"] = pd.Series(presses, dtype="int64")
    checked["fabric"] = pd.Series(_fabrics(session, rows), dtype="object")
    for column in ("oven_load", "press_round"):
        checked[column] = pd.Series(_groups(rows, column), dtype="int64")
    for factor in session.factors:
        checked[factor.name] = _settings(rows, factor, factor.name, required=True)
    for outcome in session.outcomes:
        grades = rows.read(
            outcome.name, outcome.check, f"{outcome.accepted}, or blank when not known yet", None
        )
        checked[outcome.name] = pd.Series(grades, dtype="float64")
    if "block" in rows.columns:
        checked["block"] = pd.Series(rows.read("block", _label, "a short text", ""), dtype="object")
    if "excluded" in rows.columns:
        flags = rows.read(
            "excluded", lambda cell: bool(fields.excluded(cell)), fields.EXCLUDED, False
        )
        checked["excluded"] = pd.Series(flags, dtype="bool")
    if cure_look.COLUMN in rows.columns:
        cells = rows.read(cure_look.COLUMN, cure_look.parse_look, cure_look.ACCEPTED, "")
        loads = list(checked["oven_load"])
        cells = cure_look.one_per_load(cells, loads, presses)
        checked[cure_look.COLUMN] = pd.Series(cells, dtype="object")
    for _, outcome, column in second_grades(session):
        if column in rows.columns:
            grades = rows.read(column, outcome.check, f"{outcome.accepted}, or blank", None)
            checked[column] = pd.Series(grades, dtype="float64")
    for factor in session.factors:
        column = f"{factor.name}_actual"
        if column in rows.columns:
            checked[column] = _settings(rows, factor, column, required=False)
    known = pd.DataFrame(checked)
    unknown = list(dict.fromkeys(label for label in results.columns if label not in checked))
    if not unknown:
        return known
    return pd.concat([known, results[unknown].reset_index(drop=True)], axis=1)


def second_grades(session: Session) -> list[tuple[int, Outcome, str]]:
    """Return each judgement, outcome and column that second grades of coupons may have.

    A measured value is no judgement, and a name that the session uses itself is left to it.
    """
    own = {noun.name for nouns in (session.factors, session.outcomes) for noun in nouns}
    return [
        (judgement, outcome, outcome.name + ending)
        for judgement, ending in ((EYE_AGAIN, "_again"), (BY_PICTURE, "_picture"))
        for outcome in session.outcomes
        if outcome.kind != "measured" and outcome.name + ending not in own
    ]


class _CellReader:
    """The frame being read cell by cell, with names of its rows for errors."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame
        self.count = len(frame)
        self.columns = set(frame.columns)
        self.presses: list[Any] = []

    def read(
        self,
        column: str,
        reader: Callable[[Any], Any],
        accepted: str,
        blank: Any = ...,
    ) -> list[Any]:
        """Return every cell of ``column`` through ``reader``; ``blank`` replaces an empty cell.

        Without ``blank`` an empty cell is an error, as is anything the reader refuses
        (``ValueError``). A frame without rows may lack the column.
        """
        if self.count == 0:
            return []
        values = []
        for position, cell in enumerate(self.frame[column].tolist()):
            if is_blank(cell):
                if blank is ...:
                    raise self.error(position, column, "blank", accepted)
                values.append(blank)
                continue
            try:
                values.append(reader(cell))
            except ValueError:
                raise self.error(position, column, fields.quoted(cell), accepted) from None
        return values

    def error(self, position: int, column: str, value: str, accepted: str) -> ResultsError:
        row = f"row {position + 1}"
        if position < len(self.presses):
            row += f" (press {self.presses[position]})"
        return ResultsError(f"{row}, column {column!r}: got {value}; accepted {accepted}")


def is_blank(cell: object) -> bool:
    """Return whether a cell is empty: None, NaN, NaT, pandas' NA, or blank text."""
    if isinstance(cell, str):
        return not cell.strip()
    if type(cell).__name__ in _MISSING_TYPES:
        return True
    return isinstance(cell, numbers.Real) and math.isnan(cell)


def _check_columns(session: Session, results: pd.DataFrame) -> None:
    labels = list(results.columns)
    names = [factor.name for factor in session.factors]
    names += [outcome.name for outcome in session.outcomes]
    ours = ["press", "fabric", "oven_load", "press_round", *names, "block", "excluded"]
    ours.append(cure_look.COLUMN)
    ours += [column for _, _, column in second_grades(session)]
    for label in [*ours, *(f"{factor.name}_actual" for factor in session.factors)]:
        if labels.count(label) > 1:
            raise ResultsError(f"column {label!r} appears twice; keep one of them")
    if len(results) == 0:
        return
    required = ["press", *names]
    if len(session.fabrics) > 1:
        required.insert(1, "fabric")
    for column in required:
        if column not in labels:
            spare = [label for label in labels if isinstance(label, str) and label not in ours]
            hint = fields.suggestion(column, spare).replace("did you mean", "is it the one named")
            outcome = column in [item.name for item in session.outcomes]
            more = ", its cells left blank where the grade is not known yet" if outcome else ""
            raise ResultsError(
                f"column {column!r} is missing; the results need a column of exactly that name"
                f"{more}{hint}"
            )


def _check_duplicates(rows: _CellReader, presses: list[int]) -> None:
    first: dict[int, int] = {}
    for position, press in enumerate(presses):
        if press in first:
            raise rows.error(
                position,
                "press",
                f"{press}, already used in row {first[press] + 1}",
                "each press number once",
            )
        first[press] = position


def _fabrics(session: Session, rows: _CellReader) -> list[str]:
    names = [fabric.name for fabric in session.fabrics]
    if "fabric" not in rows.columns:
        return [names[0]] * rows.count
    # With one fabric a blank cell is unambiguous; with several it is an error.
    blank = names[0] if len(names) == 1 else ...
    accepted = f"one of {', '.join(names)}"
    return rows.read("fabric", lambda cell: session.fabric(cell).name, accepted, blank)


def _groups(rows: _CellReader, column: str) -> list[int]:
    """Return load or round numbers; a press without one gets a new number."""
    if column in rows.columns:
        numbers = rows.read(column, _whole, f"{_WHOLE}, or blank", None)
    else:
        numbers = [None] * rows.count
    fresh = max((number for number in numbers if number is not None), default=0)
    for position, number in enumerate(numbers):
        if number is None:
            fresh += 1
            numbers[position] = fresh
    return numbers


def _settings(rows: _CellReader, factor: Factor, column: str, required: bool) -> pd.Series[Any]:
    blank = ... if required else None
    if not factor.is_numeric:
        accepted = f"one of {', '.join(factor.levels)}"
        words = rows.read(column, factor.snap, accepted, blank)
        return pd.Series(words, dtype="object")
    accepted = f"a number{f' in {factor.unit}' if factor.unit else ''}"
    return pd.Series(rows.read(column, _number, accepted, blank), dtype="float64")


def _number(cell: object) -> float:
    if isinstance(cell, str):
        number = fields.number_from_text(cell)
        if number is None:
            raise ValueError(cell)
        return number
    return fields.number(cell, "", "")


def _whole(cell: object) -> int:
    number = _number(cell)
    if number != int(number) or not 1 <= number <= _LARGEST_NUMBER:
        raise ValueError(cell)
    return int(number)


def _label(cell: object) -> str:
    """Return a block label as text, so that lot 3, 3.0 and "3" are one lot."""
    if isinstance(cell, str):
        return cell.strip()
    try:
        return f"{fields.int_if_whole(fields.number(cell, '', ''))}"
    except SessionError:
        return str(cell)


def next_numbers(results: pd.DataFrame) -> tuple[int, int, int]:
    """Return the next free press, oven load and press round after ``results``."""
    out = []
    for column in ("press", "oven_load", "press_round"):
        numbers = pd.to_numeric(results[column], errors="coerce").dropna()
        out.append(int(numbers.max()) + 1 if len(numbers) else 1)
    return out[0], out[1], out[2]
