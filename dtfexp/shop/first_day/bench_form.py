"""The bench described in a notebook: the questions of ``dtfexp new`` on one page, then the plan.

The answers are kept in the draft of ``dtfexp new``, so that either goes on where the other stopped.
The session file stays a file that can be written by hand: one that was is shown and never replaced.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dtfexp.book.logbook import Logbook
from dtfexp.describe import tomltext
from dtfexp.describe.errors import DtfexpError, SessionError
from dtfexp.describe.fields import without_underscores
from dtfexp.describe.session import Session
from dtfexp.shop.first_day import reading
from dtfexp.shop.first_day.answers import (
    Answers,
    Asked,
    load_draft,
    one_line,
    put_draft_aside,
    written_from,
)
from dtfexp.shop.first_day.described import session_of
from dtfexp.shop.first_day.question import NO_MORE, TAKEN_OUT
from dtfexp.show.forms.sheet_form import Desk, button, field
from dtfexp.show.text.cautions import ONE_LINE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dtfexp.describe.factor import Factor

Papers = Callable[[Logbook, Path, str], object]

PRESSES = 14
_MOST = 200


@dataclass(frozen=True)
class Planning:
    """What a plan is made with: the logbook's name, and where its papers go."""

    logbook: str = "logbook.dtfbook"
    presses: int = PRESSES
    seed: int = 0
    design: str = "auto"
    options: Mapping[str, Any] | None = None
    sheets: str = "sheets"
    paper: str = "A4"


class BenchDesk(Desk):
    """The form of one session file and its first plan.

    ``papers`` writes run sheet and labels of a logbook into a folder, on a size of paper.
    """

    def __init__(self, session_file: str, planning: Planning, papers: Papers) -> None:
        super().__init__()
        self.papers = papers
        self.path = Path(session_file)
        self.planning = planning
        self.presses = str(planning.presses)
        self.answers = Answers(self.path)
        try:
            self.answers.said = load_draft(self.path) or {}
        except SessionError:
            put_draft_aside(self.path)

    @property
    def by_hand(self) -> bool:
        """Return whether the session file was not written here, or was changed since."""
        return self.path.exists() and tomltext.read_file(self.path) != written_from(self.path)

    def state(self) -> dict[str, Any]:
        """Return the questions with their answers, the review, and the plan."""
        key = hashlib.sha256(str(self.path.resolve()).encode("utf-8", "surrogatepass"))
        sections = [self._file()] if self.by_hand else self._asked()
        return {
            "key": key.hexdigest()[:16],
            "live": True,
            "sections": [*sections, *self._plan()],
        }

    def act(self, op: str, message: Mapping[str, Any]) -> str:
        """Keep an answer ("put"), take a fabric out ("remove"), "save", or "plan"."""
        if op in ("put", "remove"):
            told = TAKEN_OUT if op == "remove" else str(message.get("value") or "")
            return self._put(str(message.get("key")), told)
        if op == "save":
            return self._save()
        if op == "plan":
            return self._make_plan(str((message.get("values") or {}).get("presses", self.presses)))
        raise SessionError(f"the form asked for {op!r}, not known here")

    def _put(self, key: str, told: str) -> str:
        if key == "presses":
            self.presses = told.strip()
            return ""
        found = [one for one in self.answers.on_form()[1] if one.question.key == key]
        if not found:
            raise SessionError(f"{key!r} is not asked any more; run this page again")
        try:
            self.answers.put(found[0].question, told.strip())
        except ValueError:
            # Kept as typed and shown with the reason; it counts once it is corrected.
            self.answers.said[key] = told.strip()
            self.answers.save()
        return ""

    def _asked(self) -> list[dict[str, Any]]:
        values, asked = self.answers.on_form()
        sections: dict[str, list[dict[str, Any]]] = {}
        fabrics = [one for one in asked if _list_of(one) == "fabric"]
        several = sum(one.text not in (NO_MORE, TAKEN_OUT) for one in fabrics) > 1
        for one in asked:
            if not (_list_of(one) and one.text == TAKEN_OUT):
                sections.setdefault(one.question.section, []).append(_field(one, several))
        return [
            *({"title": title, "fields": fields} for title, fields in sections.items()),
            self._review(values, any(one.refused for one in asked)),
        ]

    def _review(self, values: Mapping[str, Any], refused: bool) -> dict[str, Any]:
        lines, off = [], "First correct what is marked red above." if refused else ""
        section: dict[str, Any] = {"title": "Review and save"}
        if not refused:
            try:
                session = session_of(values)
                lines = [*_told(session)]
                section["summary"] = f"{self.path.name}, as it is written"
                section["text"] = session.to_toml()
            except SessionError as error:
                off = f"These answers contradict each other: {one_line(error)}"
        saved = self.path.exists() and section.get("text") == written_from(self.path)
        if saved:
            lines.append(f"It is saved in {self.path.name}.")
            off = "Saved; change an answer to save it again."
        if Path(self.planning.logbook).exists():
            off = f"{self.planning.logbook} is made from it: another bench goes into a new folder."
        return section | {"lines": lines, "buttons": [button("save", "Save my bench", off=off)]}

    def _file(self) -> dict[str, Any]:
        text, lines = tomltext.read_file(self.path), []
        try:
            lines = [*_told(Session.load(self.path))]
        except SessionError as error:
            lines = [f"It cannot be read: {one_line(error)}"]
        return {
            "title": f"Your bench, as {self.path.name} says",
            "lines": [
                *lines,
                "This file was not written by this form: it is shown here and stays as it is.",
            ],
            "summary": f"{self.path.name}, word for word",
            "text": text,
        }

    def _save(self) -> str:
        if self.by_hand:
            raise SessionError(f"{self.path} was changed by hand and was not replaced")
        if Path(self.planning.logbook).exists():
            raise SessionError(
                f"{self.planning.logbook} is made from {self.path.name}; nothing was changed"
            )
        values, asked = self.answers.on_form()
        for one in asked:
            if one.refused:
                raise SessionError(f"{one.question.words}: {one.refused}")
        session = session_of(values)
        session.save(self.path)
        self.answers.save(tomltext.read_file(self.path))
        return f"{session.name} is described in {self.path.name}"

    def _plan(self) -> Iterator[dict[str, Any]]:
        if not self.path.exists():
            return
        name = self.planning.logbook
        if Path(name).exists():
            with Logbook.open(name) as book:
                other = another_bench(self.path, book)
                told = f"{name} holds {len(book.runs())} planned test presses."
            lines = [other] if other else [told, _ONWARD]
            yield {"title": "The first test presses", "lines": lines}
            return
        presses = field(
            "presses", "Test presses you can make, for all fabrics", self.presses,
            help="8 for one fabric, 14 for two or three: a first look around what you run today.",
        )  # fmt: skip
        yield {
            "title": "The first test presses",
            "fields": [presses],
            "buttons": [button("plan", "Plan the test presses")],
            "lines": [ONE_LINE],
        }

    def _make_plan(self, told: str) -> str:
        wanted = self.planning
        presses = reading.whole(told.strip(), 1, _MOST)
        if Path(wanted.logbook).exists():
            raise SessionError(f"{wanted.logbook} is here already; nothing was changed")
        book = make_book(
            wanted.logbook, Session.load(self.path), presses, wanted.seed, wanted.design,
            wanted.options,
        )  # fmt: skip
        with book:
            self.papers(book, Path(wanted.sheets), wanted.paper)
            made = f"{wanted.logbook} was made, with {len(book.runs())} test presses"
        return f"{made}. Run sheet and coupon labels are in the folder {wanted.sheets}."


