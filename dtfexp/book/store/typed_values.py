"""One value as a person types it, on paper, in a sheet or at the press: read, or refused in words.

Every function here raises ``ResultsError`` saying the value and what is accepted; the caller puts
the place in front of it. Numbers may be numbers or text; text may carry a unit
("305 F", "12 s") and a decimal comma ("305,5"), and is never guessed at.
"""

from __future__ import annotations

import math
import numbers
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dtfexp.describe import fields, units
from dtfexp.describe.errors import ResultsError, SessionError

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.outcome import Outcome

LONGEST_TEXT = 4000

_NUMBER_AND_UNIT = re.compile(r"([+-]?[0-9.,]+(?:[eE][+-]?[0-9]{1,3})?)\s*(\D.*)?", re.DOTALL)
_MAYBE_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}([.,'’ ][0-9]{3})+")


def refusal_error(value: object, accepted: str) -> ResultsError:
    """Return the error for ``value``; the caller puts the place in front."""
    return ResultsError(f"got {fields.quoted(value)}; accepted {accepted}")


def is_missing(value: object) -> bool:
    """Return True for None, NaN, pandas' missing values, and text that says "not known yet"."""
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return True
    if isinstance(value, str):
        return " ".join(value.split()).casefold() in fields.NOT_KNOWN
    return isinstance(value, numbers.Real) and math.isnan(fields.as_float(value))


@dataclass(frozen=True)
class ParsedNumber:
    """A number as it was written: its unit, whether the writer gave that unit, its decimals."""

    number: float
    unit: str
    own_unit: bool
    decimals: int

    def in_unit(self, unit: str) -> float:
        """Return the number converted to ``unit``, a unit of the same quantity."""
        if self.unit == unit:
            return self.number
        # Nine decimals are finer than any reading, and hide the dust of the conversion.
        return round(float(units.convert(self.number, self.unit, unit)), 9)


def parse_number(value: object, unit: str = "") -> ParsedNumber:
    """Return ``value`` as a finite number in ``unit``, or in the unit that its text names."""
    wants = f"a number in {unit}" if unit else "a number"
    if isinstance(value, numbers.Real) and not fields.is_flag(value):
        result = fields.as_float(value)
        if math.isfinite(result):
            return ParsedNumber(result, unit, False, _decimals(f"{result:.12g}"))
    elif isinstance(value, str):
        match = _NUMBER_AND_UNIT.fullmatch(_single_spaced(value).replace("\u2212", "-"))
        read = fields.number_from_text(match[1]) if match else None
        if match and read is None and re.fullmatch(r"[+-]?[0-9]{1,3}(,[0-9]{3})+", match[1]):
            raise refusal_error(value, f"{wants} without a comma; this one could mean two numbers")
        if match and read is not None:
            written_in = _own_unit(value, read, match[2], unit) if match[2] else unit
            return ParsedNumber(read, written_in, bool(match[2]), _decimals(match[1]))
    raise refusal_error(value, wants)


def number(value: object, unit: str = "") -> float:
    """``value`` as a finite number told in ``unit``."""
    return parse_number(value, unit).in_unit(unit)


def whole(value: object, accepted: str) -> int:
    """``value`` as a whole number. "1.000" is refused: it may mean one or a thousand."""
    if isinstance(value, str) and _MAYBE_THOUSANDS.fullmatch(value.strip()):
        raise refusal_error(value, f"{accepted}, without a mark between its digits")
    result = number(value)
    if result != int(result):
        raise refusal_error(value, accepted)
    return int(result)


def _own_unit(value: str, read: float, said: str, unit: str) -> str:
    try:
        own = units.canonical(said)
        units.convert(read, own, unit)
    except SessionError:
        accepted = f"a number in {unit}" if unit else "a plain number"
        example = f"{read:g} {unit}".strip()
        raise refusal_error(value, f"{accepted}, such as {example}") from None
    return own


def _decimals(digits: str) -> int:
    mantissa, _, exponent = digits.replace(",", ".").casefold().partition("e")
    return len(mantissa.partition(".")[2]) - (int(exponent) if exponent else 0)


def grade(outcome: Outcome, value: object) -> float:
    """``value`` as a grade of ``outcome``; a measured one may say its unit."""
    read: object = value
    if outcome.kind == "measured" and isinstance(value, str):
        read = number(value, outcome.unit)
    try:
        return float(outcome.check(read))
    except ValueError as error:
        # The value as it was written, not as it was read.
        raise refusal_error(value, str(error).partition("; accepted ")[2]) from None


def reading(factor: Factor, value: object, unit: str | None = None) -> float | str:
    """``value`` as what was reached or set of ``factor``, told in the factor's own unit.

    A number without a unit is in ``unit``, by default the factor's own.
    """
    if not factor.is_numeric:
        if isinstance(value, str):
            for level in factor.levels:
                if level.casefold() == _single_spaced(value).casefold():
                    return level
        raise refusal_error(value, f"one of {', '.join(factor.levels)}")
    read = parse_number(value, factor.unit if unit is None else unit).in_unit(factor.unit)
    floor = units.lowest(factor.unit)
    if read < floor:
        raise refusal_error(value, f"what a press can reach, {floor:g} {factor.unit} or more")
    return read


def text(value: object, what: str) -> str:
    """``value`` as text that any sheet can hold: no control characters, tidy line ends.

    Raises ``ResultsError`` when it is not text or longer than 4000 characters.
    """
    if not isinstance(value, str):
        raise refusal_error(value, f"text, {what}")
    lines = value.replace("\r\n", "\n").replace("\r", "\n")
    kept = "".join(sign for sign in lines if sign in "\n\t" or _can_be_kept(sign)).strip()
    if len(kept) > LONGEST_TEXT:
        raise refusal_error(
            kept, f"{what} of at most {LONGEST_TEXT} characters; this one has {len(kept)}"
        )
    return kept


def _can_be_kept(sign: str) -> bool:
    # Control characters, lone surrogates and U+FFFE/U+FFFF cannot stand in a spreadsheet's XML.
    return unicodedata.category(sign) not in ("Cc", "Cs") and sign not in "\ufffe\uffff"


def one_line(value: object, what: str) -> str:
    """``value`` as one line of text."""
    return _single_spaced(text(value, what))


def defect_words(value: object) -> tuple[str, ...]:
    """Defects: several words or phrases, each once; one text may part them by ; or , or lines."""
    if isinstance(value, str):
        parts: Iterable[object] = re.split(r"[;,\n]", value)
    elif isinstance(value, Iterable):
        parts = value
    else:
        raise refusal_error(value, "a list of words, the defects")
    found: dict[str, None] = {}
    for part in parts:
        word = one_line(part, "a defect")
        if re.search(r"[;,]", word):
            raise refusal_error(word, "a defect without a comma or semicolon in it")
        if word:
            found.setdefault(word, None)
    one_line("; ".join(found), "the list of defects")
    return tuple(found)


def excluded(value: object) -> bool | str | None:
    """Yes, no or the reason why a press is left out; None when the cell says nothing."""
    try:
        answer = fields.excluded(value)
    except ValueError:
        raise refusal_error(value, fields.EXCLUDED) from None
    return one_line(answer, "a reason") if isinstance(answer, str) else answer


def _single_spaced(value: str) -> str:
    return " ".join(value.split())
