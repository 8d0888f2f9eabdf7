"""Read a phrase about a print: which signs of the trade it names.

Whole words are compared by their stem, with small misspellings allowed. A phrase names a sign when
it contains every word of one of its wordings; among several wordings the most specific wins.
Ambiguous phrases lead to a question; phrases that name nothing are kept and reported.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from dtfexp.describe.signs import SIGNS, Sign, sign
from dtfexp.describe.signs.sign import FINISHED, FIRST, LATER, PEEL, USE, WASH
from dtfexp.dialin.signs.word_forms import HARMLESS, Word, comparable_form, parse

#: One-word stages that mean several stages of the table.
_STAGES = {WASH: (FIRST, LATER, USE), PEEL: (PEEL, FINISHED), FINISHED: (PEEL, FINISHED)}
#: Words for a thing: "shiny" of the powder side is not "shiny" of the cloth.
_THINGS = frozenset(
    map(comparable_form, ("powder", "film", "cloth", "platen", "underside", "oven", "glue"))
)
_NEAREST, _NEAR = 3, 55.0


@dataclass(frozen=True)
class ReadPhrase:
    """The meaning of one phrase.

    ``signs``: keys of the signs seen; ``absent``: of signs stated as absent; ``asked``: of signs
    among which the phrase is ambiguous; ``unknown``: words that name nothing; ``nearest``: the most
    similar phrases of the table.
    """

    text: str
    signs: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    unknown: str = ""
    nearest: tuple[str, ...] = ()

    @property
    def question(self) -> str:
        """The question about an ambiguous phrase; "" when it is clear."""
        if not self.asked:
            return ""
        choices = "; or ".join(
            f"{sign(key).phrase} ({' or '.join(sign(key).stages[:2])})" for key in self.asked
        )
        return f"{self.text!r} can be: {choices}. Say which, and when it is seen."

    @property
    def complaint(self) -> str:
        """The part that was not understood and the nearest signs; "" when all was."""
        if not self.unknown:
            return ""
        whole = self.unknown == self.text
        said = f"not understood: {self.unknown!r}" + ("" if whole else f" (in {self.text!r})")
        if not self.nearest:
            return f"{said}; no known sign is near"
        return f"{said}; nearest known signs: {', '.join(self.nearest)}"


@dataclass(frozen=True)
class _Wording:
    """One wording: the accepted forms of each required word, and the optional words."""

    key: str
    needed: tuple[tuple[frozenset[str], bool], ...]
    maybe: frozenset[str]
    staged: bool


@dataclass(frozen=True)
class _Hit:
    key: str
    needed: frozenset[int]
    covered: frozenset[int]
    absent: bool


@lru_cache(maxsize=4096)
def read_phrase(text: str, stage: str = "") -> ReadPhrase:
    """Return the meaning of one phrase (no list); ``stage``: when it was seen, if known."""
    spoken = " ".join(text.split())
    for one in SIGNS:
        if spoken.casefold() == one.phrase.casefold():
            return ReadPhrase(spoken, (one.key,))
    words, said = parse(spoken)
    if not words and not said:
        return (
            ReadPhrase(spoken, unknown=spoken, nearest=nearest(spoken))
            if spoken
            else ReadPhrase(spoken)
        )
    at = said or stage
    hits = _longest(_hits(words, staged=bool(at)))
    here = _longest([hit for hit in _hits(words, staged=bool(at)) if _seen_at(sign(hit.key), at)])
    if hits and not here:
        # Known, but not at that stage: another sign may be meant, so do not guess.
        return ReadPhrase(spoken, asked=tuple(dict.fromkeys(hit.key for hit in hits)))
    signs, absent, asked = _seen_absent_ambiguous(here)
    covered = frozenset().union(*(hit.covered for hit in here))
    left = [word for place, word in enumerate(words) if place not in covered]
    things = {word.form for word in left} & _THINGS
    if signs and things and not any(words[k].form in _THINGS for k in covered):
        # "shiny powder side" names neither the cloth's shine nor a dull powder side.
        signs, asked = (), tuple(dict.fromkeys((*signs, *asked)))
    lost = [word.raw for word in left if word.form not in HARMLESS]
    if not (signs or absent or asked):
        return ReadPhrase(spoken, unknown=spoken, nearest=nearest(spoken))
    missed = " ".join(lost)
    return ReadPhrase(spoken, signs, absent, asked, missed, nearest(missed) if missed else ())


def nearest(text: str) -> tuple[str, ...]:
    """Return the phrases of the table most similar to ``text``, the nearest first."""
    from rapidfuzz import fuzz, process

    found = process.extract(
        _content(text), _contents(), scorer=fuzz.token_set_ratio, limit=_NEAREST,
        score_cutoff=_NEAR,
    )  # fmt: skip
    return tuple(SIGNS[place].phrase for _, _, place in found)


def _seen_absent_ambiguous(
    hits: list[_Hit],
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Return signs seen, signs stated as absent, and signs that share the same words."""
    signs: dict[str, None] = {}
    absent: dict[str, None] = {}
    asked: dict[str, None] = {}
    said = frozenset().union(*(hit.covered for hit in hits if not hit.absent))
    for hit in hits:
        if hit.absent and hit.needed & said:
            continue  # "nothing left on the film" is good news, and denies no fault
        same = {h.key for h in hits if h.covered == hit.covered and h.absent == hit.absent}
        if len(same) > 1 and not hit.absent:
            asked[hit.key] = None
        else:
            (absent if hit.absent else signs)[hit.key] = None
    return tuple(signs), tuple(absent), tuple(asked)