_ONWARD = (
    "Print the run sheet, or open 2_record.ipynb and take it to the press. Run, Run All Cells "
    "shows the plan below."
)


def make_book(
    name: str,
    session: Session,
    presses: int,
    seed: int,
    design: str = "auto",
    options: Mapping[str, Any] | None = None,
) -> Logbook:
    """Return the new logbook ``name`` of ``session``, with a plan of at most ``presses``."""
    from dtfexp.dialin.design.plan import plan

    first = plan(session, presses, **{"seed": seed, "design": design, **(options or {})})
    book = Logbook.create(name, session)
    book.add(first)
    return book


def another_bench(session_file: Path, book: Logbook) -> str:
    """Return why a logbook's sheets are not those of the bench described; "" when they are."""
    if not session_file.exists():
        return ""
    try:
        session = Session.load(session_file)
    except DtfexpError as error:
        return f"{session_file.name} cannot be read, so nothing is shown for it: {one_line(error)}"
    if book.session == session:
        return ""
    return (
        f"{book.path.name} is the logbook of another bench ({book.session.name}), and "
        f"{session_file.name} describes {session.name}: its plan and sheets are not shown here. "
        "Give each bench a folder of its own, or logbook_file a new name."
    )


def _field(one: Asked, several_fabrics: bool) -> dict[str, Any]:
    question = one.question
    words = question.words.replace(" (yes or no)", "").partition(" (Enter")[0]
    remove = _REMOVE.get(_list_of(one), "")
    if remove == _REMOVE["fabric"]:
        words = words if one.text else "Another fabric, if you press one"
        remove = remove if several_fabrics else ""
    return field(
        question.key,
        words,
        one.text,
        help=question.more,
        note=one.note,
        refused=one.refused,
        choices=list(question.choices),
        several=question.several,
        hint="none" if question.key.startswith("fabric") and question.key.endswith("limit") else "",
        remove=remove if one.text else "",
    )


_REMOVE = {"fabric": "Take this fabric out", "judged": "Take this out"}


def _list_of(one: Asked) -> str:
    """Return "fabric" or "judged" for a question that names one of a list, else ""."""
    word, _, number = one.question.key.partition(" ")
    return word if number.isdigit() else ""


def _told(session: Session) -> Iterator[str]:
    """Yield a session in a few lines: fabrics with their limits, settings, grades."""
    yield f"{session.name}: {', '.join(fabric.name for fabric in session.fabrics)}"
    yield from filter(None, (session.limit_note(fabric) for fabric in session.fabrics))
    settings = (f"{without_underscores(f.name)} {_span(f)}" for f in session.factors)
    yield f"Settings: {'; '.join(settings)}"
    yield "Grades: " + "; ".join(f"{o.name}, {o.accepted}" for o in session.outcomes)


def _span(factor: Factor) -> str:
    if not factor.is_numeric:
        return " / ".join(factor.levels)
    low, high = factor.bounds
    return f"{factor.format(low)} to {factor.format(high)}"
