"""Text in a CSV file that no spreadsheet takes for a formula, and back again.

A cell that begins with = + - @, their full-width forms, a tab or a line end may be run as a
formula by a spreadsheet. Such text gets an apostrophe in front; so does text that would otherwise
look as if it had one. ``unescape_formula(escape_formula(text)) == text`` for any text.
"""

from __future__ import annotations

import re

_DANGEROUS = re.compile(r"'*[=+\-@＝＋－＠\t\r\n]")
_GUARDED = re.compile(r"'+[=+\-@＝＋－＠\t\r\n]")


def escape_formula(text: str) -> str:
    """``text``, with an apostrophe in front if a spreadsheet might run it."""
    return "'" + text if _DANGEROUS.match(text) else text


def unescape_formula(text: str) -> str:
    """``text`` without the apostrophe that ``guarded`` put there."""
    return text[1:] if _GUARDED.match(text) else text
