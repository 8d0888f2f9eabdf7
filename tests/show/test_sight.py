"""Drawings of what a plan can see: right lengths, right words, on the Axes given."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure

from dtfexp import Plan, Session, plan
from dtfexp.dialin.design.plan_comparison import compare_plans
from dtfexp.show.figures.figures import (
    correlation_map,
    detectable_effect_bars,
    plans_chart,
    prediction_sd_curve,
)
from dtfexp.show.figures.plan_check_figures import figure_text
from dtfexp.show.notebook.cells import show_check
from dtfexp.show.style.svg import inline_svg
from tests.dialin.bench import FOUR, HALF, SESSIONS, graded


@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
@pytest.mark.parametrize("presses", [0, 1, 9])
def test_each_draws_on_the_axes_it_is_given(session: Session, presses: int) -> None:
    made = Plan(session, plan(session, max(presses, 1)).runs.iloc[:presses], "auto", 0)
    check = made.check()
    for draw in (detectable_effect_bars, prediction_sd_curve, correlation_map):
        own = Figure().add_subplot()
        assert draw(check, ax=own) is own
    alone = detectable_effect_bars(check)
    ElementTree.fromstring(inline_svg(alone.figure, "s-1", "sight", figure_text(check)))
    ElementTree.fromstring(f"<div>{show_check(made).html}</div>".replace("&nbsp;", " "))


def test_bars_are_as_long_as_the_smallest_effects() -> None:
    check = plan(FOUR, 30, design="central composite").check()
    ax = detectable_effect_bars(check)
    table = check.terms.set_index("term")["smallest"]
    lengths = [bar.get_width() for bar in ax.patches]
    assert len(lengths) == 14
    own = table[["cure temperature", "cure time", "press temperature", "press time"]]
    np.testing.assert_allclose(lengths[:4], own.astype(float))
    names = [text.get_text() for text in ax.get_yticklabels()]
    assert names[:5][-1] == "cure temperature, middle"
    assert "cure time with press time" in names


def test_what_hides_and_what_luck_covers_is_said() -> None:
    runs = plan(FOUR, 8, design="fraction").runs
    runs["press time"] = np.where(runs["cure time"] == runs["cure time"].min(), 12.0, 19.0)
    check = Plan(FOUR, runs, "fraction", 0).check()
    texts = {text.get_text() for text in detectable_effect_bars(check).texts}
    assert "hidden behind another" in texts and "not separable from luck" in texts
    assert "press time hidden behind another" in figure_text(check)


def test_the_map_is_dark_where_two_effects_are_one() -> None:
    check = plan(FOUR, 8, design="fraction").check()
    mesh = correlation_map(check).collections[0]
    values = np.asarray(mesh.get_array()).reshape(len(check.correlation), -1)
    np.testing.assert_allclose(values, check.correlation.abs())
    assert (values[~np.eye(len(values), dtype=bool)] > 0.99).any()


def test_plans_stand_at_their_hours() -> None:
    found = compare_plans([plan(FOUR, 8, design="fraction"), plan(HALF, 12)])
    own = Figure().add_subplot()
    assert plans_chart(found, ax=own) is own
    points = np.vstack([marks.get_offsets() for marks in own.collections])
    assert set(np.round(points[:, 0], 9)) == set(np.round(found.table["hours"], 9))
    assert {text.get_text() for text in own.texts} == set(found.table["plan"])


def test_a_cell_counts_the_presses_before() -> None:
    first = graded(FOUR, plan(FOUR, 16, design="full factorial").runs)
    more = plan(FOUR, 6, design="d-optimal", include=first, restarts=1)
    assert show_check(more, first).text != show_check(more).text
    assert "where in its range each is best" in show_check(more, first).text
