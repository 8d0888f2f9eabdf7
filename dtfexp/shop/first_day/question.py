"""A question, and the fabrics answered so far."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dtfexp.shop.first_day import reading

LEFT_OUT = "-"
#: Answers that end a list of names, and that take one out of it.
NO_MORE, TAKEN_OUT = "", "-"
YES_NO = ("yes", "no")


def _nothing(_: Any) -> str:
    return ""


@dataclass(frozen=True)
class Question:
    """One question.

    ``key`` of its answer, the words, the answer offered ("" for none), and the reader of an answer
    (``SessionError`` refuses it). ``more`` is the text for "?"; ``kept`` the answer as text that
    reads back the same in any unit chosen later; ``note`` a line after the answer ("" for none).
    On a form: ``choices`` are buttons (``several``: more than one may be chosen), ``section`` the
    part of the form.
    """

    key: str
    words: str
    offered: str
    read: Callable[[str], Any]
    more: str = ""
    kept: Callable[[Any], str] | None = None
    note: Callable[[Any], str] = _nothing
    choices: tuple[str, ...] = ()
    several: bool = False
    section: str = ""

    @property
    def prompt(self) -> str:
        return self.words + (f" [{self.offered}]: " if self.offered else ": ")

    def text(self, value: Any, given: str) -> str:
        """Return the answer as stored."""
        return given if self.kept is None else self.kept(value)


@dataclass(frozen=True)
class Chosen:
    """A fabric so far: its key among the questions, name, heat limit and whether it is pressed."""

    key: str
    name: str
    limit: float | None
    pressed: bool


def fabrics(answers: Mapping[str, Any]) -> list[Chosen]:
    """Return the fabrics answered so far, in order."""
    found, n = [], 1
    while f"fabric {n}" in answers:
        key = f"fabric {n}"
        named = answers[key]
        if isinstance(named, reading.Named):
            name = named.short if answers.get(f"{key} digits") else named.name
            pressed = answers.get(f"{key} cool", "under") == "under"
            found.append(Chosen(key, name, answers.get(f"{key} limit"), pressed))
        n += 1
    return found


def word(said: bool) -> str:
    """Return a yes or no as the word."""
    return "yes" if said else "no"