def _seen_at(one: Sign, stage: str) -> bool:
    return not stage or bool(set(_STAGES.get(stage, (stage,))) & set(one.stages))


def _hits(words: list[Word], staged: bool) -> list[_Hit]:
    """Return every wording whose words all occur; ``staged``: the stage is known."""
    found = []
    for wording in _wordings():
        if wording.staged and not staged:
            continue
        places: set[int] = set()
        last = 0
        for forms, negated in wording.needed:
            fitting = [
                k
                for k, word in enumerate(words)
                if k not in places and word.form in forms and (word.negated or not negated)
            ]
            if not fitting:
                break
            # Among two verbs the one next to its noun is meant.
            last = min(fitting, key=lambda k: (abs(k - last), k < last))
            places.add(last)
        else:
            more = {k for k, word in enumerate(words) if word.form in wording.maybe}
            denied = not any(negated for _, negated in wording.needed) and any(
                words[k].negated for k in places
            )
            found.append(_Hit(wording.key, frozenset(places), frozenset(places | more), denied))
    return found


def _longest(hits: list[_Hit]) -> list[_Hit]:
    """Return the hits not covered by a more specific one."""

    def beaten(hit: _Hit) -> bool:
        for other in hits:
            if not hit.needed <= other.covered:
                continue
            if len(other.covered) != len(hit.covered):
                if len(other.covered) > len(hit.covered):
                    return True
            elif other.absent != hit.absent:
                if hit.absent:
                    return True
            elif len(other.needed) > len(hit.needed):
                return True
        return False

    return [hit for hit in hits if not beaten(hit)]


def _content(text: str) -> str:
    return " ".join(word.form for word in parse(text)[0])


@lru_cache(maxsize=1)
def _contents() -> tuple[str, ...]:
    return tuple(_content(one.phrase) for one in SIGNS)


@lru_cache(maxsize=1)
def _wordings() -> tuple[_Wording, ...]:
    """Return the table's wordings in comparable form."""
    found = []
    for one in SIGNS:
        for text in (one.phrase, *one.words.split(";")):
            needed, maybe = [], set()
            bare, when = parse(re.sub(r"\[.*?\]", " ", text), wording=True)
            for group in _groups(bare):
                needed.append((frozenset(word.form for word in group), group[0].negated))
            for inner in re.findall(r"\[(.*?)\]", text):
                maybe |= {word.form for word in parse(inner, wording=True)[0]}
            if needed:
                found.append(
                    _Wording(one.key, tuple(needed), frozenset(maybe), "@" in text or bool(when))
                )
    return tuple(found)


def _groups(words: list[Word]) -> list[list[Word]]:
    """Return words in groups; words joined by "/" are alternatives in one group."""
    groups: list[list[Word]] = []
    for before, word in pairwise([None, *words]):
        if word is None:
            continue
        if groups and before is not None and before.either:
            groups[-1].append(word)
        else:
            groups.append([word])
    return groups
