"""How large a sheet may be: far beyond any session, far within any machine."""

from __future__ import annotations

MOST_ROWS = 20_000
MOST_COLUMNS = 500
MOST_CELLS = 200_000


def column_letters(number: int) -> str:
    """Return a column as a spreadsheet names it: 1 is A, 27 is AA."""
    letters = ""
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
