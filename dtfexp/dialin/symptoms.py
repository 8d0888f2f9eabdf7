"""The symptom table: what is seen on a print, what most likely causes it, and which way to move.

Signs, causes and moves are common practice on transfer benches, no published source; the weights
between them are judgement: a plain sign of a cause, one that often comes with it, a faint hint.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from dtfexp.dialin.defects import defect_counts

PLAIN, OFTEN, HINT, RARE = 0.60, 0.25, 0.10, 0.03
#: The same defect on twenty garments of one afternoon is not twenty independent signs.
MOST_SIGNS = 3.0


@dataclass(frozen=True)
class Cause:
    """One cause: ``stage`` and ``side`` where settings (or the machine behind them) are off.

    ``check`` is what to look at first, ``change`` what to do about it, ``tell`` one press that
    shows whether it is the cause.
    """

    key: str
    name: str
    check: str
    change: str
    tell: str
    stage: str = ""
    side: str = ""

    @property
    def machine(self) -> str:
        """The machine whose drift would look the same: "oven", "press" or ""."""
        return {"cure": "oven", "press": "press"}.get(self.stage, "")


CAUSES: tuple[Cause, ...] = (
    Cause(
        "powder left", "powder left on the film",
        "Hold the powdered film against the light, before the cure: loose powder round the image?",
        "Shake and flick harder; on humid days 1 s of heat before shaking. A longer press helps "
        "only partly.",
        "Shake one powdered film twice as long and press it with everything else the same.",
    ),
    Cause(
        "no powder", "no powder on the ink",
        "Look at the film after powdering: is there powder on all of the ink?",
        "Powder within 2 h of printing, while the ink is wet: the powder is the glue.",
        "Print, powder at once, and press one with everything else the same.",
    ),
    Cause(
        "bad powder", "uneven or bad powder",
        "Look for bare patches after powdering, and at the lot: lumpy, damp, older than 6 months?",
        "Powder evenly; change to a fresh lot.",
        "Powder one film from a fresh packet and press it with everything else the same.",
    ),
    Cause(
        "press low", "pressed too cool or too short",
        "Measure the warm platen at nine points: is it below its display?",
        "Raise press temperature or time.",
        "Press one hotter with everything else the same.",
        "press", "low",
    ),
    Cause(
        "press high", "pressed too hot or too long",
        "Measure the warm platen at nine points: is it above its display?",
        "Lower press temperature or time.",
        "Press one cooler with everything else the same.",
        "press", "high",
    ),
    Cause(
        "cure low", "under-cured",
        "Measure the warm oven bed: is it below its display? Feel the underside: grainy?",
        "Raise cure temperature or time.",
        "Cure one hotter with everything else the same.",
        "cure", "low",
    ),
    Cause(
        "cure high", "over-cured",
        "Measure the warm oven bed: is it above its display?",
        "Lower cure temperature or time; a cold peel saves some.",
        "Cure one cooler with everything else the same.",
        "cure", "high",
    ),
    Cause(
        "moisture", "moisture in film or garment",
        "Feel film and garment, read the humidity: damp, or cold from storage?",
        "Warm the film 1 s before powdering; pre-press the garment 5 to 8 s.",
        "Pre-press one garment 8 s, and press it with everything else the same.",
    ),
    Cause(
        "peeled early", "peeled at once or too fast",
        "Watch one peel: waited at least 3 s? Slow, rolling, film close to the cloth?",
        "Wait at least 3 s, then roll slowly.",
        "Press one the same, wait 10 s, and peel it slowly.",
        "peel", "low",
    ),
    Cause(
        "no rest", "pressed straight after the cure",
        "Watch one: how long does the film lie between cure and press?",
        "Let the film rest 5 to 10 s after the cure.",
        "Let one film rest 10 s after the cure and press it with everything else the same.",
    ),
    Cause(
        "pressure high", "too much pressure",
        "Look at the edges: is white ink pushed out?",
        "Go down to medium pressure on black and on anything but cotton.",
        "Press one a step lighter with everything else the same.",
    ),
    Cause(
        "changed", "something else has changed",
        "Compare with a good day: humidity, room temperature, powder lot, film lot, platen.",
        "Write the change down and check the window again (dial in again with the old presses).",
        "Press one at the target with the last lot that was good.",
    ),
)  # fmt: skip
_BY_KEY = {cause.key: cause for cause in CAUSES}

#: Sign -> (parts of words that name it, causes with their weight). Of several signs that a
#: description could be, the first stands.
SIGNS: tuple[tuple[str, tuple[str, ...], dict[str, float]], ...] = (
    ("rest", ("long wait", "bubbles in solids", "slow to release"),
     {"no rest": PLAIN, "cure high": HINT, "moisture": HINT}),
    ("no peel", ("blister", "no hot peel", "no warm peel", "neither hot nor warm", "will not peel"),
     {"cure high": PLAIN, "press high": HINT, "no rest": HINT}),
    ("grain", ("grain", "colour layer", "color layer", "colour washes", "color washes",
               "bubbles after wash", "image bubbles"),
     {"cure low": PLAIN, "press low": HINT, "changed": RARE}),
    ("nothing", ("nothing transfer", "does not transfer", "no transfer", "nothing sticks"),
     {"no powder": PLAIN, "press low": HINT, "bad powder": HINT}),
    ("patches", ("some areas", "patch", "tear off", "tears off", "uneven"),
     {"bad powder": PLAIN, "press low": OFTEN, "powder left": HINT}),
    ("separate", ("hard to separate", "film sticks", "ink boiled", "boil", "print shrunk"),
     {"press high": PLAIN, "cure high": OFTEN}),
    ("lifts", ("lifted with the film", "lift with the film", "lifts with the film",
               "follows the platen", "shrinks at first wash", "shrinks in the wash", "print lifts"),
     {"press low": PLAIN, "cure low": OFTEN, "bad powder": HINT, "peeled early": HINT}),
    ("letters", ("small letter", "corner", "fine lines"),
     {"peeled early": PLAIN, "press low": OFTEN, "bad powder": HINT}),
    ("haze", ("haze", "stiff"),
     {"powder left": PLAIN, "moisture": OFTEN}),
    ("bubbles", ("bubble",),
     {"moisture": PLAIN, "no rest": OFTEN, "cure low": OFTEN, "cure high": OFTEN}),
    ("scorch", ("scorch", "shiny", "shine", "yellow"),
     {"press high": PLAIN, "pressure high": OFTEN}),
    ("squeezed", ("squeezed", "pushed out", "white ink driven", "white at the edges"),
     {"pressure high": PLAIN, "press high": OFTEN}),
    ("other day", ("different day", "same settings", "suddenly"),
     {"changed": PLAIN, "press low": HINT, "cure low": HINT, "press high": HINT,
      "cure high": HINT}),
)  # fmt: skip


@dataclass(frozen=True)
class Circumstances:
    """What speaks for or against a cause beside what is seen: key -> factor on its weight, and
    key -> why, in words."""

    factor: Mapping[str, float] = field(default_factory=dict)
    why: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def and_(self, key: str, times: float, why: str) -> Circumstances:
        """The same with one more."""
        factor, told = dict(self.factor), dict(self.why)
        factor[key] = factor.get(key, 1.0) * times
        if why:
            told[key] = (*told.get(key, ()), why)
        return Circumstances(factor, told)


@dataclass(frozen=True)
class Ranked:
    """A cause with its share of the blame (all causes add up to 1) and why it stands there."""

    cause: Cause
    share: float
    why: tuple[str, ...]


def sign_of(word: str) -> str:
    """The sign that a description names, "" when it names none."""
    told = " ".join(word.split()).casefold()
    for sign, parts, _ in SIGNS:
        if any(part in told for part in parts):
            return sign
    return ""


def signs_seen(defects: Iterable[str] | Mapping[str, int] | str) -> dict[str, float]:
    """Sign -> how often it was seen, from words or counts of defects; unknown words are left."""
    if not isinstance(defects, (str, Mapping)):
        defects = "; ".join(str(word) for word in defects)
    seen: dict[str, float] = {}
    for word, count in defect_counts(defects).items():
        sign = sign_of(word)
        if sign and count > 0:
            seen[sign] = seen.get(sign, 0.0) + count
    return seen


def rank(seen: Mapping[str, float], around: Circumstances) -> list[Ranked]:
    """All causes, the likeliest first: the weights of the signs seen, times the circumstances.

    Signs speak in proportion to how often they were seen, all together as at most three coupons.
    """
    total = sum(seen.values())
    say = min(MOST_SIGNS, total) / total if total else 0.0
    table = {sign: weights for sign, _, weights in SIGNS}
    score = np.array(
        [
            sum(say * n * np.log(table[sign].get(cause.key, RARE)) for sign, n in seen.items())
            + np.log(around.factor.get(cause.key, 1.0))
            for cause in CAUSES
        ]
    )
    share = np.exp(score - score.max())
    share /= share.sum()
    order = sorted(range(len(CAUSES)), key=lambda k: (-share[k], k))
    return [
        Ranked(CAUSES[k], float(share[k]), tuple(around.why.get(CAUSES[k].key, ()))) for k in order
    ]


def cause(key: str) -> Cause:
    """The cause of that key."""
    found: Any = _BY_KEY[key]
    return found  # type: ignore[no-any-return]
