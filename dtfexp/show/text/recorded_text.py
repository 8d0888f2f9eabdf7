"""What is recorded of a press, in words, for the form and the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dtfexp.book.store.typed_values import is_missing
from dtfexp.show.text.number_format import label

if TYPE_CHECKING:
    from dtfexp.describe.session import Session


def grades_and_readings(session: Session, row: Mapping[Any, Any]) -> dict[str, str]:
    """Return the words of each grade and reading known in a row, by outcome and factor.

    ``row``: of ``Logbook.results`` or ``Logbook.history``.
    """
    found = {
        outcome.name: f"{label(outcome.name)} {row[outcome.name]:g}"
        for outcome in session.outcomes
        if not is_missing(row.get(outcome.name))
    }
    for factor in session.factors:
        read = row.get(f"{factor.name}_actual")
        if not is_missing(read):
            found[factor.name] = f"{label(factor.name)} reached {factor.format(read)}"
    return found
