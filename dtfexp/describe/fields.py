"""Check one field of a description: a name, a number, a count or a choice.

``place`` is the owner of the field in words ("factor 'cure time'"). Every error is one line: place,
field, value, and what is accepted.
"""

from __future__ import annotations

import difflib
import math
import numbers
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TypeGuard

from dtfexp.describe.errors import SessionError

_LONGEST_NAME = 80
_NUMBER_TEXT = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_YES = ("yes", "y", "x", "true", "1", "ja", "oui", "si", "sí")
_NO = ("no", "n", "false", "0", "none", "nein", "non", "nej", "nee", "não")
#: What people write where they know nothing yet.
NOT_KNOWN = ("", "-", "–", "—", "?", "n/a", "na", "nan")
#: What the ``excluded`` column accepts.
EXCLUDED = "yes or no (1 or 0, true or false), blank for no, or the reason in words"
# A shorter entry that is not yes or no is an unknown word or sign rather than a reason.
_SHORTEST_REASON = 5
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)


def without_underscores(name: str) -> str:
    """Return a name for display: underscores become blanks."""
    return name.replace("_", " ")


def quoted(value: object) -> str:
    """Return ``value`` for a one-line message: quoted if text, cut if long."""
    try:
        text = f"{value:g}" if isinstance(value, float) else repr(value)
    except ValueError:  # Python writes out no whole number of more than 4,300 digits
        text = "a whole number with thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."


def refusal(
    place: str, value: object, accepted: str, error: type[Exception] = SessionError
) -> Exception:
    """Return the error of every value refused: "place: got X; accepted Y"."""
    return error(f"{place}: got {quoted(value)}; accepted {accepted}")


@contextmanager
def at(place: str, error: type[Exception]) -> Iterator[None]:
    """Raise what is refused inside (``ValueError``) as ``error``, with ``place`` in front."""
    try:
        yield
    except ValueError as refused:
        raise error(f"{place}: {refused}" if place else str(refused)) from None


def is_flag(value: object) -> bool:
    """Return whether ``value`` is a Python or numpy bool, without importing numpy."""
    return isinstance(value, bool) or type(value).__name__ in ("bool_", "bool")


def name(value: object, place: str) -> str:
    """Return a checked name: one line of text, 1 to 80 characters, no control characters."""
    accepted = f"a name is one line of text, 1 to {_LONGEST_NAME} characters"
    if not isinstance(value, str):
        raise SessionError(f"{place}: name is {quoted(value)}; {accepted}")
    text = value.strip()
    if not text or len(text) > _LONGEST_NAME or not text.isprintable():
        raise SessionError(f"{place}: name is {quoted(value)}; {accepted}")
    if text[0] in "=+-@":
        # A spreadsheet would read such a heading as a formula.
        raise SessionError(
            f"{place}: name is {quoted(value)}; a name may not begin with = + - or @"
        )
    return text


def number(
    value: object,
    place: str,
    field: str,
    accepted: str = "a finite number",
    error: type[Exception] = SessionError,
) -> float:
    """Return a finite real number as a float; a bool or text is refused."""
    if is_number(value):
        return float(value)
    raise refusal(f"{place}, {field}", value, accepted, error)


def is_number(value: object) -> TypeGuard[numbers.Real]:
    """Return whether ``value`` is a finite real number; a bool and text are not."""
    return isinstance(value, numbers.Real) and not is_flag(value) and math.isfinite(as_float(value))


def as_float(value: numbers.Real) -> float:
    """Return ``value`` as a float, infinite where a whole number is larger than any float."""
    try:
        return float(value)
    except OverflowError:
        return math.inf


def spelled(given: object, known: list[str], word: str) -> str:
    """Return ``given`` as spelled in ``known``; capitals, and underscores for blanks, may differ.

    Raises ``SessionError`` with the nearest name.
    """
    by_key = {name.casefold().replace("_", " "): name for name in known}
    key = given.strip().casefold().replace("_", " ") if isinstance(given, str) else ""
    if isinstance(given, str) and (given in known or key in by_key):
        return given if given in known else by_key[key]
    hint = suggestion(given, known) if isinstance(given, str) else ""
    raise SessionError(
        f"{word} {quoted(given)} is not in this session; it has {', '.join(known)}{hint}"
    )


def one_of(value: object, words: Iterable[str], place: str) -> str:
    """Return ``value`` as spelled in ``words``, in any capitals; refuse one that is not there."""
    known = list(words)
    if isinstance(value, str):
        for word in known:
            if word.casefold() == value.strip().casefold():
                return word
    raise refusal(place, value, f"one of {', '.join(known)}")


def check_keys(table: Mapping[str, Any], known: Iterable[str], place: str) -> None:
    """Raise ``SessionError`` for a key of a table that is not known, with the nearest one."""
    known = list(known)
    for key in table:
        if key not in known:
            hint = suggestion(str(key), known)
            raise SessionError(
                f"{place}: unknown key {key!r}{hint}; known keys are {', '.join(known)}"
            )


def not_negative(value: object, place: str, field: str) -> float:
    """Return a finite number of at least 0."""
    accepted = "a number, 0 or more"
    result = number(value, place, field, accepted)
    if result < 0:
        raise refusal(f"{place}, {field}", value, accepted)
    return result


