"""A sign of the trade, and how strongly it speaks for a cause."""

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
