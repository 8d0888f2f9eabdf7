"""The logic behind the recording form, without a browser or a widget.

The form sends one message per save, with every field and an id of its own, and waits for the
answer. "Saved" is shown only after an answer with ``ok`` true, which is given after the entry is on
the disk. A repeated message makes no second entry.
"""

from __future__ import annotations

import base64
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from dtfexp.book import steps_of_day
from dtfexp.book.logbook import Clock, now
from dtfexp.book.store import photos, plausible
from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.describe.fields import quoted
from dtfexp.show.recorder import cure_looks, pictures_read, proposed, regraded
from dtfexp.show.recorder.form import form_state
from dtfexp.show.recorder.press_warnings import (
    mark,
    overrides,
    record_override,
    shown_warnings,
    warning_state,
)
from dtfexp.show.text.recorded_text import grades_and_readings

if TYPE_CHECKING:
    import pandas as pd

    from dtfexp.book.logbook import Logbook
    from dtfexp.coupon.reading.reading import PictureRead
    from dtfexp.dialin.schedule.day_steps import DaySteps

Message = Mapping[str, Any]


class _Asked(LogbookError):
    """Implausible readings: nothing is saved until somebody has answered."""

    def __init__(self, questions: list[dict[str, str]]) -> None:
        super().__init__(" ".join(one["says"] for one in questions))
        self.questions = questions


