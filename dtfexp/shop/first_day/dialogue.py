"""The dialogue: one question after another, with a way back, a review, and a draft."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from dtfexp.describe.errors import DtfexpError, SessionError
from dtfexp.describe.session import Session
from dtfexp.shop.first_day import reading
from dtfexp.shop.first_day.answers import (
    Answers,
    draft_path,
    load_draft,
    one_line,
    put_draft_aside,
    remove_draft,
)
from dtfexp.shop.first_day.described import session_of
from dtfexp.shop.first_day.question import Question
from dtfexp.show.text.cautions import SHORT_CAUTIONS

Ask = Callable[[str], str]
Tell = Callable[[str], None]
_BACK, _HELP, _QUIT = ("b", "back"), ("?", "help"), ("q", "quit")


class _Back(Exception):
    """The person wants the previous question."""


class _Stop(Exception):
    """The person wants to stop."""


def new_session(path: Path, ask: Ask, tell: Tell) -> Session:
    """Return the session after checklist and questions; write its file at ``path``.

    ``path`` must not exist. Raises ``DtfexpError`` in one line when the person stops (Ctrl-C,
    Ctrl-D, q): the answers are kept in a draft, and the next start continues from it.
    """
    if path.exists():
        raise SessionError(f"{path} exists already and was not changed; choose another name")
    tell("The first day of a bench, in this order:")
    for number, line in enumerate(CHECKLIST, start=1):
        tell(f"{number:2d}. {line}")
    tell(
        "\nNow the session. Enter takes the answer in brackets. b goes back, ? explains, q stops "
        "and keeps your answers."
    )
    talk = _Talk(path, ask, tell)
    try:
        talk.go_on()
        session = talk.run()
        session.save(path)
    except (EOFError, KeyboardInterrupt, _Stop):
        raise DtfexpError(talk.stopped()) from None
    remove_draft(path)
    return session


class _Talk(Answers):
    """The answers as they are given at a terminal."""

    def __init__(self, path: Path, ask: Ask, tell: Tell) -> None:
        super().__init__(path)
        self.ask, self.tell = ask, tell

    def go_on(self) -> None:
        """Resume the draft of an earlier start, if the person wants to."""
        try:
            found = load_draft(self.path)
        except SessionError as error:
            self.tell(f"{error}; it was put aside as {put_draft_aside(self.path)}")
            return
        if not found:
            return
        self.tell(f"{draft_path(self.path)} holds {len(found)} answers of an earlier start.")
        while True:
            told = self.ask("Go on from them (yes or no) [yes]: ").strip() or "yes"
            try:
                if reading.yes_or_no(told):
                    self.said = found
                else:
                    self.tell(f"They are kept as {put_draft_aside(self.path)}.")
                return
            except ValueError as error:
                self.tell(f"  {error}")

    def run(self) -> Session:
        """Ask until the review is accepted; return the session."""
        while True:
            answers, done, question = self.walk(lambda line: self.tell(f"  {line}"))
            if question is None:
                session, key = self._review(answers, done)
                if session is not None:
                    return session
                question = next(one for one in done if one.key == key)
                self.earlier[question.key] = self.said.pop(question.key)
            try:
                self._put(question)
            except _Back:
                before = [one.key for one in done]
                if question.key in before:
                    before = before[: before.index(question.key)]
                if not before:
                    self.tell("  This is the first question.")
                else:
                    self.earlier[before[-1]] = self.said.pop(before[-1])

    def stopped(self) -> str:
        """Return one line on where the answers are."""
        kept = self.earlier | self.said
        if not kept:
            return "stopped before the first answer; nothing was written"
        return (
            f"stopped; {len(kept)} answers are kept in {draft_path(self.path)}: "
            f"dtfexp new {self.path} goes on from there"
        )

    def _put(self, question: Question) -> None:
        """Ask one question until it is answered, and keep the answer."""
        offered = self.earlier.get(question.key, question.offered)
        prompt = question.words + (f" [{offered}]: " if offered else ": ")
        while True:
            told = self._typed(prompt, question.more)
            told = told or offered
            try:
                note = self.put(question, told)
            except ValueError as error:
                self.tell(f"  {one_line(error)}")
                if told == offered:
                    offered = question.offered
                    prompt = question.prompt
                continue
            if note:
                self.tell(f"  {note}")
            return

    def _typed(self, prompt: str, more: str) -> str:
        while True:
            told = self.ask(prompt).strip()
            word = told.casefold()
            if word in _BACK:
                raise _Back
            if word in _QUIT:
                raise _Stop
            if word not in _HELP:
                return told
            self.tell(f"  {more or 'Enter takes the answer in brackets; b goes back.'}")

    def _review(self, answers: dict[str, Any], done: list[Question]) -> tuple[Session | None, str]:
        """Show everything; return the session when accepted, else the key to change."""
        self.tell("\nThis is what will be written:")
        for number, question in enumerate(done, start=1):
            told = self.said[question.key] or "none"
            self.tell(f"{number:2d}. {question.words.partition(' (Enter')[0]}: {told}")
        session: Session | None = None
        try:
            session = session_of(answers)
            for fabric in session.fabrics:
                if note := session.limit_note(fabric):
                    self.tell(f"    {note}")
            first = f"Enter writes {self.path}, a number"
        except SessionError as error:
            self.tell(f"  These answers contradict each other: {one_line(error)}")
            first = "A number"
        while True:
            try:
                told = self._typed(f"{first} changes that answer, q stops: ", "")
            except _Back:
                return None, done[-1].key
            if not told and session is not None:
                return session, ""
            try:
                return None, done[reading.whole(told, 1, len(done)) - 1].key
            except ValueError as error:
                self.tell(f"  {one_line(error)}")


CHECKLIST: tuple[str, ...] = (
    *SHORT_CAUTIONS[:2],
    "Read the care label of every fabric. Iron dots (ISO 3758, from memory): one 110 °C (230 °F), "
    "two 150 °C (302 °F), three 200 °C (392 °F). Common powders bond from about 130 °C (266 °F) "
    "on: one dot needs a powder that melts lower, or another method. Ask the makers too.",
    "Ask the film's maker whether it is peeled hot, warm or cold.",
    "Switch oven and heat press on; wait 10 min or more.",
    "Measure the warm platen and the warm oven bed at nine points, with a contact probe, or an "
    "infrared gun on a matte pad. Write down the display, the coldest and the hottest.",
    "Look at the filters of exhaust and oven.",
    "Print the nozzle pattern: no gaps, white too.",
    "Write down the lots of film, powder and ink, and when the powder was opened.",
    "Write down room temperature and humidity.",
    "Press one print with the settings you run today. It is your starting point.",
)
