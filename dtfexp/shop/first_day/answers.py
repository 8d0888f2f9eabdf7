"""The answers of the first day: walked question by question, kept in a draft beside the file.

The dialogue at a terminal and the form in a notebook share them, and their drafts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dtfexp.describe import tomltext
from dtfexp.describe.errors import SessionError
from dtfexp.shop.first_day.asking import questions
from dtfexp.shop.first_day.question import Question


@dataclass(frozen=True)
class Asked:
    """A question on a form.

    ``text``: what was answered, else the answer offered; ``refused``: why that cannot be; ``note``:
    the line after the answer.
    """

    question: Question
    text: str
    refused: str = ""
    note: str = ""


class Answers:
    """The answers so far: ``said`` are those that count, ``earlier`` texts to offer again."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.said: dict[str, str] = {}
        self.earlier: dict[str, str] = {}

    def walk(
        self, tell: Callable[[str], None]
    ) -> tuple[dict[str, Any], list[Question], Question | None]:
        """Return the answers as values, the questions they answer, and the next open one.

        An answer that is no longer possible is told and dropped.
        """
        answers: dict[str, Any] = {}
        done: list[Question] = []
        for question in questions(answers):
            told = self.said.get(question.key)
            if told is None:
                return answers, done, question
            try:
                answers[question.key] = question.read(told)
            except ValueError as error:
                tell(f"{question.words}: {told!r} is no longer possible. {one_line(error)}")
                del self.said[question.key]
                return answers, done, question
            done.append(question)
        return answers, done, None

    def on_form(self) -> tuple[dict[str, Any], list[Asked]]:
        """Return the values and every question they lead to, offered answers standing in.

        Where an answer is refused, the one offered is taken so that the rest can be asked.
        """
        answers: dict[str, Any] = {}
        asked: list[Asked] = []
        for question in questions(answers):
            told, refused = self.said.get(question.key), ""
            if told is not None:
                try:
                    value = question.read(told)
                except ValueError as error:
                    refused = one_line(error)
            if told is None or refused:
                try:
                    value = question.read(question.offered)
                except ValueError as error:
                    asked.append(Asked(question, told or "", refused or one_line(error)))
                    return answers, asked
            answers[question.key] = value
            note = "" if refused else question.note(value)
            asked.append(Asked(question, question.offered if told is None else told, refused, note))
        return answers, asked

    def put(self, question: Question, told: str) -> str:
        """Keep one answer and save the draft; return the line after it. Raises ``ValueError``."""
        value = question.read(told)
        self.said[question.key] = question.text(value, told)
        self.earlier.pop(question.key, None)
        self.save()
        return question.note(value)

    def save(self, written: str = "") -> None:
        """Save the draft; ``written``: the session file's text, when it was written from it now."""
        save_draft(self.path, self.earlier | self.said, written or written_from(self.path))


def one_line(error: Exception) -> str:
    """Return an error's message on one line."""
    return " ".join(str(error).split())


def draft_path(path: Path) -> Path:
    """Return the path of a session file's draft."""
    return path.with_name(f"{path.name}.draft")


def save_draft(path: Path, said: dict[str, str], written: str = "") -> None:
    """Save the answers, key and text, atomically."""
    import tomli_w

    told: dict[str, Any] = {"answers": said}
    if written:
        told["written"] = written
    tomltext.write_file(tomli_w.dumps(told), draft_path(path))


def load_draft(path: Path) -> dict[str, str] | None:
    """Return the answers of a draft; None without one, ``SessionError`` for a damaged one."""
    found = _load(path).get("answers")
    if found is None and not draft_path(path).exists():
        return None
    if not isinstance(found, dict) or not all(isinstance(v, str) for v in found.values()):
        raise SessionError(f"{draft_path(path)} is damaged: not the answers of an earlier start")
    return {str(key): value for key, value in found.items()}


def written_from(path: Path) -> str:
    """Return the session file's text as last written from the draft; "" when it was not."""
    return str(_load(path).get("written", ""))


def _load(path: Path) -> dict[str, Any]:
    where = draft_path(path)
    if not where.exists():
        return {}
    try:
        return tomllib.loads(tomltext.read_file(where))
    except tomllib.TOMLDecodeError:
        return {}


def put_draft_aside(path: Path) -> Path:
    """Move a draft out of the way, over no other file; return its new path."""
    old = draft_path(path)
    n = 1
    while (aside := old.with_name(f"{old.name}.{n}")).exists():
        n += 1
    old.rename(aside)
    return aside


def remove_draft(path: Path) -> None:
    """Remove the draft after the session file is written."""
    draft_path(path).unlink(missing_ok=True)
