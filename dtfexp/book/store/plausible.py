"""Whether a reading can be true, and what it means when it lies past what the fabric takes.

A reading is never corrected and never dropped here: a doubtful one is asked about at the press,
refused by ``record`` and by an import until somebody accepts it as it is, and refused by a bench
check until its unit is written. One past a fabric's limit is kept, because it happened, and its
meaning for the garment and the press is said.

A press reading is held against its set-point: far from it are five spreads of the machine, and at
least 15 °C (27 °F) or, of anything else, half the factor's range or a quarter of the setting. Once
three readings of the machine are known, it is held against what they were off by instead: far are
then six of their standard deviations or three spreads, and at least a third of that allowance.
From a third of far on, a reading is doubted only when a slip of the pen explains it. A bench
check, which is there to find how far off a machine is, may lie 30 °C (54 °F) outside the planned
range, any other half that range or a quarter of its top. All of these are common practice, no
source.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.store import entry_fields, slips, typed_values
from dtfexp.describe import fields, units
from dtfexp.describe.errors import ResultsError, SessionError

if TYPE_CHECKING:
    from dtfexp.book.store import journal
    from dtfexp.book.store.typed_values import ParsedNumber
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.session import Session

#: The kind of note that keeps a question about a reading with its answer.
ASKED = "reading asked"
_DEGREES_OUTSIDE = 30.0
_DEGREES_OFF = 15.0
#: Spreads of the machine that a reading may be off its set-point, or off what is usual with it.
_SPREADS, _SPREADS_ROUND_USUAL = 5.0, 3.0
#: Standard deviations of the machine's own readings that one may be off what is usual with it.
_DEVIATIONS = 6.0
#: So many readings of a machine make a history.
_HISTORY = 3
#: Of what is far, the part from which a slip of the pen is looked for.
_SLIP_FROM = 1 / 3
#: A reading in another unit must come so many times closer to what was set to be suggested.
_CLOSER = 4.0
#: A reading so little above a limit, in the factor's unit, is the rounding of a conversion.
_ROUNDED = 0.05
#: Lowest and highest that any bench reads, in the first unit of its kind; nothing comes near it.
_PHYSICAL = {
    "temperature": (-50.0, 600.0, "°C"),
    "time": (0.0, 86_400.0, "s"),
    "pressure": (0.0, 1000.0, "bar"),
    "speed": (0.0, 1000.0, "m/min"),
    "force": (0.0, 1e6, "N"),
    "length": (0.0, 1e5, "mm"),
    "share": (0.0, 1000.0, "%"),
}
_ANY_NUMBER = 1e9


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
            also = f" = {self.also}" if self.also else ""
            return f"{asks} Did you mean {self.meant}{also}?"
        return f"{asks} Expected here: {self.span}."

    @property
    def refusal(self) -> str:
        """The reason for refusing it where nobody can be asked, and what is accepted."""
        if self.also:
            unit = self.meant.split(" ", 1)[-1]
            accepted = f"if it is in {unit}, write '{self.meant}'"
        else:
            accepted = f"if it really was so, write the unit with it, '{self.read}'"
            if self.meant:
                accepted = f"if {self.meant} is meant, write that; {accepted}"
        return f"{self.read} is far outside {self.span} (set: {self.set_to}); {accepted}"


@dataclass(frozen=True)
class _Belief:
    """The plausible range: ``far`` to either side of ``centre``.

    A slip of the pen is looked for from ``near`` on, and suggested when it comes as close as that.
    """

    centre: float
    far: float

    @property
    def near(self) -> float:
        return _SLIP_FROM * self.far


def _belief(factor: Factor, setting: float, offsets: Sequence[float]) -> _Belief:
    low, high = factor.bounds
    if factor.is_temperature:
        least = float(units.convert_difference(_DEGREES_OFF, "°C", factor.unit))
    else:
        least = max((high - low) / 2, abs(setting) / 4)
    if len(offsets) < _HISTORY:
        return _Belief(setting, max(_SPREADS * factor.spread, least))
    usual = statistics.median(offsets)
    # The median of the deviations, times 1.4826, is the standard deviation of a normal.
    own = 1.4826 * statistics.median(abs(off - usual) for off in offsets)
    far = max(_DEVIATIONS * own, _SPREADS_ROUND_USUAL * factor.spread, least / 3)
    return _Belief(setting + usual, far)


def reading_doubt(
    factor: Factor, setting: float, given: ParsedNumber, offsets: Sequence[float] = ()
) -> ImplausibleReading | None:
    """Return the doubt about a reading of a press with numeric ``factor`` at ``setting``.

    None without a doubt.

    offsets: reached less set, of the earlier readings of the machine, in the factor's unit.
    """
    belief = _belief(factor, setting, offsets)
    read = given.in_unit(factor.unit)
    off = abs(read - belief.centre)
    if off <= belief.near:
        return None
    low, high = factor.bounds
    unit = None
    if not low <= read <= high:
        unit = _other_unit(factor, setting, given, abs(read - setting) / _CLOSER)
    # What may well be true is doubted only when a slip explains it almost to the letter.
    close = belief.near if off > belief.far else off / 8
    meant = None if unit is not None else _slip(factor, belief.centre, given, close)
    if off <= belief.far and unit is None and meant is None:
        return None
    bottom = belief.centre - belief.far
    if not factor.is_temperature:
        bottom = max(bottom, 0.0)
    return _doubt(factor, setting, given, unit, meant, (bottom, belief.centre + belief.far))


def implausible_reading(
    factor: Factor, setting: float, given: ParsedNumber
) -> ImplausibleReading | None:
    """Return the doubt about a bench check of a numeric ``factor`` at ``setting``, or None.

    Doubtful is what lies far outside the factor's range, and what lies outside it and would be
    inside it, or much closer to ``setting``, in another unit of the same kind.
    """
    low, high = factor.bounds
    read = given.in_unit(factor.unit)
    if low <= read <= high:
        return None
    spare = _spare(factor)
    unit = _other_unit(factor, setting, given, abs(read - setting) / _CLOSER)
    if low - spare <= read <= high + spare and unit is None:
        return None
    bottom = low - spare
    if not factor.is_temperature:
        bottom = max(bottom, 0.0)
    meant = None if unit is not None else _slip(factor, setting, given, spare / 3)
    return _doubt(factor, setting, given, unit, meant, (bottom, high + spare))


def _doubt(
    factor: Factor,
    setting: float,
    given: ParsedNumber,
    unit: str | None,
    slip: float | None,
    span: tuple[float, float],
) -> ImplausibleReading:
    meant = f"{_number(given.number)} {unit}" if unit else ""
    if slip is not None:
        meant = f"{_number(slip)} {given.unit}".rstrip()
    low, high = (_number(round(end, 1)) for end in span)
    return ImplausibleReading(
        read=f"{_number(given.number)} {given.unit}".rstrip(),
        meant=meant,
        also=_also(factor, given.number, unit) if unit else "",
        span=f"{low} to {high} {factor.unit}".rstrip(),
        set_to=factor.format(setting),
    )


def _slip(factor: Factor, centre: float, given: ParsedNumber, within: float) -> float | None:
    """Return the number that was meant if a slip of the pen explains this one, else None.

    Of several the one nearest to what is expected, then the most probable kind of slip.
    """
    found = [
        (abs(float(units.convert(one, given.unit, factor.unit)) - centre), rank, one)
        for rank, kind in enumerate(slips.slipped(given.number))
        for one in kind
    ]
    away, _, meant = min(found, default=(within + 1.0, 0, None))
    return meant if away <= within else None


def physical(factor: Factor, read: float) -> None:
    """Nothing for what some bench may read of ``factor``; ``ResultsError`` for anything beyond."""
    low, high, unit = _PHYSICAL.get(
        units.kind(factor.unit), (-_ANY_NUMBER, _ANY_NUMBER, factor.unit)
    )
    if low <= float(units.convert(read, factor.unit, unit)) <= high:
        return
    span = f"{_number(low)} to {_number(high)} {unit}".rstrip()
    raise typed_values.refusal_error(read, f"what a bench can reach, {span}")


def past_limit(session: Session, fabric: str, factor: Factor, read: float) -> str:
    """Return the meaning of a reading past the fabric's heat limit; "" for any other."""
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
    session: Session,
    settings: Mapping[Any, Any],
    actual: object,
    offsets: Mapping[str, Sequence[float]] | None = None,
) -> list[dict[str, str]]:
    """Return what to ask about the readings of one entry before it is saved.

    ``settings`` is what the press was set to, ``actual`` maps factors to what was typed,
    ``offsets`` factors to what earlier readings were off by (``reading_doubt``); what cannot be
    read at all is left to the entry's own check. Each question has ``factor``, ``says``, ``read``
    and ``meant``; see ``ImplausibleReading``.
    """
    asked = []
    typed_of = {
        session.factor(name).name: typed
        for name, typed in (actual.items() if isinstance(actual, Mapping) else ())
        if isinstance(name, str) and _is_factor(session, name)
    }
    for factor in session.factors:
        typed = typed_of.get(factor.name)
        if not factor.is_numeric or typed_values.is_missing(typed):
            continue
        try:
            parsed = typed_values.parse_number(typed, factor.unit)
        except ResultsError:
            continue
        earlier = (offsets or {}).get(factor.name, ())
        found = reading_doubt(factor, float(settings[factor.name]), parsed, earlier)
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


def _is_factor(session: Session, name: str) -> bool:
    try:
        session.factor(name)
    except SessionError:
        return False
    return True


def answer_said(press: int, entry: str, asked: str, answer: str) -> dict[str, Any]:
    """Return the contents of a note with the question about a press's reading and its answer."""
    place = f"press {press}"
    return {
        "press": press,
        "entry": entry,
        "asked": entry_fields.line(f"{place}, question", asked),
        "answer": entry_fields.line(f"{place}, answer", answer),
    }


def keep_answer(
    book: journal.JournalOwner, press: int, asked: str, answer: str, *, by: str = "", entry: str,
    factor: str,
) -> str:  # fmt: skip
    """Store the question about a reading in ``entry`` with its answer; return the note's id."""
    said = answer_said(press, entry, asked, answer)
    return book.keep(ASKED, said, by=by, id=f"{entry} {factor}")


def past_limits(session: Session, row: Mapping[Any, Any]) -> list[str]:
    """Return the meaning of readings past the fabric's limit in a row of ``Logbook.results``."""
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
    converted = round(units.convert(number, unit, factor.unit), places)
    return f"{_number(converted)} {factor.unit}"


def _number(value: float) -> str:
    return f"{fields.int_if_whole(round(value, 6))}"
