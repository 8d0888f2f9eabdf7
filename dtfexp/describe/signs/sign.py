"""A sign of the trade, its causes, and how strongly it speaks for each of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

# When a sign is seen. WASH stands for any wash where nobody says which.
PRINT, POWDER, CURE = "print", "powder", "cure"
PEEL, FINISHED = "peel", "finished"
FIRST, LATER, USE, WASH = "first wash", "later washes", "in use", "wash"
DAY = "another day"

#: How strongly a sign speaks: a plain sign of a cause, one that often comes with it, a faint hint,
#: what any sign says of any cause, and a sign that speaks against one. Judgement, no source.
PLAIN, OFTEN, HINT, RARE, AGAINST = 0.60, 0.25, 0.10, 0.012, 0.003


@dataclass(frozen=True)
class Sign:
    """One thing that can be seen on film, print or garment.

    ``phrase`` is what screens and paper print.  ``words`` are other wordings, parted by ";": every
    word must be there in any order and inflection, "a/b" is either, "[a]" may be there,
    "@" stands for one that counts only where somebody says when it was seen.
    ``causes`` maps the key of a cause to its weight; a cause that is not named has ``RARE``.
    ``now`` says what to do with this piece, where practice knows.  ``chips`` are the views of the
    recording form that offer it ("press", "wash").
    """

    key: str
    phrase: str
    stages: tuple[str, ...]
    words: str
    causes: Mapping[str, float] = field(default_factory=dict)
    now: str = ""
    chips: tuple[str, ...] = ()


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
