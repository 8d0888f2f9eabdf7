"""Warnings at the press before a mistake, and the recorded times of its steps.

The form marks steps as countdowns end and buttons are tapped. A tablet's clock may be wrong, so the
form sends how many seconds ago a step happened, and the time is the logbook's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from dtfexp.book.bench import step_clocks
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook
    from dtfexp.book.store.journal import Note

#: Buttons of the form: the step, and whether it belongs to an oven load.
BUTTONS = (("oven on", False), ("press on", False), ("printed", True), ("powdered", True))
_LONGEST_AGO = 7 * 24 * 3600.0


def warning_state(book: Logbook, press: object, now: datetime) -> dict[str, Any] | None:
    """Return the warnings against ``press`` now and the times of its steps; None without press.

    ``warnings`` has ``what``, ``says``, ``left`` (seconds until waiting suffices, or None) and
    ``overridden``; ``steps`` the steps of ``BUTTONS`` with ``step``, ``load`` and ``at`` ("" when
    never marked).
    """
    runs = book.runs()
    found = runs.loc[runs["press"] == press, "oven_load"]
    if found.empty:
        return None
    number, load = int(press), int(found.iloc[0])  # type: ignore[call-overload]
    gone_on = {note.said["warning"] for note in overrides(book, number)}
    told = [
        {
            "what": warning.what,
            "says": warning.says,
            "left": None
            if warning.clears_at is None
            else max(0.0, (warning.clears_at - now).total_seconds()),
            "overridden": warning.what in gone_on,
        }
        for warning in book.warnings(number, now)
    ]
    return {"press": number, "warnings": told, "steps": _steps(book, number, load, now)}


def overrides(book: Logbook, press: int) -> list[Note]:
    """Return the notes of every overridden warning of ``press``, in order."""
    return [note for note in book.kept(step_clocks.OVERRIDDEN) if note.said.get("press") == press]


def _steps(book: Logbook, press: int, load: int, now: datetime) -> list[dict[str, Any]]:
    last = {
        mark.step: mark.at
        for mark in step_clocks.marks(book.kept(step_clocks.STEP))
        if mark.press in (None, press) and mark.load in (None, load)
    }
    return [
        {"step": step, "load": load if of_load else None, "at": _warning_dict(last.get(step), now)}
        for step, of_load in BUTTONS
    ]


def _warning_dict(at: datetime | None, now: datetime) -> str:
    if at is None:
        return ""
    here = at.astimezone(now.tzinfo)
    return f"{here:%H:%M}" if here.date() == now.date() else f"{here:%Y-%m-%d %H:%M}"


def mark(book: Logbook, message: Mapping[str, Any], now: datetime, by: str) -> str:
    """Note the step of the form's message, with its ``ago`` seconds; return the text to show."""
    ago = message.get("ago", 0)
    if not isinstance(ago, (int, float)) or not 0 <= ago <= _LONGEST_AGO:
        raise LogbookError(f"step: it happened {fields.quoted(ago)} s ago; accepted 0 s to 7 days")
    step, load = message.get("step"), message.get("load")
    at = now - timedelta(seconds=float(ago))
    key = message.get("id")
    # A repeated message refers to the step noted the first time.
    if key not in {note.id for note in book.kept(step_clocks.STEP)}:
        book.bench.mark(str(step), press=_of(step, message), load=load, at=at, by=by, id=key)
    of = "" if load is None else f" (oven load {load})"
    return f"{step}{of} at {at:%H:%M}"


def _of(step: object, message: Mapping[str, Any]) -> object:
    """Return the press if the step belongs to one; the form always sends the open press."""
    return message.get("press") if step in step_clocks.PRESS_STEPS else None


def shown_warnings(press: Any, message: Mapping[str, Any]) -> list[step_clocks.PressWarning]:
    """Return the warnings that a message lists as shown and ``overridden`` for ``press``."""
    found = []
    for one in message.get("overridden") or ():
        if not isinstance(one, Mapping) or not one.get("what") or not one.get("says"):
            raise LogbookError(f"press {press}: {fields.quoted(one)} is no warning")
        found.append(step_clocks.PressWarning(press, str(one["what"]), str(one["says"])))
    return found


def record_override(
    book: Logbook, against: Iterable[step_clocks.PressWarning], message: Mapping[str, Any], by: str
) -> None:
    """Note that the press was made despite the warnings; a repeated message adds nothing."""
    for warning in against:
        book.bench.override(warning, by=by, id=f"{message.get('id')} {warning.what}")
