"""What pictures of coupons gave, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dtfexp.book.coupons.readings import in_words
from dtfexp.coupon.layout import COLOURS
from dtfexp.coupon.measures import NO_LETTERS, NO_LINE, CouponMeasures, Measured
from dtfexp.coupon.reading.refusing import Refused
from dtfexp.describe.fields import count_phrase

if TYPE_CHECKING:
    from dtfexp.book.coupons.pictures import PictureReadings
    from dtfexp.book.coupons.readings import Reading

_HALVES = {"one": "", "wash": " (half to wash)", "keep": " (half to keep)"}


def picture_lines(one: PictureReadings) -> list[str]:
    """Return what a picture gave: coupons read, their measures and proposals, those refused."""
    lines = [f"{one.name}: {count_phrase(len(one.readings), 'coupon')} read."]
    for reading in one.readings:
        lines += [f"  {line}" for line in reading_lines(reading)]
    return lines + [f"  {refused_line(refused)}" for refused in one.refused]


def refused_line(refused: Refused) -> str:
    """Return which coupon is not read, why, and what to do."""
    label = refused.label
    who = "Not read" if label is None else f"Press {label.press}{_HALVES[label.half]} not read"
    return f"{who}: {refused.text}."


def reading_lines(reading: Reading) -> list[str]:
    """Return the measures of one coupon and the grades they propose."""
    after = (
        "" if not reading.washes else f", after {count_phrase(reading.washes, 'wash', 'washes')}"
    )
    lines = [f"Press {reading.press}{_HALVES[reading.half]}{after}:"]
    lines += [f"  {line}" for line in measure_lines(reading.measures)]
    lines += [f"  proposed: {in_words({n: one})}" for n, one in reading.proposals.items()]
    return lines


def measure_lines(measures: CouponMeasures) -> list[str]:
    """Return the measures of a coupon in plain words, with ± two standard errors."""
    told = [
        _percent("print missing", measures.missing),
        _percent("large solid cracked or lifted", measures.cracked),
        _smallest("thinnest line that holds", measures.line, "mm", NO_LINE),
        _smallest("thinnest gap that stays open", measures.gap, "mm", NO_LINE),
        _smallest("smallest letters that hold", measures.letters, "pt", NO_LETTERS),
        _percent("powder on the cloth beside the print", measures.halo)
        if measures.halo is not None
        else "powder beside the print: not seen on cloth this light",
        _colour(measures),
    ]
    return [line for line in told if line]


def _percent(what: str, one: Measured | None) -> str:
    return "" if one is None else f"{what}: {max(0.0, one.value):.1f} % (±{2 * one.sd:.1f})"


def _smallest(what: str, one: Measured | None, unit: str, none: float) -> str:
    if one is None:
        return ""
    return f"{what}: none" if one.value >= none else f"{what}: {one.value:g} {unit}"


def _colour(measures: CouponMeasures) -> str:
    changes = {name: c for name, c in measures.colours.items() if name in COLOURS}
    if not changes:
        return ""
    name, worst = max(changes.items(), key=lambda pair: pair[1].ciede2000.value)
    against = "the picture at the press" if measures.against == "before" else "the artwork"
    mean = sum(c.ciede2000.value for c in changes.values()) / len(changes)
    return (
        f"colour against {against}: {name} changed most, by {worst.ciede2000.value:.1f} "
        f"(±{2 * worst.ciede2000.sd:.1f}) CIEDE2000; all six by {mean:.1f} on average"
    )
