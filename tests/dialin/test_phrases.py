"""What people write of a print is read by words, in any inflection, and never guessed at.

Which sign a phrase names is common practice, no source.
"""

import csv
import json
import re
from itertools import product
from pathlib import Path

import pytest

from dtfexp import Session
from dtfexp.describe.signs import SIGNS, phrase, sign
from dtfexp.describe.signs.guide import default_guide
from dtfexp.dialin.monitor.causes import hear
from dtfexp.dialin.signs.defect_words import defect_words
from dtfexp.dialin.signs.phrases import nearest, read_phrase
from dtfexp.dialin.window.edges import failure_side_name
from dtfexp.show.recorder.form import DEFECTS, WASH_DEFECTS
from dtfexp.show.text.trade_hints import sign_beyond_edge
from tests.dialin.bench import CURE, FOUR, PEEL, PRESS, PRESSURE

ROOT = Path(__file__).parents[2]

# Phrase -> keys of the signs it names, or "?" where it has to be asked.
MEANS = {
    "film hard to pull off": "separate", "no clean hot or warm peel": "no peel",
    "parts stay on the film": "lifts", "lifting at an edge": "edges", "fading": "fades",
    "film drags": "drags", "colour lifts": "colour goes", "dye migration": "dye",
    "ink bleeding": "ink bleeds", "ghosting": "shifted", "cracking": "cracks",
    "peeling after wash": "wash lifts", "fading after wash": "fades", "oily residue": "oily",
    "sticky hot peel": "sticky peel", "thick hand": "thick", "film edge visible": "film edge",
    "platen marks": "marks", "box marks": "marks", "pinholes": "pinholes",
    "nozzle gaps": "nozzles", "dust": "dust", "halo of powder": "halo",
    "cloth stuck to platen": "platen sticks",
    # What was read as its opposite once.
    "powder side not shiny": "grain", "print shrunk after first wash": "wash lifts",
    "yellow lines missing": "nozzles",
    # The trade's tables.
    "clean, vivid, soft": "good", "stiff hand": "thick",
    "white haze round the image on dark cloth": "haze", "nothing transfers": "nothing",
    "some areas hold, others tear off": "patches", "parts lift with the film": "lifts",
    "transfer follows the platen": "lifts", "shrinks at first wash": "wash lifts",
    "film hard to separate": "separate", "ink boiled": "boiled", "print shrunk": "boiled",
    "underside grainy": "grain", "after a wash the colour layer goes": "colour goes",
    "image bubbles or shrinks after a wash": "wash bubbles wash lifts",
    "no hot or warm peel": "no peel", "large solids blister": "blister", "bubbles": "bubbles",
    "small letters and corners pull up": "letters", "long wait before peel": "rest",
    "bubbles in solids": "rest", "same settings, different day": "other day",
    "missing lines of one colour": "nozzles", "thin white": "nozzles",
    "powder clings outside the image": "halo", "halo after pressing": "halo",
    "bald spots": "bald", "dull underside": "grain", "sandy": "grain", "white specks": "grain",
    "brown film": "over baked", "film shrunken and blistered": "over baked",
    "oily shine": "over baked", "oily or wet film": "oily", "tacky print": "oily",
    "film grips": "drags", "print drags": "drags", "adhesive strings": "sticky peel",
    "sticky while hot": "sticky peel", "half the print lifts while peeling": "lifts",
    "cloth or print sticks to the platen": "platen sticks", "shine": "marks",
    "crushed pile": "marks", "scorch": "scorch", "yellowing": "scorch",
    "light print takes the garment's colour": "dye", "stiff, thick hand": "thick",
    "white or colour pushed out at edges": "squeezed", "colour layer goes": "colour goes",
    "image bubbles at the first wash": "wash bubbles",
    "print shrinks or lifts at edges in the first wash": "wash lifts edges", "cracks": "cracks",
    "fades": "fades", "edges peel": "edges", "same settings, other result": "other day",
    # Other spellings, inflections, misspellings, compounds.
    "color washes off": "colour goes", "bubbels": "bubbles", "grany undersid": "grain",
    "under side grainy": "grain", "undercured": "looks cure low", "pin holes": "pinholes",
    "ghostng": "shifted", "scorchd": "scorch", "crackd": "cracks", "delaminates": "wash lifts",
    "lifted corner": "letters", "corner lifts": "letters", "prints crack when stretched":
    "stretch cracks", "fibers under the print": "dust", "gray tint on white print": "dye",
    "print peels off after 3 washes": "wash lifts", "edges curl after washing": "edges",
    # Denials that are signs of their own.
    "powder side isn't glossy": "grain", "film doesn't release": "separate",
    "film won’t come off": "separate", "won't peel warm": "no peel", "no powder": "no powder",
    "powder not melted": "grain", "letters did not stick": "letters",
    "not enough powder": "thin powder",
    # Words whose meaning hangs on the stage.
    "not shiny": "?", "dull": "?", "peeling": "?", "bleeding": "?", "sticky": "?",
    "shrunk": "?", "dull after the cure": "grain", "print dull": "matte",
    "not shiny after curing": "grain", "peeling in the wash": "wash lifts",
    "bubbles after the wash": "wash bubbles", "powder side shiny": "good",
    "shrinks in the wash": "wash lifts", "dye bleeding": "dye",
}  # fmt: skip

