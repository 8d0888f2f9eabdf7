"""Figures: Axes in, Axes out; the right scale; never pyplot; the same text every time."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure

from dtfexp import Factor, Outcome, Session, SessionError
from dtfexp.dialin.encode import set_point_lines
from dtfexp.show.figures.figures import curve, pass_map, window_bars
from dtfexp.show.style import palette
from dtfexp.show.style.svg import inline_svg
from tests.show.conftest import StandInFit, make_results

FABRIC = "cotton jersey"


def every_figure(fit: StandInFit, fabric: str = FABRIC) -> dict[str, object]:
    return {
        "map": lambda ax=None: pass_map(fit, fabric, "cure_temperature", "cure_time", ax=ax),
        "curve": lambda ax=None: curve(fit, fabric, "press_time", ax=ax),
        "words": lambda ax=None: curve(fit, fabric, "pressure", ax=ax),
        "bars": lambda ax=None: window_bars(fit.window(fabric), fit.session, ax=ax),
    }


@pytest.mark.parametrize("name", ["map", "curve", "words", "bars"])
@pytest.mark.parametrize("found", [True, False])
@pytest.mark.parametrize("presses", [0, 1, 12])
def test_each_draws_on_the_axes_it_is_given(
    session: Session, name: str, found: bool, presses: int
) -> None:
    fit = StandInFit(session, make_results(session, presses), found=found)
    own = Figure().add_subplot()
    draw = every_figure(fit)[name]
    assert draw(ax=own) is own
    alone = draw()
    assert alone.figure is not own.figure
    ElementTree.fromstring(inline_svg(alone.figure, "f-1", "title", "told"))


def test_pass_rates_share_one_scale(fit: StandInFit) -> None:
    for name in ("curve", "words"):
        ax = every_figure(fit)[name]()
        assert ax.get_ylim() == (-0.06, 1.06)
        assert [text.get_text() for text in ax.get_yticklabels()] == ["0", "25", "50", "75", "100"]


def test_axes_carry_units_and_follow_the_reading(fit: StandInFit) -> None:
    ax = pass_map(fit, FABRIC, "press_temperature", "press_time", unit="°F")
    assert ax.get_xlabel() == "press temperature (°F)"
    assert ax.get_ylabel() == "press time (s)"
    assert ax.get_xlim() == (284.0, 356.0)  # 140 to 180 °C
    assert curve(fit, FABRIC, "cure_time").get_xlabel() == "cure time (s)"


def test_the_map_is_drawn_with_the_shared_levels_and_colours(fit: StandInFit) -> None:
    ax = pass_map(fit, FABRIC, "cure_temperature", "cure_time")
    filled = ax.collections[0]
    assert tuple(filled.levels) == palette.RATE_LEVELS
    shown = {inked for inked in palette.RATE_COLOURS if inked in _colours(ax)}
    assert len(shown) >= 3


def test_a_map_needs_two_different_numbers(fit: StandInFit) -> None:
    with pytest.raises(SessionError, match=r"'pressure'.*numbers"):
        pass_map(fit, FABRIC, "pressure", "cure_time")
    with pytest.raises(SessionError, match="two different settings"):
        pass_map(fit, FABRIC, "cure_time", "cure_time")
    with pytest.raises(SessionError, match="colour"):
        curve(fit, FABRIC, "colour")


def test_nothing_is_asked_above_the_heat_limit(fit: StandInFit) -> None:
    at = fit.window("polyester").target
    line = set_point_lines.curve_settings(fit.session, "polyester", "press_temperature", at)
    # The limit is 165 °C, and the press may run 5 °C hotter than its dial.
    assert line["press_temperature"].max() == 160
    plane = set_point_lines.map_settings(
        fit.session, "polyester", "press_temperature", "press_time", at
    )
    assert plane["press_temperature"].max() == 160
    assert len(plane) == set_point_lines.MAP_POINTS**2
    free = set_point_lines.curve_settings(fit.session, FABRIC, "press_temperature", at)
    assert free["press_temperature"].max() == 180


def test_the_limit_is_written_on_the_figure(fit: StandInFit) -> None:
    texts = [t.get_text() for t in curve(fit, "polyester", "press_temperature").texts]
    assert "above heat limit" in texts
    texts = [t.get_text() for t in curve(fit, FABRIC, "press_temperature").texts]
    assert "above heat limit" not in texts


def test_pairs_are_few_and_of_one_stage_first() -> None:
    many = Session(
        "many",
        [Factor(f"c{i}", 0, 10, stage="cure") for i in range(3)]
        + [Factor(f"p{i}", 0, 10) for i in range(4)],
        [Outcome("peel")],
        ["x"],
    )
    sways = {f.name: 0.1 for f in many.factors} | {"c0": 0.9, "p0": 0.9}
    pairs = set_point_lines.pairs_worth_a_map(many, sways)
    assert len(pairs) == set_point_lines.MOST_MAPS
    # 3 cure pairs and 6 press pairs are of one stage; those with c0 or p0 matter most.
    assert all(a[0] == b[0] for a, b in pairs)
    assert set(pairs) < {("c0", "c1"), ("c0", "c2"), ("p0", "p1"), ("p0", "p2"), ("p0", "p3")}


def test_the_same_figure_gives_the_same_text_whatever_the_notebook_style(
    fit: StandInFit,
) -> None:
    import matplotlib

    first = inline_svg(every_figure(fit)["map"]().figure, "a-1", "t", "d")
    assert inline_svg(every_figure(fit)["map"]().figure, "a-1", "t", "d") == first
    assert "2026" not in first and "<metadata" not in first
    assert matplotlib.rcParams["svg.hashsalt"] is None


def test_two_figures_on_one_page_share_no_id(fit: StandInFit) -> None:
    one = inline_svg(every_figure(fit)["map"]().figure, "a-1", "t", "d")
    two = inline_svg(every_figure(fit)["map"]().figure, "a-2", "t", "d")
    assert not _ids(one) & _ids(two)
    for text in (one, two):
        root = ElementTree.fromstring(text)
        used = {v[1:] for e in root.iter() for k, v in e.attrib.items() if k.endswith("href")}
        used |= {v[5:-1] for e in root.iter() for v in e.attrib.values() if v.startswith("url(#")}
        assert used <= _ids(text)


def test_names_are_text_and_never_formulas_or_markup() -> None:
    hostile = Session(
        "s",
        [
            Factor("cost $x_{1}$ & <b>", 0, 10, "s", usual=5),
            Factor("heat $\\frac", 0, 10, usual=5),
            Factor("w", levels=("$a$", "<i>")),
        ],
        [Outcome("peel")],
        ["<script>alert(1)</script>"],
    )
    name = hostile.fabrics[0].name
    fit = StandInFit(hostile, make_results(hostile))
    first, second, words = (f.name for f in hostile.factors)
    for ax in (
        pass_map(fit, name, first, second),
        curve(fit, name, words),
        window_bars(fit.window(name), hostile),
    ):
        text = inline_svg(ax.figure, "h", name, name)
        ElementTree.fromstring(text)
        assert "<script>" not in text and "<b>" not in text and "<i>" not in text
    assert "cost $x {1}$ &amp; &lt;b&gt;" in inline_svg(
        curve(fit, name, first).figure, "h", "t", "d"
    )


def test_the_svg_speaks_and_takes_its_colours_from_the_page(fit: StandInFit) -> None:
    text = inline_svg(every_figure(fit)["map"]().figure, "a-1", "A title", "What is seen")
    root = ElementTree.fromstring(text)
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-labelledby"] == "a-1-title a-1-told"
    assert '<title id="a-1-title">A title</title>' in text
    for colour in (palette.INK, palette.WINDOW, palette.RATE_COLOURS[-1]):
        assert f"var({palette.variable(colour)})" in text
        assert colour not in text


def test_every_ink_differs_and_has_a_dark_twin() -> None:
    named = [v for k, v in vars(palette).items() if k.isupper() and isinstance(v, str)]
    colours = [*named, *palette.RATE_COLOURS, *palette.HEAT]
    assert len(set(colours)) == len(colours)
    assert set(palette.DARK) == set(colours)


def _luminance(colour: str) -> float:
    # WCAG 2.2, relative luminance.
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def _contrast(one: str, two: str) -> float:
    high, low = sorted((_luminance(one), _luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_enough_on_light_and_on_dark() -> None:
    for colour in (palette.INK, palette.QUIET):  # text: 4.5 (WCAG 2.2, 1.4.3)
        assert _contrast(colour, palette.PAPER) >= 4.5
        assert _contrast(palette.DARK[colour], palette.DARK[palette.PAPER]) >= 4.5
    for colour in (
        palette.WINDOW,
        palette.PASS,
        palette.FAIL,
        palette.PENDING,
    ):  # marks: 3 (WCAG 2.2, 1.4.11)
        assert _contrast(colour, palette.PAPER) >= 3
        assert _contrast(palette.DARK[colour], palette.DARK[palette.PAPER]) >= 3


def test_the_rate_scale_keeps_its_order_in_grey_print() -> None:
    light = [_luminance(c) for c in palette.RATE_COLOURS]
    assert light == sorted(light, reverse=True)
    dark = [_luminance(palette.DARK[c]) for c in palette.RATE_COLOURS]
    assert dark == sorted(dark)


def test_no_figure_loads_pyplot() -> None:
    code = (
        "import sys, dtfexp.show.figures.figures, dtfexp.show.style.svg as s; s.figure(10, 10);"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def _ids(text: str) -> set[str]:
    return {e.attrib["id"] for e in ElementTree.fromstring(text).iter() if "id" in e.attrib}


def _colours(ax: object) -> set[str]:
    from matplotlib.colors import to_hex

    return {to_hex(c) for c in ax.collections[0].get_facecolor()}  # type: ignore[attr-defined]


def test_a_window_of_one_level_is_told_once(fit: StandInFit) -> None:
    window = fit.window("polyester")
    assert window.low is not None
    narrow = replace(window, high=window.low)
    texts = [text.get_text() for text in window_bars(narrow, fit.session).texts]
    numeric = sum(factor.is_numeric for factor in fit.session.factors)
    only = [text for text in texts if text.startswith("only ")]
    assert len(only) == numeric and "14" not in texts
