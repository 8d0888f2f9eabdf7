"""The machine in hand: which settings a press still asks for, and which lie behind its coupon.

A load is printed, powdered and cured once. At its presses those settings are facts of the film:
nothing is set for them, and the oven stands as the load cured last left it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from dtfexp.describe import heat
from dtfexp.describe.factor import Factor
from dtfexp.describe.session import Session

FILM = ("print", "cure")
"""Stages that are over once the film is cured."""


def reading(session: Session, factor: Factor, value: object) -> str:
    """Return a setting as people of this session read it: temperatures in its unit."""
    return heat.setting_text(factor, value, session.temperature_unit, session.fabrics)


def film_of(session: Session, row: Mapping[Any, Any]) -> str:
    """Return a press's load and how its film is cured there: "1: 255 °F, 100 s"."""
    settings = ", ".join(
        reading(session, f, row[f.name]) for f in session.factors if f.stage == "cure"
    )
    return f"{int(row['oven_load'])}{f': {settings}' if settings else ''}"


def cured_fact(session: Session, row: Mapping[Any, Any]) -> str:
    """Return how the film of a press was cured: "cured in load 1 at 255 °F, 100 s"."""
    return f"cured in load {film_of(session, row).replace(': ', ' at ', 1)}"


def changes(session: Session, rows: Iterable[Mapping[Any, Any]]) -> Iterator[dict[str, Any]]:
    """Yield for each press, in order, the settings to change at it, with the value before."""
    stood: dict[str, Any] = {}
    for row in rows:
        now = {f.name: row[f.name] for f in session.factors if f.stage not in FILM}
        yield {name: stood[name] for name in now if name in stood and stood[name] != now[name]}
        stood = now
