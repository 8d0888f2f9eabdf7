"""Rank causes from reported signs.

Signs and causes, with their weights, are in ``describe/signs``; text is read in ``phrases``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from dtfexp.describe.signs import CAUSES, Cause, sign
from dtfexp.describe.signs.sign import RARE
from dtfexp.dialin.signs.defect_words import defect_counts, defect_words
from dtfexp.dialin.signs.phrases import read_phrase

#: Most coupons counted: the same defect on twenty garments of one afternoon is not independent.
MOST_SIGNS = 3.0


@dataclass(frozen=True)
class Heard:
    """The reported signs.

    ``seen`` (sign -> count), keys ``absent`` of signs reported absent, ``asked`` (questions on
    ambiguous words) and ``not_understood``, in sentences.
    """

    seen: Mapping[str, float] = field(default_factory=dict)
    absent: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    not_understood: tuple[str, ...] = ()
    read_as: tuple[str, ...] = ()


@dataclass(frozen=True)
class Circumstances:
    """Evidence for or against causes beside the signs.

    Key -> factor on its weight, and key -> reason in words.
    """

    factor: Mapping[str, float] = field(default_factory=dict)
    why: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def with_factor(self, key: str, times: float, why: str) -> Circumstances:
        """Return the circumstances with one more factor."""
        factor, reasons = dict(self.factor), dict(self.why)
        factor[key] = factor.get(key, 1.0) * times
        if why:
            reasons[key] = (*reasons.get(key, ()), why)
        return Circumstances(factor, reasons)


@dataclass(frozen=True)
class RankedShare:
    """A cause with its probability (all causes add up to 1) and its reasons."""

    cause: Cause
    share: float
    why: tuple[str, ...]


def hear(defects: Iterable[str] | Mapping[str, int] | str) -> Heard:
    """Read words or counts of defects; nothing reported is dropped.

    A sign named twice among words without a number counts once; numbers are added.
    """
    if not isinstance(defects, (str, Mapping)):
        defects = "; ".join(str(word) for word in defects)
    seen: dict[str, float] = {}
    absent: dict[str, None] = {}
    asked: dict[str, None] = {}
    lost: dict[str, None] = {}
    read_as: dict[str, None] = {}
    for phrase, count in defect_counts(defects).items():
        named: dict[str, None] = {}
        for part in defect_words(phrase):
            found = read_phrase(part)
            named |= dict.fromkeys(found.signs)
            absent |= dict.fromkeys(found.absent)
            for line, kept in ((found.question, asked), (found.complaint, lost)):
                if line:
                    kept[line] = None
            for key in found.signs:
                if sign(key).phrase.casefold() != part:
                    read_as[f"{part!r} is read as {sign(key).phrase}"] = None
        for key in named:
            if count > 0 and sign(key).causes:
                many = isinstance(defects, Mapping) or count > 1
                seen[key] = seen.get(key, 0.0) + count if many else max(1.0, seen.get(key, 0.0))
            elif count > 0 and key == "poor":
                asked[f"{phrase!r} does not say what is wrong. Describe what is seen."] = None
    unseen = tuple(key for key in absent if key not in seen)
    return Heard(seen, unseen, tuple(asked), tuple(lost), tuple(read_as))


def rank_causes(seen: Mapping[str, float], around: Circumstances) -> list[RankedShare]:
    """Return all causes, the most probable first: weights of the signs times circumstances.

    Signs count in proportion to their frequency, in total as at most three coupons.
    METHODS.md, section 13.
    """
    total = sum(seen.values())
    say = min(MOST_SIGNS, total) / total if total else 0.0
    score = np.array(
        [
            sum(say * n * np.log(sign(key).causes.get(cause.key, RARE)) for key, n in seen.items())
            + np.log(around.factor.get(cause.key, 1.0))
            for cause in CAUSES
        ]
    )
    share = np.exp(score - score.max())
    share /= share.sum()
    order = sorted(range(len(CAUSES)), key=lambda k: (-share[k], k))
    return [
        RankedShare(CAUSES[k], float(share[k]), tuple(around.why.get(CAUSES[k].key, ())))
        for k in order
    ]
