"""Plausibility of press readings before they are stored.

A reading in doubt (``plausible.reading_doubt``) is stored once somebody has confirmed it. The
question stays with the entry.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entries, journal, plausible, stored_plans, typed_values
from dtfexp.describe.errors import ResultsError

if TYPE_CHECKING:
    from datetime import datetime

    from dtfexp.book.store.stored_plans import Press
    from dtfexp.describe.session import Session

#: So many of the latest entries with readings are looked at: a machine is what it is today.
_LATEST = 300


@dataclass(frozen=True)
class Doubt:
    """A reading taken as it is although it is hard to believe: its factor and the question."""

    factor: str
    asked: str


def offsets(
    connection: sqlite3.Connection,
    session: Session,
    presses: Mapping[int, Press],
    but: int | None = None,
) -> dict[str, list[float]]:
    """Factor -> reached less set of the readings that the book holds, in the factor's unit.

    Readings of presses (the latest word on each; none of press ``but``), checks, and the passes of
    maps of this session's machines.
    """
    from dtfexp.book.bench import machine_readings  # numpy: a quick start does without it

    found: dict[str, list[float]] = {}
    latest: set[tuple[int, str]] = set()
    rows = connection.execute(
        "SELECT press, said FROM entries WHERE kind = ? AND said LIKE ? ORDER BY seq DESC LIMIT ?",
        (entries.RECORD, f'%"{entries.ACTUAL}%', _LATEST),
    )
    for press, said in rows:
        for field, value in json.loads(said).items():
            name = field.removeprefix(entries.ACTUAL)
            if name == field or (press, name) in latest:
                continue
            latest.add((press, name))
            set_to = presses[press].settings.get(name) if press in presses else None
            if press == but or not isinstance(value, (int, float)):
                continue
            if isinstance(set_to, (int, float)):
                found.setdefault(name, []).append(float(value) - float(set_to))
    kinds = (machine_readings.MAP, machine_readings.CHECK)
    notes = machine_readings.here(session, journal.current_notes(journal.read(connection, *kinds)))
    for note in notes:
        said, set_to = note.said, float(note.said["set"])
        reached = [said["reached"]] if note.kind == machine_readings.CHECK else said["points"]
        for one in reached:
            mean = sum(one) / len(one) if isinstance(one, list) else one
            found.setdefault(said["factor"], []).append(float(mean) - set_to)
    return found


def questions(
    connection: sqlite3.Connection, session: Session, press: int, actual: object
) -> list[dict[str, str]]:
    """Return the questions about the readings ``actual`` of ``press`` before they are stored.

    ``actual``: factor -> as typed; see ``plausible.plausibility_questions``.
    """
    presses = {one.press: one for one in stored_plans.read_presses(connection)}
    if press not in presses or not actual:
        return []
    known = offsets(connection, session, presses, but=press)
    return plausible.plausibility_questions(session, presses[press].settings, actual, known)


def believed(
    connection: sqlite3.Connection,
    session: Session,
    press: int,
    actual: object,
    accept: bool | str | Iterable[str],
) -> list[Doubt]:
    """Return the implausible readings confirmed by ``accept`` (True, or names of factors).

    Raises ``ResultsError`` with the question for any other.
    """
    taken = []
    names = [accept] if isinstance(accept, str) else accept
    for one in questions(connection, session, press, actual):
        if isinstance(names, bool):
            kept = names
        else:
            kept = one["factor"] in {session.factor(name).name for name in names}
        if not kept:
            raise ResultsError(
                f"press {press}, {one['factor']!r} as reached: {one['says']} Nothing was saved; "
                "give what was meant, or accept it if it really was so (accept=True; --accept)"
            )
        taken.append(Doubt(one["factor"], one["says"]))
    return taken


def keep(
    connection: sqlite3.Connection,
    press: int,
    entry: str,
    doubts: Iterable[Doubt],
    answer: str,
    at: datetime,
    by: str,
) -> None:
    """Keep the questions about the readings of ``entry`` beside it, with the answer."""
    for doubt in doubts:
        said = plausible.answer_said(press, entry, doubt.asked, answer)
        note = journal.Note(f"{entry} {doubt.factor}", plausible.ASKED, said, at, by)
        journal.append(connection, note)


def asked(notes: Iterable[journal.Note]) -> dict[str, str]:
    """Entry id -> the questions about its readings, each with its answer."""
    found: dict[str, list[str]] = {}
    for note in journal.current_notes(note for note in notes if note.kind == plausible.ASKED):
        # Notes of older versions name the entry in their own id only.
        entry = str(note.said.get("entry") or note.id.partition(" ")[0])
        found.setdefault(entry, []).append(f"{note.said['asked']} Answer: {note.said['answer']}")
    return {entry: " ".join(texts) for entry, texts in found.items()}


def physical(session: Session, place: str, said: Mapping[str, Any]) -> None:
    """Refuse the fields of an entry whose readings no bench can reach (``ResultsError``)."""
    for factor, value in _readings(session, said):
        try:
            plausible.physical(factor, value)
        except ResultsError as error:
            raise ResultsError(f"{place}, {factor.name!r} as reached: {error}") from None


def _readings(session: Session, said: Mapping[str, Any]) -> Iterator[tuple[Any, float]]:
    for factor in session.factors:
        value = said.get(entries.ACTUAL + factor.name)
        if factor.is_numeric and not typed_values.is_missing(value):
            yield factor, float(value)  # type: ignore[arg-type]
