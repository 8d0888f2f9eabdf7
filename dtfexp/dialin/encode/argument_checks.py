"""Numbers that a caller asks with, checked."""

from __future__ import annotations

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError


def open_unit_interval(value: object, owner: str, name: str, accepted: str) -> float:
    """``value`` as a number strictly between 0 and 1; ``PlanError`` says what is ``accepted``."""
    try:
        share = fields.number(value, owner, name, accepted)
    except ValueError as error:
        raise PlanError(str(error)) from None
    if not 0 < share < 1:
        raise PlanError(f"{owner}: {name} is {share:g}; it must be {accepted}")
    return share
