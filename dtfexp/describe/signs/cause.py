"""A cause of what is seen: how to check it, what to change and what tells it from others."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Cause:
    """One cause.

    ``check``: what costs least first: look, measure, compare.  ``change``: what to do about it.
    ``tell``: one press that shows whether it is the cause, with every setting as now.  ``moves``
    are settings that answer to it, first choice first, each a role (``dialin/encode/roles.py``)
    and +1 for
    more or -1 for less of it.  ``otherwise``: what is left where a limit leaves no room for these.
    ``stage`` and ``side``: the machine and side whose drift would look the same.  ``counts_as``:
    the stage and side that a sign of it speaks for in a fit (default: the same).
    """

    key: str
    name: str
    check: str
    change: str
    tell: str
    moves: tuple[tuple[str, int], ...] = ()
    otherwise: str = ""
    stage: str = ""
    side: str = ""
    counts_as: tuple[str, str] = ("", "")

    @property
    def machine(self) -> str:
        """The machine whose drift would look the same: "oven", "press" or ""."""
        return {"cure": "oven", "press": "press"}.get(self.stage, "")

    @property
    def fit_side(self) -> tuple[str, str]:
        """(stage, side) that a sign of this cause speaks for in a fit; ("", "") for none."""
        return self.counts_as if self.counts_as[0] else (self.stage, self.side)
