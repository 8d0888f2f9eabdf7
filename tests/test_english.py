"""Plain professional English: private and archaic words stay out of what is read.

Docstrings, comments and texts of the package, its templates and form, the papers beside it and the
notebooks. The list is of words that were in use here once and that a stranger cannot understand;
each has its replacement. The summary line of a docstring is held by ruff (rules D, pyproject).
"""

from __future__ import annotations

import ast
import io
import json
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

#: What may not be read, and what to write.
BANNED = {
    r"foret(?:old|ells?|elling)": "predicted",
    r"wander(?:s|ed|ing)?": "spread, input noise",
    r"(?:cannot|can|could) be told (?:from|apart)": "separated, estimated",
    r"(?:is|are|was|were) told (?:in|by|for|as|anew)": "given, converted",
    r"told apart": "separated",
    r"cries wolf": "raises a false alarm",
    r"what the data take off": "covariance reduction by the data",
    r"half as many again": "1.5 times",
    r"(?:little|more|some) room (?:in|for)": "allowance, space",
    r"room in (?:spreads|wanders|multiples)": "allowance",
    r"(?:press|presses) (?:have |has )?taught": "influence, information",
    r"(?:teach|teaches) (?:most|more|little|nothing)": "is most informative",
    r"(?:presses|bench|prints|those|target) of before": "earlier",
    r"reckon(?:ed|s)?(?: with)?": "compute, include, assume",
    r"weightiest": "largest",
    r"likeliest": "most probable",
    r"nought": "zero",
    r"seen_from": "see the glossary",
    r"worked out anew": "computed again",
    r"works? (?:it|nothing|anything) out": "computes",
    r"at most so many": "at most N",
    r"so many (?:days|months|hours|seconds|presses|decimals|rows)": "a number of",
    r"goes unnamed|unnamed with": "is not listed",
    r"leans? on": "depends on",
    r"mend(?:s|ed|ing)?": "fix, correct, remedy",
    r"as (?:surely|sure) as": "with the certainty of",
    r"how surely": "with what certainty",
    r"a display that tells the truth": "a true display",
    r"stands? twice": "is given twice",
    r"nobody (?:wrote|told)": "not recorded",
    r"said (?:not )?to be there": "reported",
    r"(?:thus|hence|thereby|whence|lest|betwixt|amid|ere)": "write it plainly",
}
#: Where a word above belongs to the subject; the part of the text that may stay.
ALLOWED = re.compile(
    r"told in the session's unit|`wander`|\*\*wander\*\*|``wander``|input noise \(wander\)"
)
PATTERN = re.compile(r"\b(?:" + "|".join(BANNED) + r")\b", re.IGNORECASE)

#: Old sentences of this package, each of which the list refuses.
OLD = (
    "Room in wanders",
    "Grades that the other presses did not foretell",
    "the target is nearer to an edge than the machine wanders",
    "It cannot be told from luck at all",
    "what the data take off the prior covariance",
    "as many as it takes until there are half as many again as a quadratic has coefficients",
    "The presses that teach most now",
    "a bench of before",
    "dashed: a display that tells the truth",
    "Draw how surely grades are known",
)


def _python(path: Path) -> Iterator[tuple[int, str]]:
    source = path.read_text(encoding="utf-8")
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield node.lineno, " ".join(node.value.split())


def _notebook(path: Path) -> Iterator[tuple[int, str]]:
    for number, cell in enumerate(json.loads(path.read_text(encoding="utf-8"))["cells"]):
        yield number, " ".join("".join(cell["source"]).split())


def _lines(path: Path) -> Iterator[tuple[int, str]]:
    yield from enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)


def _texts(path: Path) -> Iterator[tuple[int, str]]:
    read = {".py": _python, ".ipynb": _notebook}.get(path.suffix, _lines)
    yield from read(path)


FILES = sorted(
    [
        *(ROOT / "dtfexp").rglob("*.py"),
        *(ROOT / "dtfexp").rglob("*.md"),
        *(ROOT / "dtfexp").rglob("*.j2"),
        *(ROOT / "dtfexp").rglob("*.js"),
        *(ROOT / "notebooks").glob("*.ipynb"),
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
    ]
)


def _found(path: Path) -> list[str]:
    return [
        f"{path.relative_to(ROOT)}:{line}: {word[0]!r}"
        for line, text in _texts(path)
        for word in PATTERN.finditer(ALLOWED.sub("", text))
    ]


@pytest.mark.parametrize("text", OLD)
def test_the_list_refuses_the_old_sentences(text: str) -> None:
    assert PATTERN.search(text), text


def test_no_private_or_archaic_word_is_read() -> None:
    found = [hit for path in FILES for hit in _found(path)]
    assert not found, "write it plainly (BANNED says how):\n" + "\n".join(found)
