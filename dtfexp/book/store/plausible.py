"""Whether a reading can be true, and what it means when it lies past what the fabric takes.

A reading is never corrected and never dropped here: a doubtful one is asked about at the press,
named by an import, and refused by a bench check until its unit is written. One past a fabric's
limit is kept, because it happened, and its meaning for the garment and the press is said.

The allowances are common practice, no source: a machine may be 30 °C (54 °F) outside the range
that its bench plans for, any other setting half that range or a quarter of its top.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entry_fields, typed_values
from dtfexp.describe import fields, units
from dtfexp.describe.errors import ResultsError

if TYPE_CHECKING:
    from dtfexp.book.store import journal
    from dtfexp.book.store.typed_values import ParsedNumber
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

#: The kind of note that keeps a question about a reading with its answer.
ASKED = "reading asked"
_DEGREES_OUTSIDE = 30.0
#: A reading in another unit must come so many times closer to what was set to be suggested.
_CLOSER = 4.0
#: A reading so little above a limit, in the factor's unit, is the rounding of a conversion.
_ROUNDED = 0.05


@dataclass(frozen=True)
class ImplausibleReading:
    """A reading that is hard to believe.

    ``read`` is the reading with its unit, ``meant`` the same number in the unit in which it would
    be right ("165 °C"; "" when there is none), ``also`` that told in the factor's unit, ``span``
    what is believed without asking, ``set_to`` what was set.
    """

    read: str
    meant: str
    also: str
    span: str
    set_to: str

    @property
    def question(self) -> str:
        """The question for whoever typed it."""
        asks = f"{self.read}? Set is {self.set_to}."
        if self.meant:
            return f"{asks} Did you mean {self.meant} = {self.also}?"
        return f"{asks} Expected here: {self.span}."

    @property
    def refusal(self) -> str:
        """Why it is refused where nobody can be asked, and what is accepted."""
        unit = self.meant.split(" ", 1)[-1]
        accepted = (
            f"if it is in {unit}, write '{self.meant}'"
            if self.meant
            else f"if it really was so, write the unit with it, '{self.read}'"
        )
        return f"{self.read} is far outside {self.span} (set: {self.set_to}); {accepted}"


def implausible_reading(
    factor: Factor, setting: float, given: ParsedNumber
) -> ImplausibleReading | None:
    """The doubt about a reading of a numeric ``factor`` that was set to ``setting``, or None.

    Doubtful is what lies far outside the factor's range, and what lies outside it and would be
    inside it, or much closer to ``setting``, in another unit of the same kind.
    """
    low, high = factor.bounds
    read = given.in_unit(factor.unit)
    if low <= read <= high:
        return None
    spare = _spare(factor)
    far = not low - spare <= read <= high + spare
    meant = _other_unit(factor, setting, given, abs(read - setting) / _CLOSER)
    if not far and meant is None:
        return None
    bottom = low - spare
    if not factor.is_temperature:
        bottom = max(bottom, 0.0)
    span = f"{_number(bottom)} to {_number(high + spare)} {factor.unit}".rstrip()
    number = _number(given.number)
    return ImplausibleReading(
        read=f"{number} {given.unit}".rstrip(),
        meant="" if meant is None else f"{number} {meant}",
        also="" if meant is None else _also(factor, given.number, meant),
        span=span,
        set_to=factor.format(setting),
    )


def past_limit(session: Session, fabric: str, factor: Factor, read: float) -> str:
    """What a reading past the fabric's heat limit means; "" for one inside it or without one."""
    if factor.stage != "press" or not factor.is_temperature:
        return ""
    limit = session.fabric(fabric).limit_in(factor.unit)
    if limit is None or read <= limit + _ROUNDED:
        return ""
    over = f"{_number(round(read - limit, 1))} {factor.unit}"
    return (
        f"{fields.without_underscores(factor.name)} reached {factor.format(read)}, and "
        f"{fabric} takes "
        f"{factor.format(limit)} at most: {over} too hot. Look the garment over for scorch, shine "
        "and melted fibres now, for bleeding dye tomorrow, and do not sell it unseen. Measure the "
        "press before the next one."
    )


def plausibility_questions(
    session: Session, settings: Mapping[Any, Any], actual: object
) -> list[dict[str, str]]:
    """What to ask about the readings of one entry before it is saved.

    ``settings`` is what the press was set to, ``actual`` maps factors to what was typed; what
    cannot be read at all is left to the entry's own check. Each question has ``factor``,
    ``says``, ``read`` and ``meant``; see ``ImplausibleReading``.
    """
    asked = []
    for factor in session.factors:
        typed = actual.get(factor.name) if isinstance(actual, Mapping) else None
        if not factor.is_numeric or typed_values.is_missing(typed):
            continue
        try:
            told = typed_values.parse_number(typed, factor.unit)
        except ResultsError:
            continue
        found = implausible_reading(factor, float(settings[factor.name]), told)
        if found is not None:
            asked.append(
                {
                    "factor": factor.name,
                    "says": found.question,
                    "read": found.read,
                    "meant": found.meant,
                }
            )
    return asked


def keep_answer(
    book: journal.JournalOwner, press: int, asked: str, answer: str, *, by: str = "", id: str
) -> str:
    """Keep a question about a reading of ``press`` with its answer; returns the note's id."""
    place = f"press {press}"
    said = {
        "press": press,
        "asked": entry_fields.line(f"{place}, question", asked),
        "answer": entry_fields.line(f"{place}, answer", answer),
    }
    return book.keep(ASKED, said, by=by, id=id)


def past_limits(session: Session, row: Mapping[Any, Any]) -> list[str]:
    """What the readings of one row of ``Logbook.results`` mean that lie past the fabric's limit."""
    found = []
    for factor in session.factors:
        read: Any = row.get(f"{factor.name}_actual")
        if factor.is_numeric and not typed_values.is_missing(read):
            found.append(past_limit(session, row["fabric"], factor, float(read)))
    return [line for line in found if line]


def _spare(factor: Factor) -> float:
    low, high = factor.bounds
    if factor.is_temperature:
        degrees = units.convert_difference(_DEGREES_OUTSIDE, "°C", factor.unit)
        return max((high - low) / 2, degrees)
    return max((high - low) / 2, abs(high) / 4)


def _other_unit(factor: Factor, setting: float, given: ParsedNumber, within: float) -> str | None:
    kind, (low, high) = units.kind(factor.unit), factor.bounds
    found: list[tuple[float, str]] = []
    for unit in units.UNITS:
        if unit != given.unit and units.kind(unit) == kind and kind != "number":
            read = units.convert(given.number, unit, factor.unit)
            away = abs(read - setting)
            if away < within or low <= read <= high:
                found.append((away, unit))
    return min(found)[1] if found else None


def _also(factor: Factor, number: float, unit: str) -> str:
    places = 0 if factor.is_temperature else 2
    told = round(units.convert(number, unit, factor.unit), places)
    return f"{_number(told)} {factor.unit}"


def _number(value: float) -> str:
    return f"{fields.int_if_whole(round(value, 6))}"
