"""The meaning of each grade of a plain 1-to-5 scale, in our own words.

Written for dtfexp. The texts of published scales (ISO 105-A02 grey scale, ISO 15487 appearance
after washing) are not repeated here.
"""

from __future__ import annotations

_PEEL = {
    1.0: "most of the print stays on the film or tears",
    2.0: "large parts lift with the film",
    3.0: "small letters, corners or edges lift",
    4.0: "releases whole; a speck or a slight drag at most",
    5.0: "releases whole, smoothly, with nothing left on the film",
}
_WASH = {
    1.0: "print is coming away or colour is gone",
    2.0: "clear peeling, cracking, bubbles or fading",
    3.0: "lifting at an edge, or a change seen at arm's length",
    4.0: "a slight change, seen only when looking closely",
    5.0: "no change beside an unwashed print",
}
_ANY = {
    1.0: "useless",
    2.0: "poor, a customer would return it",
    3.0: "doubtful, a customer might complain",
    4.0: "good, fit to sell",
    5.0: "faultless",
}


def default_guide(name: str, kind: str, worst: float, best: float) -> dict[float, str]:
    """Return a sentence for each grade, chosen by the outcome's name; {} when none is known."""
    if kind == "passfail":
        return dict(sorted({worst: "fail", best: "pass"}.items()))
    if kind != "graded" or (worst, best) != (1.0, 5.0):
        return {}
    word = name.casefold()
    if "wash" in word:
        return dict(_WASH)
    if "peel" in word or "release" in word:
        return dict(_PEEL)
    return dict(_ANY)


#: Words in an outcome's name, and the published scale for it. Numbers and titles of the standards
#: are from memory; their texts are not repeated here.
_PUBLISHED = (
    (("colour", "color", "fading"), "ISO 105-A02, grey scale for change in colour"),
    (("cross-cut", "cross cut", "adhesion"), "ISO 2409, cross-cut test, 0 is best"),
    (("wash",), "ISO 15487, appearance after washing; washing itself: ISO 6330"),
)


def published_scale(name: str, washes: int | None = None) -> str:
    """Return a sentence naming the published scale for an outcome; "" for none.

    The outcome's name decides. An outcome judged after washing that matches no name uses the scale
    for appearance after washing.
    """
    word = f"{name.casefold()} wash" if washes else name.casefold()
    for words, standard in _PUBLISHED:
        if any(known in word for known in words):
            return f"Published scale to compare with: {standard}."
    return ""
