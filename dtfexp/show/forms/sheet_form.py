"""A form of fields in a notebook: an anywidget, and the desk that answers it.

The form decides nothing: what it shows is the desk's state, and every tap is one message with an
id made in the browser. "Saved" is shown only after the desk's answer.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import anywidget
import traitlets

from dtfexp.describe.errors import DtfexpError, LogbookError
from dtfexp.describe.fields import quoted

_HERE = Path(__file__).parent
_RECORDER = _HERE.parent / "recorder" / "press_form"


class Desk(ABC):
    """Answer the messages of a form, one at a time; a repeated message does nothing twice."""

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._answered: dict[str, dict[str, Any]] = {}

    @abstractmethod
    def state(self) -> dict[str, Any]:
        """Return what the form shows: ``key`` (of what is filled in), ``live``, ``sections``.

        A section has ``title`` and may have ``lines`` (of text, or of what stands out and the
        rest), ``fields`` (``field``), ``buttons`` (``button``), ``rows`` (``row``), and ``text``
        with its ``summary``. ``live``: every change of a field is a message "put" by itself.
        ``today``, where days are entered: the form sends "look" once the browser's day is another.
        """

    @abstractmethod
    def act(self, op: str, message: Mapping[str, Any]) -> str:
        """Do what a tap asks for; return what was done. Raises ``DtfexpError``."""

    def handle(self, message: object) -> dict[str, Any]:
        """Return ``id``, ``ok``, ``text`` and ``state``; never raises."""
        with self._lock:
            key = str(message.get("id")) if isinstance(message, Mapping) else ""
            if key in self._answered:
                return {**self._answered[key], "state": self.state()}
            try:
                if not isinstance(message, Mapping) or not key:
                    raise LogbookError(f"the form said {quoted(message)}, which is no message")
                told = {"id": key, "ok": True, "text": self.act(str(message.get("op")), message)}
                self._answered[key] = told
            except DtfexpError as error:
                told = {"id": key, "ok": False, "text": " ".join(str(error).split())}
            except Exception as error:
                # Always answer: silence looks like a stopped kernel.
                told = {"id": key, "ok": False, "text": f"{type(error).__name__}: {error}"}
            return {**told, "state": self.state()}


def field(key: str, label: str, value: str = "", **more: Any) -> dict[str, Any]:
    """Return one field.

    ``more``: ``help``, ``note``, ``refused``, ``hint`` (in the empty box), ``choices`` (buttons;
    ``several`` of them), ``kind`` ("text", "date", "lines"), ``wide``, ``remove`` (its button).
    """
    return {"key": key, "label": label, "value": value, "kind": "text"} | more


def button(op: str, label: str, **more: Any) -> dict[str, Any]:
    """Return a button that sends ``op`` with the section's values; ``off``: why it cannot yet."""
    return {"op": op, "label": label, "off": ""} | more


def row(id: str, says: str, when: str, op: str = "") -> dict[str, str]:
    """Return a line of a list, with a button that takes it back by ``op`` with its id."""
    return {"id": id, "says": says, "when": when, "op": op, "label": "Take back"}


class SheetForm(anywidget.AnyWidget):
    """A form on a desk; show it as the last line of a cell."""

    _esm = "\n".join(
        path.read_text(encoding="utf-8")
        for path in (_RECORDER / "page.js", _HERE / "sheet_form.js")
    )
    _css = "\n".join(
        path.read_text(encoding="utf-8")
        for path in (_RECORDER / "recorder.css", _HERE / "sheet_form.css")
    )
    state = traitlets.Dict().tag(sync=True)

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        super().__init__(state=desk.state())
        self.on_msg(self._heard)

    def _heard(self, _widget: object, message: Any, _buffers: Sequence[bytes]) -> None:
        self.send(self.desk.handle(message))
