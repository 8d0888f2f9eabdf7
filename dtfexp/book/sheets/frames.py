"""The frames a logbook hands out, built from its presses and entries; nothing here is stored."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import cure_looks
from dtfexp.book.bench.asked_readings import asked
from dtfexp.book.bench.cure_looks import Look
from dtfexp.book.coupons import readings as coupons
from dtfexp.book.store import entries, imports, plausible
from dtfexp.book.store.entries import Entry
from dtfexp.book.store.imports import places
from dtfexp.book.store.journal import Note
from dtfexp.book.store.stored_plans import Press
from dtfexp.dialin.encode import cure_look

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.describe.session import Session

#: The kinds of note that ``history`` tells of.
HISTORY_NOTES = (plausible.ASKED, imports.KIND, coupons.READING)
State = Mapping[int, Mapping[str, Any]]


def runs(session: Session, presses: Sequence[Press]) -> pd.DataFrame:
    """Return the planned presses in running order: the columns of ``Plan.runs``."""
    import pandas as pd

    columns: dict[str, Any] = {
        "press": pd.Series([p.press for p in presses], dtype="int64"),
        "fabric": pd.Series([p.fabric for p in presses], dtype="object"),
        "oven_load": pd.Series([p.oven_load for p in presses], dtype="int64"),
        "press_round": pd.Series([p.press_round for p in presses], dtype="int64"),
    }
    for factor in session.factors:
        settings = [p.settings[factor.name] for p in presses]
        columns[factor.name] = pd.Series(
            settings, dtype="float64" if factor.is_numeric else "object"
        )
    taken = {outcome.name for outcome in session.outcomes}
    for name in dict.fromkeys(name for p in presses for name in p.extra):
        # A column that the entries speak for is never taken from the plan.
        if name not in (
            *taken, entries.EXCLUDED, entries.DEFECTS, entries.NOTE, cure_look.COLUMN
        ):  # fmt: skip
            columns[name] = pd.Series([p.extra.get(name) for p in presses], dtype="object")
    return pd.DataFrame(columns)


def results(
    session: Session, presses: Sequence[Press], state: State, looked: Mapping[int, Look]
) -> pd.DataFrame:
    """Return the presses with what holds of them now: one row per planned press.

    After the columns of ``runs``: one per outcome (float, NaN where not known), ``block`` where
    one was given, ``excluded`` (bool), ``cure_look`` where a load was looked at,
    ``<factor>_actual`` where any was read or a load was cured on, ``defects`` (words joined by
    "; ") and ``note``.
    """
    frame = runs(session, presses)
    said = cure_looks.with_cured(session, presses, state, looked)
    for outcome in session.outcomes:
        frame[outcome.name] = _column(said, entries.GRADE + outcome.name, numeric=True)
    if any(entries.BLOCK in fields for fields in said):
        planned = frame["block"] if "block" in frame else [None] * len(frame)
        blocks = [
            fields.get(entries.BLOCK, before) for fields, before in zip(said, planned, strict=True)
        ]
        frame["block"] = _series(["" if block is None else block for block in blocks], "object")
    frame["excluded"] = _series([entries.EXCLUDED in fields for fields in said], "bool")
    seen = {load: one.look for load, one in looked.items() if one.look}
    if seen:
        words = [seen.get(p.oven_load, "") for p in presses]
        frame[cure_look.COLUMN] = _series(words, "object")
    for factor in session.factors:
        field = entries.ACTUAL + factor.name
        if any(field in fields for fields in said):
            frame[f"{factor.name}_actual"] = _column(said, field, factor.is_numeric)
    frame["defects"] = _series(
        ["; ".join(fields.get(entries.DEFECTS, ())) for fields in said], "object"
    )
    frame["note"] = _series([fields.get(entries.NOTE, "") for fields in said], "object")
    return frame


def history(session: Session, found: Iterable[Entry], notes: Sequence[Note] = ()) -> pd.DataFrame:
    """Every entry ever made, in order of arrival, none overwritten.

    ``entry`` (its number), ``press``, ``time`` (with zone, as told by the clock at the bench),
    ``by``, ``kind``, ``source`` ("bench" or "sheet"); what it said: one column per outcome,
    ``<factor>_actual`` where any was read, ``block``, ``excluded`` (the reason), ``note``,
    ``defects``; ``taken_back`` (fields it declared not known any more) and its ``id``. ``kind`` is
    "record"; "spoiled" for a try that was made again and never counted; or "redo", from where on
    the press was made again and what stands above counts no more. ``asked`` tells what was asked
    about its readings, and the answer, ``from_file`` the file and row it came from, ``proposed``
    what pictures of the coupon had proposed for its grades; all are in ``notes``
    (``HISTORY_NOTES``).
    """
    import pandas as pd

    rows = list(found)
    said = [row.said for row in rows]
    frame = pd.DataFrame(
        {
            "entry": _series([row.seq for row in rows], "int64"),
            "press": _series([row.press for row in rows], "int64"),
            "time": _series([row.at for row in rows], "object"),
            "by": _series([row.by for row in rows], "object"),
            "kind": _series([row.kind for row in rows], "object"),
            "source": _series([row.source for row in rows], "object"),
        }
    )
    for outcome in session.outcomes:
        frame[outcome.name] = _column(said, entries.GRADE + outcome.name, numeric=True)
    for factor in session.factors:
        field = entries.ACTUAL + factor.name
        if any(field in fields for fields in said):
            frame[f"{factor.name}_actual"] = _column(said, field, factor.is_numeric)
    for field in (entries.BLOCK, entries.EXCLUDED, entries.NOTE):
        frame[field] = _series([fields.get(field) or "" for fields in said], "object")
    frame["defects"] = _series(
        ["; ".join(fields.get(entries.DEFECTS) or ()) for fields in said], "object"
    )
    frame["taken_back"] = _series(
        [
            ", ".join(_display_value(field) for field, value in fields.items() if value is None)
            for fields in said
        ],
        "object",
    )
    proposed = coupons.proposed_before(coupons.readings_of(notes), rows)
    told_of = {
        "asked": asked(notes),
        "from_file": places(notes),
        "proposed": {entry: coupons.in_words(texts) for entry, texts in proposed.items()},
    }
    for column, texts in told_of.items():
        frame[column] = _series([texts.get(row.id, "") for row in rows], "object")
    frame["id"] = _series([row.id for row in rows], "object")
    return frame


def presses_waiting(session: Session, presses: Sequence[Press], state: State) -> pd.DataFrame:
    """Return the presses that still lack a grade and are not excluded, in running order.

    ``runs`` with ``pressed`` (bool: something was recorded of it) and ``waiting_for`` (the
    outcomes not known yet).
    """
    lacking = {
        p.press: [
            outcome.name
            for outcome in session.outcomes
            if entries.GRADE + outcome.name not in state.get(p.press, {})
        ]
        for p in presses
        if entries.EXCLUDED not in state.get(p.press, {})
    }
    rows = [p for p in presses if lacking.get(p.press)]
    frame = runs(session, rows)
    frame["pressed"] = _series([bool(state.get(p.press)) for p in rows], "bool")
    frame["waiting_for"] = _series([", ".join(lacking[p.press]) for p in rows], "object")
    return frame


def plans(found: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """One row per plan: design, seed, reason, notes, presses, time, by."""
    columns = {
        "design": "object",
        "seed": "int64",
        "reason": "object",
        "notes": "object",
        "presses": "int64",
        "time": "object",
        "by": "object",
    }
    import pandas as pd

    return pd.DataFrame(
        {name: _series([row[name] for row in found], dtype) for name, dtype in columns.items()}
    )


def _display_value(field: str) -> str:
    part, _, name = field.partition("/")
    return f"{name}_actual" if part == "actual" and name else name or part


def _series(values: Sequence[Any], dtype: str) -> Any:
    import pandas as pd

    return pd.Series(values, dtype=dtype)


def _column(said: Sequence[Mapping[str, Any]], field: str, numeric: bool) -> Any:
    values = [fields.get(field) for fields in said]
    if numeric:
        return _series([float("nan") if v is None else float(v) for v in values], "float64")
    return _series(values, "object")