GUIDES = {
    "most of the print stays on the film or tears": "lifts",
    "large parts lift with the film": "lifts",
    "small letters, corners or edges lift": "letters",
    "releases whole; a speck or a slight drag at most": "good dust drags",
    "releases whole, smoothly, with nothing left on the film": "good",
    "print is coming away or colour is gone": "wash lifts colour goes",
    "print is coming away": "wash lifts",
    "clear peeling, cracking, bubbles or fading": "wash lifts cracks wash bubbles fades",
    "cracks, bubbles or clear fading": "cracks wash bubbles fades",
    "lifting at an edge, or a change seen at arm's length": "edges poor",
    "an edge lifts, or a change shows at arm's length": "edges poor",
    "a slight change, seen only when looking closely": "good",
    "a slight change, seen only up close": "good",
    "no change beside an unwashed print": "good",
    "useless": "poor", "poor, a customer would return it": "poor",
    "doubtful, a customer might complain": "poor", "good, fit to sell": "good",
    "faultless": "good", "fail": "poor", "pass": "good",
}  # fmt: skip


def named(text: str, stage: str = "") -> set[str]:
    """Keys of the signs in a text; fails on what is asked about or not understood."""
    found = set()
    whole = read_phrase(text, stage)
    # A grade's sentence may be one phrase with a comma in it.
    parts = [text] if whole.signs and not (whole.unknown or whole.asked) else defect_words(text)
    for part in parts:
        one = read_phrase(part, stage)
        assert not one.asked and not one.unknown and not one.absent, (part, one)
        found |= set(one.signs)
    assert found, text
    return found


def keys(text: str) -> set[str]:
    """Keys written one behind another, some of two or three words."""
    known = sorted((one.key for one in SIGNS), key=len, reverse=True)
    found = set(re.findall("|".join(map(re.escape, known)), text))
    assert found
    return found


@pytest.mark.parametrize(("text", "expected"), MEANS.items())
def test_a_phrase_names_its_sign(text, expected):
    if expected == "?":
        one = read_phrase(text)
        assert not one.signs and len(one.asked) > 1 and "can be" in one.question
    else:
        found = set().union(*(read_phrase(part).signs for part in defect_words(text)))
        assert found == keys(expected)
        assert not any(read_phrase(p).asked or read_phrase(p).unknown for p in defect_words(text))


@pytest.mark.parametrize("one", SIGNS, ids=lambda one: one.key)
def test_every_sign_understands_its_own_phrase_and_has_causes(one):
    assert read_phrase(one.phrase).signs == (one.key,) and read_phrase(
        one.phrase.upper()
    ).signs == (one.key,)
    assert one.causes or one.key in ("good", "poor")
    assert one.stages and len(one.phrase) < 60 and not re.search("[,;]", one.phrase)


def test_words_of_the_form_the_card_and_the_report_are_understood():
    for word in (*DEFECTS, *WASH_DEFECTS):
        assert {phrase(key) for key in named(word)} == {word}
    for factor, side in product((CURE, PRESS, PRESSURE, PEEL), ("low", "high")):
        looks = failure_side_name(factor, side)
        assert {phrase(key) for key in named(looks)} == {looks}
        for part in sign_beyond_edge(factor, looks).split("; "):
            assert {phrase(key) for key in named(part)} == {part}


