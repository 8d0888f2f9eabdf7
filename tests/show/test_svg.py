"""A figure as a piece of a page: the same on processors that differ in their last digits."""

from __future__ import annotations

import re

import numpy as np

from dtfexp.show.style.svg import figure, inline_svg


def drawn(off: float) -> str:
    """A figure of every kind of mark, its data off by a relative ``off``."""
    made = figure(300, 200)
    axes = made.add_subplot()
    x = np.linspace(0, 1, 40)
    axes.plot(x, np.sin(7 * x) * (1 + off), "o-")
    axes.fill_between(x, 0, np.exp(-x) * (1 - off), alpha=0.35, hatch="//")
    axes.scatter(x, x**2 * (1 + 3 * off), s=9)
    # Ticks that fall on exact halves of a hundredth of a pixel stay where they are, too.
    axes.set_xlim(0, 1.0 + off)
    return inline_svg(made, "name", "title", "told")


def test_what_differs_in_the_last_digits_is_drawn_with_the_same_letters() -> None:
    assert drawn(0.0) == drawn(1e-13) == drawn(-1e-13)
    assert drawn(0.0) != drawn(1e-2)


def test_every_part_has_a_name_of_its_own_and_every_reference_a_part() -> None:
    text = drawn(0.0)
    names = re.findall(r'\bid="([^"]+)"', text)
    assert len(names) == len(set(names)) and all(name.startswith("name-") for name in names)
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', text))
    assert used and {a or b for a, b in used} <= set(names)
    assert not re.findall(r"\d\.\d{5,}", text)