class FormServer:
    """Answer the messages of a recording form on one logbook.

    Messages are dicts with ``op`` and ``id``; see ``handle``. Callbacks of a notebook may come from
    any thread, so messages are handled one at a time; only pictures are read beside others.
    """

    def __init__(self, book: Logbook, clock: Clock = now) -> None:
        self.book = book
        self._clock = clock
        self._day: DaySteps | None = None
        self._planned = 0
        self._lock = threading.RLock()
        self._answers: dict[str, Callable[[Message], dict[str, Any]]] = {
            "record": self._record,
            "grades": self._grades,
            "exclude": self._exclude,
            "include": self._include,
            "redo": self._redo,
            "undo": self._undo,
            "history": self._history,
            "photo": self._photo,
            "forget photo": self._forget_photo,
            "accept": self._accept,
            "read pictures": self._read_pictures,
            "judge again": self._judge_again,
            "mark": self._mark,
            "look": self._look,
            "forget look": self._look,
            "override": self._override,
            "refresh": lambda message: {},
        }

    def state(self) -> dict[str, Any]:
        """Return the form's present content; see ``form.form_state``."""
        with self._lock:
            return self._state()

    def handle(self, message: object, attached: Sequence[bytes] = ()) -> dict[str, Any]:
        """Answer one message: ``id``, ``ok``, ``text`` and, on success, ``state``.

        ``op`` is one of

        * "record": ``press``, ``grades``, ``actual``, ``defects``, ``note``, ``by``; omitted fields
          stay unchanged, None takes one back. An implausible reading saves nothing: the answer has
          ``ask`` (``plausible.plausibility_questions``), and the message is sent again with
          ``answers``, a list of {factor, says, answer}; the answer "kept" keeps the reading as
          typed. A reading past the fabric's limit is saved, and the answer has ``past``, a list of
          lines;
        * "grades": ``entries``, a list of {id, press, grades}, each saved separately; the answer
          has ``saved`` (ids) and ``failed`` ({id, text});
        * "exclude", "redo": ``press``, ``reason``, ``by``; "include": ``press``, ``by``;
        * "undo": ``press``, ``by``: takes back the last entry of that press by a new entry;
        * "history": ``press``; the answer has ``history``, one dict per entry, and ``photos``;
        * "photo": ``press``, ``by``, and the picture ``attached``; "forget photo": ``photo``, its
          id, ``press``, ``by``;
        * "accept": ``press``, ``outcome`` and the ``value`` that a picture proposes for it;
        * "read pictures": the picture ``attached``, the coupons' ``washes``, ``by``; the answer has
          ``lines``;
        * "judge again": ``press``, ``outcome`` and ``grade`` of a coupon brought back, None when it
          is not at hand;
        * "mark": ``step`` of ``press`` or ``load``, with its ``ago`` seconds; "override": ``press``
          and the warnings ``overridden``, which "record" may carry too;
        * "refresh": only the state.

        With ``shown``, the press on the screen, the answer has ``warned`` for it. Never raises:
        errors are in ``text``, with ``ok`` false.
        """
        key = message.get("id") if isinstance(message, Mapping) else None
        try:
            if not isinstance(message, Mapping):
                raise LogbookError(f"the form said {quoted(message)}, which is no message")
            answer = self._answers.get(str(message.get("op")))
            if answer is None:
                raise LogbookError(
                    f"the form asked for {quoted(message.get('op'))}, not known here"
                )
            asked = {**message, "attached": attached}
            if takes_long(message):
                asked["found"] = self._look_at(asked)
            with self._lock:
                told = {"text": "", **answer(asked)}
                try:
                    told |= self._seen_entries(message)
                except Exception as error:
                    # It is on the disk, so a failing form must not report it as not saved.
                    told["text"] += f" (run this page again, the form is not up to date: {error})"
                return {"id": key, "ok": True, **told}
        except _Asked as error:
            return {"id": key, "ok": False, "text": str(error), "ask": error.questions}
        except DtfexpError as error:
            return {"id": key, "ok": False, "text": str(error)}
        except Exception as error:
            # Always answer: silence looks like a stopped kernel.
            text = f"{type(error).__name__}: {error}"
            return {"id": key, "ok": False, "text": f"dtfexp could not save this ({text})"}

    def _state(self) -> dict[str, Any]:
        with self.book.one_view():
            # The steps of the day change only when presses are added.
            if self._day is None or self._planned != len(self.book.runs()):
                self._planned = len(self.book.runs())
                self._day = steps_of_day.steps_of(self.book)
            return form_state(self.book, self._day)

    def _seen_entries(self, message: Message) -> dict[str, Any]:
        with self.book.one_view():
            seen: dict[str, Any] = {"state": self._state()}
            if message.get("shown") is not None:
                seen["warned"] = warning_state(self.book, message["shown"], self._clock())
            return seen

    def _record(self, message: Message) -> dict[str, Any]:
        press: Any = message.get("press")
        by = _by(message)
        against, answers = shown_warnings(press, message), _answers(press, message)
        kept = self._ask(press, message, answers)
        self.book.record(
            press,  # checked by the book
            grades=message.get("grades", {}),
            defects=message.get("defects", ()),
            actual=message.get("actual", {}),
            note=message.get("note", ""),
            by=by,
            id=message.get("id"),
            accept=kept,
        )
        record_override(self.book, against, message, by)
        for one in answers:
            if one["factor"] not in kept:  # a confirmed reading stays in its entry
                plausible.keep_answer(
                    self.book, press, one["says"], one["answer"], by=by,
                    entry=str(message.get("id")), factor=one["factor"],
                )  # fmt: skip
        noted = " (gone on in spite of a warning)" if against else ""
        told: dict[str, Any] = {"text": f"press {press}: {self._told(int(press))}{noted}"}
        if message.get("actual"):
            (row,) = self._rows(self.book.results(), press)
            told["past"] = plausible.past_limits(self.book.session, row)
        return told

    def _ask(self, press: Any, message: Message, answers: Sequence[Mapping[str, str]]) -> list[str]:
        """Return the factors whose implausible readings are confirmed.

        Nothing is saved while one is neither plausible nor confirmed. A repeated message was
        answered before.
        """
        kept = {(one["factor"], one["says"]) for one in answers if one["answer"] == "kept"}
        actual = message.get("actual")
        if not actual or message.get("id") in set(self.book.history()["id"]):
            return [factor for factor, _ in kept]
        asked = self.book.questions(press, actual)
        still = [one for one in asked if (one["factor"], one["says"]) not in kept]
        if still:
            raise _Asked(still)
        return [one["factor"] for one in asked]

    @staticmethod
    def _rows(frame: pd.DataFrame, press: Any) -> list[dict[Any, Any]]:
        rows: list[dict[Any, Any]] = frame[frame["press"] == press].to_dict("records")
        return rows

    def _grades(self, message: Message) -> dict[str, Any]:
        entries = message.get("entries")
        if not isinstance(entries, list) or not entries:
            raise LogbookError("no grade was chosen; nothing was saved")
        saved: list[str] = []
        failed: list[dict[str, Any]] = []
        for entry in entries:
            one = self.handle({**entry, "op": "record", "by": message.get("by")})
            if one["ok"]:
                saved.append(one["id"])
            else:
                failed.append({"id": one["id"], "text": one["text"]})
        if not saved:
            raise LogbookError("; ".join(fail["text"] for fail in failed))
        coupons = "1 coupon" if len(saved) == 1 else f"{len(saved)} coupons"
        told = "; ".join([f"grades of {coupons}", *(f"NOT {fail['text']}" for fail in failed)])
        return {"saved": saved, "failed": failed, "text": told}

    def _exclude(self, message: Message) -> dict[str, Any]:
        self.book.exclude(*_reasoned(message), by=_by(message), id=message.get("id"))
        return {"text": f"press {message['press']} is left out of the fit; its entries stay"}

    def _include(self, message: Message) -> dict[str, Any]:
        press: Any = message.get("press")
        self.book.include(press, by=_by(message), id=message.get("id"))
        return {"text": f"press {press} counts again"}

    def _redo(self, message: Message) -> dict[str, Any]:
        self.book.redo(*_reasoned(message), by=_by(message), id=message.get("id"))
        return {"text": f"press {message['press']} is to be made again on a spare coupon"}

    def _undo(self, message: Message) -> dict[str, Any]:
        press: Any = message.get("press")
        self.book.undo(press, by=_by(message), id=message.get("id"))
        return {"text": f"press {press}: the last entry is taken back; it stays in the history"}

    def _history(self, message: Message) -> dict[str, Any]:
        press: Any = message.get("press")
        rows: list[dict[Any, Any]] = self.book.history(press).to_dict("records")
        taken = [_picture(photo) for photo in photos.photos(self.book, press)]
        lines = [(row["time"], self._line(row)) for row in rows]
        for note in overrides(self.book, press):
            told = f"gone on in spite of: {note.said['says']}"
            lines.append((note.at, {"time": _minute(note.at), "by": note.by, "said": told}))
        for note in self.book.kept(plausible.ASKED):
            if note.said["press"] == press:
                told = f"asked: {note.said['asked']} Answer: {note.said['answer']}"
                lines.append((note.at, {"time": _minute(note.at), "by": note.by, "said": told}))
        for at, by, told in cure_looks.lines(self.book, press):
            lines.append((at, {"time": _minute(at), "by": by, "said": told}))
        lines.sort(key=lambda line: line[0])
        return {"history": [line for _, line in lines], "photos": taken}

    def _photo(self, message: Message) -> dict[str, Any]:
        press: Any = message.get("press")
        if len(message["attached"]) != 1:
            raise LogbookError("the form sent no photo; nothing was kept")
        content = bytes(message["attached"][0])
        photos.keep_photo(self.book, press, content, by=_by(message), id=message.get("id"))
        return {"text": f"press {press}: photo kept, {len(content) / 1000:.0f} kB"}

    def _forget_photo(self, message: Message) -> dict[str, Any]:
        known = [photo.id for photo in photos.photos(self.book, message.get("press"))]
        if message.get("photo") not in known:
            raise LogbookError(f"press {message.get('press')}: there is no such photo to take back")
        self.book.take_back(str(message["photo"]), by=_by(message))
        return {"text": f"press {message.get('press')}: the photo is taken back; its file stays"}

    def _accept(self, message: Message) -> dict[str, Any]:
        return {"text": proposed.accept(self.book, message, _by(message))}

    def _read_pictures(self, message: Message) -> dict[str, Any]:
        return pictures_read.keep(self.book, message, message["found"], _by(message))

    def _look_at(self, message: Message) -> PictureRead:
        """Read the picture of a message, others being answered meanwhile."""
        with self._lock:
            coupons = pictures_read.known(self.book, message)
        return pictures_read.look(coupons, message)

    def _judge_again(self, message: Message) -> dict[str, Any]:
        return {"text": regraded.judge(self.book, message, _by(message))}

    def _mark(self, message: Message) -> dict[str, Any]:
        return {"text": mark(self.book, message, self._clock(), _by(message))}

    def _look(self, message: Message) -> dict[str, Any]:
        return {"text": cure_looks.say(self.book, message, _by(message))}

    def _override(self, message: Message) -> dict[str, Any]:
        press: Any = message.get("press")
        self.book.history(press)  # raises for an unknown press
        record_override(self.book, shown_warnings(press, message), message, _by(message))
        return {"text": f"press {press}: gone on in spite of a warning"}

    def _line(self, row: Mapping[Any, Any]) -> dict[str, str]:
        said = list(grades_and_readings(self.book.session, row).values())
        for field in ("defects", "block", "note"):
            if row[field]:
                said.append(str(row[field]))
        if row["excluded"]:
            word = {"redo": "to be made again", "record": "left out"}.get(row["kind"], row["kind"])
            said.append(f"{word}: {row['excluded']}")
        if row["proposed"]:
            said.append(f"proposed by a picture: {row['proposed']}")
        if row["taken_back"]:
            said.append(f"taken back: {row['taken_back']}")
        return {
            "time": _minute(row["time"]),
            "by": str(row["by"]),
            "said": "; ".join(said),
        }

    def _told(self, press: int) -> str:
        """Return the book's content of the last entry of ``press``, as understood."""
        rows: list[dict[Any, Any]] = self.book.history(press).tail(1).to_dict("records")
        return self._line(rows[0])["said"]


