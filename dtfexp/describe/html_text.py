"""Text inside HTML, shown letter for letter: the one way in which names reach a page or a cell.

Names, notes and reasons come from whoever wrote the session file or the sheet. A notebook runs
what HTML it is given, so every text of theirs passes through ``escape`` on its way out.
"""

from __future__ import annotations

import html
from typing import Any


def escape(text: object) -> str:
    """``text`` with every sign that HTML acts upon written as an entity, quotes included."""
    return html.escape(str(text), quote=True)


def escaped_frame(frame: Any) -> Any:
    """Return a copy of a pandas frame with escaped headings and texts; numbers stay numbers."""
    shown = frame.map(lambda value: escape(value) if isinstance(value, str) else value)
    return shown.set_axis([escape(name) for name in frame.columns], axis=1)


def frame_html(frame: Any, **how: Any) -> str:
    """Return a pandas frame as a plain table; ``how``: further options of ``DataFrame.to_html``."""
    options = {"index": False, "border": 0, "justify": "left", **how, "escape": False}
    return str(escaped_frame(frame).to_html(**options))
