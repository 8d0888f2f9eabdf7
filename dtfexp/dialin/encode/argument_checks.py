"""Checks of numeric arguments."""

from __future__ import annotations

from dtfexp.describe import fields
from dtfexp.describe.errors import PlanError


def open_unit_interval(value: object, owner: str, name: str, accepted: str) -> float:
    """Return ``value`` as a number strictly between 0 and 1; else ``PlanError``."""
    try:
        share = fields.number(value, owner, name, accepted)
    except ValueError as error:
        raise PlanError(str(error)) from None
    if not 0 < share < 1:
        raise PlanError(f"{owner}: {name} is {share:g}; it must be {accepted}")
    return share
