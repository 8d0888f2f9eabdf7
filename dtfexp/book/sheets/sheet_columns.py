"""The headings of a sheet: which column is what, however it was spelt."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dtfexp.book.tables import safe_text, sheet_table, workbook_table
from dtfexp.describe import fields, units
from dtfexp.describe.errors import ResultsError, SessionError
from dtfexp.dialin.encode import cure_look

if TYPE_CHECKING:
    from dtfexp.describe.factor import Factor
    from dtfexp.describe.outcome import Outcome
    from dtfexp.describe.session import Session

PRESS, FABRIC, LOAD, ROUND = "press", "fabric", "oven_load", "press_round"
SETTING, ACTUAL, GRADE = "setting", "actual", "grade"
BLOCK, EXCLUDED, REASON = "block", "excluded", "excluded_reason"
DEFECTS, NOTE, BY, BOOK_ENTRY = "defects", "note", "by", "book_entry"
LOOK = cure_look.COLUMN

#: The columns that every session has, with the other headings a shop may give them.
_OWN: dict[str, tuple[str, ...]] = {
    PRESS: ("press", "press number", "press no", "press no.", "press #", "coupon"),
    FABRIC: ("fabric",),
    LOAD: ("oven_load", "load"),
    ROUND: ("press_round", "round"),
    BLOCK: ("block",),
    EXCLUDED: ("excluded", "spoiled"),
    REASON: ("excluded_reason",),
    DEFECTS: ("defects", "defect"),
    LOOK: (LOOK, "look", "look of the cure", "powder side"),
    NOTE: ("note", "notes", "remark", "remarks", "comment", "comments"),
    BY: ("by",),
    BOOK_ENTRY: ("book_entry",),
}
_BRACKET = re.compile(r"\s*[(\[]([^()\[\]]*)[)\]]\s*")


@dataclass(frozen=True)
class Column:
    """One known column: its place (from 0), what it is, and for a number the unit it is in."""

    index: int
    what: str
    heading: str
    name: str = ""
    unit: str = ""


class Headings:
    """Every heading that a session understands."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._exact: dict[str, tuple[str, str]] = {}
        self._loose: dict[str, tuple[str, str]] = {}
        for factor in session.factors:
            self._learn(f"{factor.name}_actual", (ACTUAL, factor.name))
            self._learn(factor.name, (SETTING, factor.name))
        for outcome in session.outcomes:
            self._learn(outcome.name, (GRADE, outcome.name))
        for what, spellings in _OWN.items():
            for spelling in spellings:
                self._learn(spelling, (what, ""))

    def _learn(self, heading: str, target: tuple[str, str]) -> None:
        # The session's own names come first: a factor called "load" is that factor.
        self._exact.setdefault(heading.casefold(), target)
        self._loose.setdefault(_normalised_heading(heading), target)

    def find(self, heading: object) -> tuple[tuple[str, str], str | None] | None:
        """Return the meaning of ``heading`` and the text of its bracket, or None when not known."""
        if not isinstance(heading, str):
            return None
        text = safe_text.unescape_formula(" ".join(unicodedata.normalize("NFKC", heading).split()))
        for spelling, bracket in _spellings(text):
            target = self._exact.get(spelling.casefold()) or self._loose.get(
                _normalised_heading(spelling)
            )
            if target:
                return target, bracket
        return None

    def recognise(self, cells: Sequence[Any]) -> int:
        """How many of ``cells`` are known headings; a press column counts for three."""
        found = {match[0] for match in map(self.find, cells) if match}
        return len(found) + (2 if (PRESS, "") in found else 0)

    def read(self, file: str, row: int, cells: Sequence[Any]) -> tuple[list[Column], list[str]]:
        """Return the known columns of a heading row, and the headings that are not known.

        Raises ``ResultsError`` for no ``press`` column, nothing to import, one column twice, a
        heading that looks like a misspelt one, and a unit that does not fit.
        """
        found: dict[tuple[str, str], Column] = {}
        strange: list[tuple[int, str]] = []
        for index, heading in enumerate(cells):
            if sheet_table.is_blank(heading):
                continue
            place = f"{file}, row {row}, column {index + 1}"
            match = self.find(heading)
            if match is None:
                strange.append((index, workbook_table.shown(heading)))
                continue
            target, bracket = match
            if target in found:
                raise ResultsError(
                    f"{place}: the heading {heading!r} means the same as "
                    f"{found[target].heading!r}, which stands there already; keep one of them"
                )
            unit = self._unit(place, str(heading), target, bracket)
            found[target] = Column(index, target[0], str(heading).strip(), target[1], unit)
        self._check_strange(file, row, found, strange)
        if (PRESS, "") not in found:
            raise ResultsError(
                f"{file}, row {row}: no column 'press' (the number of the test press); the "
                f"headings are {fields.quoted([name for _, name in strange] or list(cells))}"
            )
        if not any(
            what in (GRADE, ACTUAL, DEFECTS, NOTE, EXCLUDED, BLOCK, LOOK) for what, _ in found
        ):
            outcomes = ", ".join(outcome.name for outcome in self.session.outcomes)
            raise ResultsError(
                f"{file}, row {row}: no column with a grade; accepted are the headings {outcomes}"
            )
        return list(found.values()), [name for _, name in strange]

    def _unit(self, place: str, heading: str, target: tuple[str, str], bracket: str | None) -> str:
        described: Factor | Outcome
        if target[0] in (SETTING, ACTUAL):
            described = self.session.factor(target[1])
        elif target[0] == GRADE:
            described = self.session.outcome(target[1])
        else:
            return ""
        if not bracket:
            return described.unit
        try:
            unit = units.canonical(bracket)
            units.convert(0.0, unit, described.unit)
        except SessionError:
            if target[0] == GRADE and not described.unit:
                return ""  # "peel (1 to 5)": the bracket is no unit
            raise ResultsError(
                f"{place}: the heading {heading!r} has the unit {bracket!r}; accepted is "
                f"{described.unit or 'no unit'}, or another of the same quantity"
            ) from None
        return unit

    def _check_strange(
        self,
        file: str,
        row: int,
        found: dict[tuple[str, str], Column],
        strange: list[tuple[int, str]],
    ) -> None:
        for index, heading in strange:
            near = self._misspelt(heading, found)
            if near:
                raise ResultsError(
                    f"{file}, row {row}, column {index + 1}: the heading {heading!r} is not "
                    f"known; accepted is {near!r} if that is meant, else give it a name that is "
                    "less alike"
                )

    def _misspelt(self, heading: str, found: dict[tuple[str, str], Column]) -> str | None:
        """Return the known heading most similar to ``heading``, unless that one is in the sheet."""
        missing: dict[str, str] = {}
        for spelling, target in self._exact.items():
            if target not in found:
                missing.setdefault(_normalised_heading(spelling), self._proper(target))
        key = _normalised_heading(_BRACKET.sub(" ", heading))
        words = key.split()
        for spelling, name in missing.items():  # "press temp", cut short word by word
            parts = spelling.split()
            if len(words) == len(parts) > 1 and all(
                len(word) > 1 and part.startswith(word)
                for word, part in zip(words, parts, strict=True)
            ):
                return name
        near = difflib.get_close_matches(key, list(missing), n=1, cutoff=0.75)
        return missing[near[0]] if near else None

    @staticmethod
    def _proper(target: tuple[str, str]) -> str:
        what, name = target
        return f"{name}_actual" if what == ACTUAL else name or what


def _normalised_heading(heading: str) -> str:
    return " ".join(re.split(r"[\s_\-]+", heading.casefold().strip())).strip()


def _spellings(text: str) -> list[tuple[str, str | None]]:
    """``text`` as it stands, then without its last bracket, with what stood in the bracket."""
    brackets = list(_BRACKET.finditer(text))
    if not brackets:
        return [(text, None)]
    last = brackets[-1]
    before, after = text[: last.start()], text[last.end() :]
    joined = before + after if after.startswith("_") else f"{before} {after}"
    return [(text, None), (joined.strip(), last[1].strip())]
