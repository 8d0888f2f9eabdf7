"""What is said about a press, turned into the fields of an entry, or refused with the place."""

from __future__ import annotations

import numbers
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entries, typed_values
from dtfexp.describe import fields
from dtfexp.describe.errors import LogbookError, ResultsError

if TYPE_CHECKING:
    from dtfexp.describe.session import Session


def press_number(value: object) -> int:
    """``value`` as the number of a press: a whole number from 1."""
    if isinstance(value, numbers.Real) and not fields.is_flag(value):
        number = fields.as_float(value)
        if 1 <= number < 2**53 and number == int(number):
            return int(number)
    raise LogbookError(
        f"press is {fields.quoted(value)}; a press is named by its number, a whole number from 1"
    )


def entry_fields(
    session: Session,
    press: int,
    grades: Mapping[str, Any],
    defects: Iterable[str] | str | None,
    actual: Mapping[str, Any] | None,
    note: str | None,
    block: str | None,
) -> dict[str, Any]:
    """Return the fields of one entry; None takes a field back, a missing number (NaN) says nothing.

    Raises ``LogbookError`` for an outcome or factor that the session does not have and
    ``ResultsError`` for a value that it does not accept; both name the press.
    """
    place = f"press {press}"
    fields_said: dict[str, Any] = {}
    for name, value in _pairs(grades, place, "grades").items():
        outcome = _known(place, session.outcome, name)
        here, field = f"{place}, outcome {outcome.name!r}", entries.GRADE + outcome.name
        if value is None:
            fields_said[field] = None
        elif not typed_values.is_missing(value):
            fields_said[field] = _placed(here, typed_values.grade, outcome, value)
    for name, value in _pairs(actual or {}, place, "actual").items():
        factor = _known(place, session.factor, name)
        here, field = f"{place}, {factor.name!r} as reached", entries.ACTUAL + factor.name
        if value is None:
            fields_said[field] = None
        elif not typed_values.is_missing(value):
            fields_said[field] = _placed(here, typed_values.reading, factor, value)
    if defects is None:
        fields_said[entries.DEFECTS] = None
    elif found := _placed(f"{place}, defects", typed_values.defect_words, defects):
        fields_said[entries.DEFECTS] = list(found)
    for field, value in ((entries.NOTE, note), (entries.BLOCK, block)):
        if value is None:
            fields_said[field] = None
        elif result := _placed(f"{place}, {field}", typed_values.text, value, f"a {field}"):
            fields_said[field] = result
    return fields_said


def reason(press: int, value: object, why: str) -> str:
    """Return a reason in words, never empty."""
    text = _placed(f"press {press}", typed_values.one_line, value, "a reason")
    if not text:
        raise LogbookError(f"press {press}: no reason is given; say in a few words why {why}")
    return str(text)


def person(value: object) -> str:
    """Who recorded: one line, may be empty."""
    return str(_placed("by", typed_values.one_line, value, "a name"))


def entry_id(value: object) -> str:
    """Return the id that the caller made for an entry, or a new one."""
    if value is None:
        return entries.new_id()
    if isinstance(value, str) and 0 < len(value) <= 200 and value.isprintable():
        return value
    raise LogbookError(f"id is {fields.quoted(value)}; an id is one line of text, up to 200 signs")


def quantity(place: str, value: object, unit: str, low: float, high: float) -> float:
    """``value`` as a number told in ``unit``, in ``low`` … ``high``; text may say its own unit."""
    with fields.at(place, LogbookError):
        result = typed_values.number(value, unit)
    if low <= result <= high:
        return result
    accepted = f"{low:g} to {high:g} {unit}".rstrip()
    raise fields.refusal(place, value, accepted, LogbookError)


def line(place: str, value: object) -> str:
    """``value`` as one line of text, never empty."""
    with fields.at(place, LogbookError):
        text = typed_values.one_line(value, "one line of text")
    if not text:
        raise LogbookError(f"{place} is empty; give one line of text")
    return text


def day(place: str, value: object, today: date) -> str:
    """``value`` (a date, or text such as 2026-05-01) as an ISO date, not after ``today``."""
    found: date | None = None
    if isinstance(value, datetime):
        found = value.date()
    elif isinstance(value, date):
        found = value
    elif isinstance(value, str):
        try:
            found = date.fromisoformat(value.strip())
        except ValueError:
            found = None
    if found is None or found > today or found.year < 1990:
        raise fields.refusal(
            f"{place}, the date",
            value,
            f"a day up to today, year, month and day such as {today.isoformat()}",
            LogbookError,
        )
    return found.isoformat()


def moment(place: str, value: object) -> datetime:
    """``value`` as a time with its zone; ISO text is read."""
    found = value
    if isinstance(value, str):
        try:
            found = datetime.fromisoformat(value.strip())
        except ValueError:
            found = None
    if isinstance(found, datetime) and found.tzinfo is not None:
        return found
    raise fields.refusal(
        f"{place}, the time".removeprefix(", "),
        value,
        "a time with its zone, such as 2026-05-01T14:30:00+02:00",
        LogbookError,
    )


def _pairs(value: object, place: str, what: str) -> Mapping[str, Any]:
    if isinstance(value, Mapping):
        return value
    raise fields.refusal(
        f"{place}, {what}", value, 'name and value, such as {"name": 4}', LogbookError
    )


def _placed(place: str, check: Any, *arguments: object) -> Any:
    with fields.at(place, ResultsError):
        return check(*arguments)


def _known(place: str, find: Callable[[str], Any], name: object) -> Any:
    with fields.at(place, LogbookError):
        return find(name)  # type: ignore[arg-type]


def zoned(at: datetime) -> datetime:
    """Return a moment with a zone; ``LogbookError`` without one."""
    if at.tzinfo is None:
        raise LogbookError(f"the clock says {at.isoformat()} without a zone; give a zoned time")
    return at
