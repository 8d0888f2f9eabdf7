"""Words made comparable: spelling, inflection, negation, stage.

Stems are those of the Snowball English stemmer. Misspellings are corrected by the optimal string
alignment distance, one letter in five to seven and two in eight or more, the first letter right.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from dtfexp.describe.signs import SIGNS
from dtfexp.describe.signs.sign import CURE, FINISHED, FIRST, LATER, PEEL, POWDER, PRINT, USE, WASH


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


#: Synonyms, American spellings, and irregular forms.
_SAME = {
    "print": "image images design designs graphic graphics logo logos picture motif",
    "cloth": "garment garments shirt shirts tshirt tee tees fabric fabrics textile material hoodie "
    "polyester nylon cotton fleece blend",
    "colour": "color colors colored coloured coloring",
    "discolour": "discolored discoloured discolor discoloration discolouration",
    "hue": "cyan magenta black red blue green pink orange brownish purple",
    "yellowtone": "yellowed yellowing yellowish yellows",
    "shrink": "shrank shrunk shrunken shrinks shrinkage shrinking shrivelled shriveled",
    "stick": "stuck sticks sticking stucks adhered adheres adhering",
    "sticky": "tacky gummy tackiness stickiness tack",
    "tear": "tore torn tears ripped rips ripping",
    "come": "came comes coming",
    "go": "gone went goes going turn turns turned become becomes became",
    "stay": "left leaves remain remains remained remaining stays stayed leftover",
    "hold": "held holds holding",
    "run": "ran runs running",
    "burn": "burnt burned burns burning",
    "lose": "lost loses losing loss",
    "break": "broke broken breaks breaking",
    "shiny": "shine shines shining gloss glossy glossiness shininess",
    "dull": "matt matte flat mat",
    "grain": "grainy grains granular gritty grit sandy sand sandpaper powdery graininess grained",
    "glue": "adhesive adhesives gluey hotmelt",
    "edge": "border borders rim outline outlines margin margins edges",
    "haze": "hazy milky cloudy veil hazes",
    "letter": "lettering text texts characters script writing letters words",
    "platen": "plate platens heatplate",
    "oily": "oil greasy grease",
    "wave": "wavy waves",
    "drive": "driven drove drives driving",
    "melt": "molten melted melts melting",
    "bubble": "bubbly",
    "ghost": "ghosting",
    "fibre": "fiber fibers",
    "grey": "gray greyish grayish",
    "peel": "peal pealing pealed peals",
    "film": "films pet carrier sheet",
    "transfer": "transfered transferred",
    "good": "well okay great",
}  # fmt: skip
CANON = {word: form for form, words in _SAME.items() for word in words.split()}

_NEGATORS = _set(
    "no not nothing without never none neither nor cannot cant wont doesnt dont didnt isnt arent "
    "wasnt werent hasnt havent hadnt couldnt wouldnt shouldnt hardly barely"
)
_ENDS_NEGATION = _set("and but although though yet then")
_FILLER = _set(
    "out only a an the of on in at to is are was were be been being it its this that these those "
    "there here "
    "some very really quite slightly bit rather somewhat so too just also again still already i we "
    "they he she you my our their his her with from by as for or if when while after before once "
    "since until off up away down onto into has have had having do does did can could "
    "will would may might must should gets get got getting looks look looking seen shows show seem "
    "seems feels hours hour days later week weeks any each every many few several one two "
    "three sleeve chest pocket middle centre center top bottom front inside outside "
    "please see near more bits pieces clearly clear partly badly all about who which "
    "than like because"
)
#: Places, sizes and plain verbs, ignored beside an understood sign.
HARMLESS = _set(
    "corner letter edg solid larg small big fine thin white hue print ink go come stay left right "
    "area part piec side fast slow new other round time feel light whole layer top clear slight "
    "first hot press peel wash hard lot dark cold warm work custom much most spot place"
)
_COUNTING = (
    r"(?:the |a |an |its |one |first |1st |1 |only |\d+ |two |three |four |five |six |ten "
    r"|twenty |some |many |several |few |later |every |each |repeated |more |next "
    r"|second |third |fourth |fifth |last |couple |of )*"
)
_STAGES = (
    (rf"\b(?:after|at|in|during|on|since|through|when|once|if|by|from|while) ({_COUNTING})"
     r"(?:wash(?:es|ing|ings|ed)?|laundry|laundering|laundered)(?: cycles?)?\b", WASH),
    (rf"\b(?:after|when|in|during|on|while|from) ({_COUNTING})(?:wear|wearing|worn|use|using)\b",
     USE),
    (rf"\b(?:before) ({_COUNTING})(?:cure|curing)\b|\bafter ({_COUNTING})(?:powdering|powder)\b",
     POWDER),
    (rf"\b(?:after|during|in|at|when|while|from|out of) ({_COUNTING})"
     r"(?:cure|cured|curing|oven|baking)\b|\bbefore (?:the )?press(?:ing)?\b", CURE),
    (rf"\b(?:after|during|when|while) ({_COUNTING})printing\b|\bbefore (?:the )?powdering\b",
     PRINT),
    (rf"\b(?:after|during|when|while|at|on|before|until) ({_COUNTING})peel(?:ing|ed)?\b", PEEL),
    (rf"\b(?:after|during|when|while|at|from) ({_COUNTING})(?:press|pressing|pressed)\b", FINISHED),
)  # fmt: skip
_SEVERAL = re.compile(r"\b([2-9]|\d\d+|two|three|four|five|six|ten|twenty|many|several|few|later|"
                      r"every|each|repeated|more|second|third|fourth|fifth|couple)\b")  # fmt: skip


@dataclass(frozen=True)
class Word:
    """A word as written, its comparable form, and flags.

    The flags: whether it is negated, and (in a wording of the table) whether the next word is an
    alternative.
    """

    raw: str
    form: str
    negated: bool = False
    either: bool = False


def parse(text: str, *, wording: bool = False) -> tuple[list[Word], str]:
    """Return the meaningful words of a phrase, and the stage it names ("" for none).

    ``wording``: the text belongs to the table, with "/" between alternatives and no misspellings.
    """
    clean = text.casefold().replace("’", "'").replace("'s ", " ").replace("'", "")
    clean = re.sub(r"[^\w/]+|_", " ", clean)
    if not wording:
        clean = " ".join(_corrected(clean.replace("/", " or ").split()))
    clean, stage = _without_stage(" ".join(clean.split()))
    words = []
    negated = False
    for token in clean.split():
        parts = token.split("/")
        if set(parts) & _NEGATORS:
            negated = True
        elif set(parts) & _ENDS_NEGATION:
            negated = False
        else:
            kept = [part for part in parts if part and part not in _FILLER and not part.isdigit()]
            words += [
                Word(part, comparable_form(part), negated, place < len(kept) - 1)
                for place, part in enumerate(kept)
            ]
    return words, stage


@lru_cache(maxsize=8192)
def comparable_form(word: str) -> str:
    """Return the form in which words are compared: one synonym, stemmed."""
    stemmer = _stemmer()
    return str(stemmer.stemWord(CANON.get(word, CANON.get(stemmer.stemWord(word), word))))


@lru_cache(maxsize=1)
def forms_known() -> frozenset[str]:
    """Return every form that occurs in a wording of the table."""
    return frozenset(comparable_form(word) for word in _written())


@lru_cache(maxsize=1)
def _stemmer() -> Any:
    import snowballstemmer

    return snowballstemmer.stemmer("english")


@lru_cache(maxsize=1)
def _written() -> frozenset[str]:
    text = " ".join(f"{one.phrase} {one.words}" for one in SIGNS).casefold()
    return frozenset(re.findall(r"[^\W\d_]+", text.replace("'s", "")))


@lru_cache(maxsize=1)
def _spellings() -> tuple[str, ...]:
    """Return the words to which a misspelling may be corrected."""
    stages = "after before during wash washes washing washed first powdering curing peeling peel"
    all_of = _written() | set(CANON) | _FILLER | _NEGATORS | set(stages.split())
    return tuple(sorted(word for word in all_of if len(word) > 3))


def _corrected(tokens: list[str]) -> list[str]:
    """Return the words with compounds split and misspellings corrected."""
    known = set(_spellings()) | _NEGATORS | _FILLER | _ENDS_NEGATION
    joined: list[str] = []
    for token in tokens:
        whole = (joined[-1] + token) if joined else ""
        if whole in known and len(whole) > 6 and token not in _FILLER:
            joined[-1] = whole
        else:
            joined.append(token)
    mended = []
    for token in joined:
        if token in known or comparable_form(token) in forms_known() or len(token) < 4:
            mended.append(token)
        else:
            mended += _corrected_word(token, known)
    return mended


def _corrected_word(token: str, known: set[str]) -> list[str]:
    from rapidfuzz.distance import OSA

    for cut in range(4, len(token) - 3):
        parts = [token[:cut], token[cut:]]
        if all(part in known or comparable_form(part) in forms_known() for part in parts):
            return parts
    allowed = 2 if len(token) >= 8 else 1
    near = [
        (OSA.distance(token, word, score_cutoff=allowed), word)
        for word in _spellings()
        if word[0] == token[0] and abs(len(word) - len(token)) <= allowed
    ]
    if len(token) == 4:
        # A short word is corrected only for two transposed letters.
        near = [(far, word) for far, word in near if sorted(word) == sorted(token)]
    best = min(near, default=(9, token))
    return [best[1] if best[0] <= allowed else token]


def _without_stage(text: str) -> tuple[str, str]:
    found = ""
    for pattern, stage in _STAGES:
        match = re.search(pattern, text)
        if match is None:
            continue
        text = f"{text[: match.start()]} {text[match.end() :]}"
        if not found:
            how_many = " ".join(part for part in match.groups() if part)
            found = stage
            if stage == WASH and re.search(r"\b(first|1st|1)\b", how_many):
                found = FIRST
            elif stage == WASH and _SEVERAL.search(how_many):
                found = LATER
    return text, found