def takes_long(message: object) -> bool:
    """Tell whether a message takes so long to answer that others should not wait for it."""
    return isinstance(message, Mapping) and message.get("op") == "read pictures"


def _picture(photo: photos.Photo) -> dict[str, str]:
    """Return a photo for the form, or a text when it cannot be read."""
    told = {"id": photo.id, "file": photo.path.name, "time": _minute(photo.at), "by": photo.by}
    told |= {"picture": "", "trouble": ""}
    try:
        content = base64.b64encode(photo.read()).decode()
        told["picture"] = f"data:{photo.media_type};base64,{content}"
    except LogbookError as error:
        told["trouble"] = str(error)
    return told


def _minute(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"


def _by(message: Message) -> str:
    return str(message.get("by") or "")


def _answers(press: Any, message: Message) -> list[dict[str, str]]:
    """Return the questions about readings that a message answers."""
    keys, found = ("factor", "says", "answer"), []
    for one in message.get("answers") or ():
        if not isinstance(one, Mapping) or not all(one.get(key) for key in keys):
            raise LogbookError(f"press {press}: {quoted(one)} answers no question")
        found.append({key: str(one[key]) for key in keys})
    return found


def _reasoned(message: Message) -> tuple[Any, Any]:
    return message.get("press"), message.get("reason")
