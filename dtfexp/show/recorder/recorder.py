"""The recording form in a notebook: an anywidget around ``recording.FormServer``.

One message per save carries every field. Callbacks may run in different threads, where updates of
single fields can overtake each other (measured on JupyterLab 4.6).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

import anywidget
import traitlets

from dtfexp.show.recorder.recording import FormServer, takes_long

if TYPE_CHECKING:
    from dtfexp.book.logbook import Logbook

_FORM = Path(__file__).with_name("press_form")
#: The parts of the script, joined in this order without a build step.
_PARTS = (
    "page.js",
    "countdowns.js",
    "photos.js",
    "proposals.js",
    "pictures.js",
    "regrade.js",
    "press_view.js",
    "cure_view.js",
    "wash_view.js",
    "recorder.js",
)


class Recorder(anywidget.AnyWidget):
    """The form on one open logbook; show it as the last line of a cell.

    ``state`` is the first content; every answer carries the new one.
    """

    # Text, not paths: a path would make anywidget watch the files.
    _esm = "\n".join((_FORM / part).read_text(encoding="utf-8") for part in _PARTS)
    _css = (_FORM / "recorder.css").read_text(encoding="utf-8")
    state = traitlets.Dict().tag(sync=True)

    def __init__(self, book: Logbook) -> None:
        self.desk = FormServer(book)
        super().__init__(state=self.desk.state())
        self.on_msg(self._heard)

    def _heard(self, _widget: object, message: Any, buffers: Sequence[bytes]) -> None:
        if takes_long(message):
            # The kernel hears the next message only when this one has returned.
            Thread(target=self._answer, args=(message, buffers)).start()
        else:
            self._answer(message, buffers)

    def _answer(self, message: Any, buffers: Sequence[bytes]) -> None:
        self.send(self.desk.handle(message, buffers or ()))


def recorder(book: Logbook) -> Recorder:
    """Return the recording form for ``book``, which must stay open while the form is used."""
    return Recorder(book)
