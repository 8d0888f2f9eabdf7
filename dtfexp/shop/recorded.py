"""What a command recorded or took back of one press, in words."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.describe.fields import and_list, quoted
from dtfexp.show.text.recorded_text import grades_and_readings

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.describe.session import Session


def row_of(book: Logbook, press: int) -> Mapping[Any, Any]:
    """Return what holds of a press: its row of ``Logbook.results``; {} of none in the book."""
    results = book.results()
    rows: list[dict[Any, Any]] = results[results["press"] == press].to_dict("records")
    return rows[0] if rows else {}


def known(session: Session, row: Mapping[Any, Any]) -> dict[str, str]:
    """Return what is known of a press by what it is of, in words; the latter by its name."""
    found = grades_and_readings(session, row)
    if row.get("defects"):
        found["defects"] = str(row["defects"])
    if row.get("note"):
        found["note"] = f"note {quoted(row['note'])}"
    return found


def replaced_line(was: Mapping[str, str], mentioned: Collection[str], undo: str) -> str:
    """Return what had been recorded of what is said now; "" where nothing was."""
    had = [words for name, words in was.items() if name in mentioned]
    if not had:
        return ""
    return (
        f"It was recorded before ({'; '.join(had)}): what is new counts, the history keeps both. "
        f"Another press meant? '{undo}'"
    )


def taken_back_line(press: int, was: Mapping[str, str], now: Mapping[str, str]) -> str:
    """Return what taking back the last entry of a press changed, and how to have it again."""
    gone = [words for name, words in was.items() if now.get(name) != words]
    back = [words for name, words in now.items() if was.get(name) != words]
    said = [f"no longer {and_list(gone)}"] if gone else []
    said += [f"again {and_list(back)}"] if back else []
    changed = f" Press {press} is {'; '.join(said)}." if said else ""
    return (
        f"The last entry of press {press} is taken back.{changed} Doing the same again restores it."
    )
