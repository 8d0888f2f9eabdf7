"""What the command line prints of windows, verdicts and the next step; imports nothing heavy."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from dtfexp.book.logbook import Logbook
    from dtfexp.book.status import Status
    from dtfexp.dialin.fit import Fit


def print_window(fit: Fit, fabric: str) -> None:
    """Print a fabric's verdict and, per setting, window, proven part and alone."""
    from dtfexp.book.status import verdict_sentence
    from dtfexp.show.text.number_format import NumberFormat
    from dtfexp.show.text.report_text import span_lines

    window = fit.window(fabric)
    print_wrapped(f"{fabric}: {verdict_sentence(window)}")
    for line in span_lines(window, fit.session, NumberFormat.of(fit.session)):
        print(f"    {line}")


#: The step of ``status`` -> the command for it.
_COMMANDS = {
    "plan": "dtfexp next {book} --presses 14",
    "press": "dtfexp sheet {book} --out paper",
    "grade": "dtfexp record {book} PRESS OUTCOME=GRADE",
    "next": "dtfexp next {book} --presses 8",
    "confirm": "dtfexp open, then 4_keep.ipynb",
    "describe": "dtfexp new SESSION.toml",
}


def print_verdicts(name: str, book: Logbook, fitted: Fit | None, key: str = "") -> None:
    """Print each fabric's verdict and what to do next, from a fit.

    ``key``: of the book before the fit, see ``dtfexp.book.kept_verdicts``.
    """
    from dtfexp.book.status import status as status_of

    print_status(name, status_of(book, fitted, key))


def print_status(name: str, now: Status) -> None:
    """Print each fabric's verdict and what to do next, within 80 columns."""
    print()
    for one in now.verdicts:
        print_wrapped(one.line)
    for line in now.hotter:
        print_wrapped(line)
    for press, why in now.refused.items():
        print_wrapped(f"DO NOT PRESS {press} as planned: {why}.")
    print_wrapped(f"Next: {now.next_step}")
    print(f"      {_COMMANDS[now.step].format(book=name)}")


def print_paths(paths: Iterable[Path]) -> None:
    """Print files written, and of sheets that somebody typed into where they are kept."""
    from dtfexp.book.sheets.exporting import CHANGED

    for path in paths:
        print(path.resolve())
        if CHANGED in path.name:
            print("  was changed since it was written and is kept here: is all of it imported?")


def print_wrapped(text: str, hang: int = 2, columns: int = 80) -> None:
    """Print within so many columns."""
    import textwrap

    print(textwrap.fill(text, columns, subsequent_indent=" " * hang, break_long_words=False))