def test_every_grade_sentence_is_understood():
    sentences = {
        (name, text)
        for name, kind in product(("peel", "wash", "look"), ("graded", "passfail"))
        for text in default_guide(name, kind, *((1, 5) if kind == "graded" else (0, 1))).values()
    }
    for path in ROOT.glob("data/*.toml"):
        for outcome in Session.load(path).outcomes:
            sentences |= {(outcome.name, text) for text in outcome.guide.values()}
    assert len(sentences) > 15
    for name, text in sentences:
        assert named(text, name if name in ("peel", "wash") else "") == keys(GUIDES[text]), text


def test_words_of_the_samples_notebooks_and_demo_are_understood():
    with (ROOT / "data/messy_shop_sheet.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.reader(file) if len(row) > 4]
    head = next(row for row in rows if "Defects" in row)
    sheet = {row[head.index("Defects")] for row in rows if row is not head} - {""}
    assert {"film drags", "bubbles; colour lifts"} <= sheet
    examples = set()
    for path in ROOT.glob("notebooks/*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        code = "".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")
        for line in re.findall(r"(?:symptoms_today|seen) = .*", code):
            examples |= set(re.findall(r'"([^"]+)"', line.partition("#")[2]))
    assert examples
    demo = (ROOT / "dtfexp/shop/kept_example.py").read_text(encoding="utf-8")
    examples |= set(re.findall(r'word = "(.*?)" if drift else "(.*?)"', demo)[0])
    bench = (ROOT / "tests/bench/changes.py").read_text(encoding="utf-8")
    words = re.findall(
        r"^(?:COLD_OVEN|HOT_OVEN|OTHER) = (\(.*?\))", bench, re.DOTALL | re.MULTILINE
    )
    examples |= {word for found in words for word in re.findall(r'"(.*?)"', found)}
    assert len(examples) > 7
    examples.add("the film yellows")
    for text in sheet | examples:
        heard = hear(text)
        assert heard.seen and not (heard.not_understood or heard.asked or heard.absent), text


def test_no_is_understood():
    for text in ("No bubbles", "without bubbles", "not bubbling", "no bubbles or blisters"):
        one = read_phrase(text)
        assert not one.signs and "bubbles" in one.absent
    assert read_phrase("no bubbles but the colour lifts").signs == ("colour goes",)
    heard = hear("No bubbles; cracks")
    assert dict(heard.seen) == {"cracks": 1.0} and heard.absent == ("bubbles",)


def test_what_is_not_understood_is_kept_and_told_beside_what_is():
    heard = hear("bubbles; sneezes; grainy wobblething")
    assert set(heard.seen) == {"bubbles", "grain"}
    first, second = heard.not_understood
    assert first == "not understood: 'sneezes'; no known sign is near"
    assert second.startswith("not understood: 'wobblething' (in 'grainy wobblething')")
    assert "bubbles" in nearest("bubbly surface") and read_phrase("").unknown == ""
    (line,) = hear("film edges tacky-ish near hood").not_understood or ("",)
    assert "nearest known signs" in line or "no known sign" in line


def test_a_thing_that_does_not_fit_is_asked_about():
    one = read_phrase("the underside shows scorch marks")
    assert not one.signs and "scorch" in one.asked
    assert read_phrase("grainy after the third wash").asked == ("grain",)


def test_counts_are_added_and_one_phrase_of_two_halves_counts_once():
    heard = hear("bubbles: 3; BUBBLES: 2; grainy underside")
    assert dict(heard.seen) == {"bubbles": 5.0, "grain": 1.0}
    assert dict(hear("some areas hold, others tear off").seen) == {"patches": 1.0}
    assert dict(hear({"some areas hold, others tear off": 4}).seen) == {"patches": 4.0}
    assert dict(hear(["bubbles", "haze"]).seen) == {"bubbles": 1.0, "haze": 1.0}
    assert not hear({"bubbles": 0}).seen
    assert hear("useless").asked and not hear("useless").seen and not hear("good").asked
    assert sign("bubbles").phrase == "bubbles" and FOUR.name == "four"
