"""A cause of a sign: how to check it, what to change, and what distinguishes it from others."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Cause:
    """One cause of a sign.

    ``check``: the cheapest check first: look, measure, compare. ``change``: the remedy. ``tell``:
    one press that shows whether it is the cause, all else unchanged. ``moves``: the settings that
    remedy it, best first, each a role (``dialin/encode/roles.py``) and +1 for more or -1 for less.
    ``otherwise``: the remedy when a limit prevents these moves. ``stage`` and ``side``: the machine
    and side whose drift looks the same. ``counts_as``: the stage and side that its signs count as
    in a fit (default: the same).
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
        """The machine whose drift looks the same: "oven", "press" or ""."""
        return {"cure": "oven", "press": "press"}.get(self.stage, "")

    @property
    def fit_side(self) -> tuple[str, str]:
        """The (stage, side) that a sign of this cause counts as in a fit; ("", "") for none."""
        return self.counts_as if self.counts_as[0] else (self.stage, self.side)
