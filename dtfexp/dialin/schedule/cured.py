"""The machine in hand: which settings a press still asks for, and which lie behind its coupon.

A load is printed, powdered and cured once. At its later presses those settings are facts of the
film: nothing is set for them, and the oven stands as the load cured last left it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from dtfexp.describe.session import Session

_FILM = ("print", "cure")
"""Stages that are over once the film is cured."""


def cured_fact(session: Session, row: Mapping[Any, Any]) -> str:
    """Return how the film of a press was cured: "cured in load 1 at 255 °F, 100 s"."""
    settings = [f.format(row[f.name]) for f in session.factors if f.stage == "cure"]
    at = f" at {', '.join(settings)}" if settings else ""
    return f"cured in load {int(row['oven_load'])}{at}"


def changes(
    session: Session, rows: Iterable[Mapping[Any, Any]], cured: Mapping[int, str]
) -> Iterator[dict[str, Any]]:
    """Yield for each press, in order, the settings to change, with the value before.

    ``cured``: the facts of the presses whose film was cured before (``cured_fact``).
    """
    stood: dict[str, Any] = {}
    for row in rows:
        done = _FILM if cured.get(int(row["press"])) else ()
        now = {f.name: row[f.name] for f in session.factors if f.stage not in done}
        yield {name: stood[name] for name in now if name in stood and stood[name] != now[name]}
        stood |= now