def share(value: object, place: str, field: str, accepted: str, error: type[Exception]) -> float:
    """Return a number strictly between 0 and 1."""
    result = number(value, place, field, accepted, error)
    if not 0 < result < 1:
        raise refusal(f"{place}, {field}", value, accepted, error)
    return result


def whole_number(
    value: object,
    place: str,
    field: str,
    lowest: int,
    highest: int,
    error: type[Exception] = SessionError,
) -> int:
    """Return a whole number in ``lowest`` … ``highest``; 6.0 counts as 6."""
    accepted = f"a whole number from {lowest} to {highest}"
    result = number(value, place, field, accepted, error)
    if result != int(result) or not lowest <= result <= highest:
        raise refusal(f"{place}, {field}", value, accepted, error)
    return int(result)


def flag(value: object, place: str, field: str) -> bool:
    """Return True or False; anything else, such as 1 or "yes", is refused."""
    if not is_flag(value):
        raise refusal(f"{place}, {field}", value, "true or false")
    return bool(value)


def choice(
    value: object,
    place: str,
    field: str,
    allowed: Iterable[str],
    error: type[Exception] = SessionError,
) -> str:
    """Return ``value`` if it is one of the ``allowed`` words, whatever its capitals and blanks."""
    known = list(allowed)
    if isinstance(value, str) and (word := " ".join(value.split()).casefold()) in known:
        return word
    hint = suggestion(value, known) if isinstance(value, str) else ""
    raise refusal(f"{place}, {field}", value, f"one of {', '.join(known)}{hint}", error)


def free_text(value: object, place: str, field: str) -> str:
    """Return text of any number of lines; unpaired surrogates (not storable) are refused."""
    if not isinstance(value, str) or any("\ud800" <= letter <= "\udfff" for letter in value):
        raise refusal(f"{place}, {field}", value, "text")
    return value


def yes_or_no(value: object) -> bool | None:
    """Return a plain yes or no (word, 1 or 0) as True or False; None for anything else."""
    if is_flag(value):
        return bool(value)
    word = " ".join(str(value).split()).casefold()
    figure = number_from_text(word)
    if figure is not None:
        word = f"{figure:g}"
    return True if word in _YES else False if word in _NO else None


def excluded(value: object) -> bool | str | None:
    """Return whether a press is excluded: True, False, the reason as text, or None when blank.

    Raises ``ValueError`` for anything else (:data:`EXCLUDED` lists what is accepted): a "no" in
    another language, read as a reason, would silently exclude the press.
    """
    word = " ".join(str(value).split())
    if value is None or word.casefold() in NOT_KNOWN:
        return None
    answer = yes_or_no(value)
    if answer is not None:
        return answer
    letters = sum(letter.isalpha() for letter in word)
    if not isinstance(value, str) or letters < _SHORTEST_REASON:
        raise ValueError(f"accepted {EXCLUDED}")
    return word


def suggestion(word: str, known: Iterable[str]) -> str:
    """Return a hint such as "; did you mean 'low'?", or "" when no name is near."""
    known = list(known)
    by_key = {entry.casefold(): entry for entry in known}
    found = difflib.get_close_matches(word.casefold(), list(by_key), n=1, cutoff=0.5)
    return f"; did you mean {by_key[found[0]]!r}?" if found else ""


def number_from_text(text: str) -> float | None:
    """Return the number a person typed, or None when it is ambiguous.

    "4", " 4.0 " and "3,5" (decimal comma) are read. "1,234" could be two different numbers and is
    not; neither are "1_000", "inf", "nan" or "305 F".
    """
    text = text.strip()
    if not _NUMBER_TEXT.fullmatch(text) or _MAYBE_THOUSANDS.fullmatch(text):
        return None
    result = float(text.replace(",", "."))
    return result if math.isfinite(result) else None


def int_if_whole(value: float) -> int | float:
    """Return a whole float as an int, so that files and messages show 160 and not 160.0."""
    return int(value) if value == int(value) and abs(value) < 1e15 else value


def as_tuple(
    value: Any, single: type | tuple[type, ...], place: str, field: str
) -> tuple[Any, ...]:
    """Return ``value`` as a tuple; a single item becomes a tuple of one."""
    if isinstance(value, single):
        return (value,)
    if isinstance(value, (dict, bytes)) or not isinstance(value, Iterable):
        raise refusal(f"{place}, {field}", value, "a list")
    return tuple(value)


def count_phrase(number: int, noun: str, plural: str | None = None) -> str:
    """Return the count with its noun: "1 press", "2 presses"."""
    if number == 1:
        return f"1 {noun}"
    return f"{number} {plural or noun + 's'}"


def and_list(items: list[str] | tuple[str, ...], most: int = 0, last: str = "and") -> str:
    """Return "a, b and c".

    Beyond ``most`` items the rest is counted: "a, b and 4 more". ``last`` replaces "and".
    """
    shown = list(items)
    if most and len(shown) > most:
        shown = [*shown[:most], f"{len(items) - most} more"]
    if len(shown) < 2:
        return "".join(shown)
    return ", ".join(shown[:-1]) + f" {last} " + shown[-1]
