"""The timeline as bars: three lanes, every minute of the plan, numbers that can be read."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest
from matplotlib.figure import Figure

from dtfexp import Plan, Session, plan
from dtfexp.show.figures.figures import timeline_chart
from dtfexp.show.figures.timeline import timeline_text
from dtfexp.show.style import palette
from dtfexp.show.style.svg import inline_svg
from tests.dialin.bench import FOUR, SESSIONS


def texts(ax) -> list[str]:
    return [text.get_text().strip() for text in ax.texts]


@pytest.mark.parametrize("session", SESSIONS, ids=lambda s: s.name)
def test_it_draws_on_the_axes_it_is_given_and_as_svg(session: Session) -> None:
    made = plan(session, 5)
    own = Figure().add_subplot()
    assert timeline_chart(made, ax=own) is own
    alone = timeline_chart(made)
    ElementTree.fromstring(inline_svg(alone.figure, "clock-1", "The clock", timeline_text(made)))
    assert [label.get_text() for label in alone.get_yticklabels()] == ["hands", "press", "oven"]


def test_every_step_is_a_bar_and_the_axis_is_the_whole_session() -> None:
    made = plan(FOUR, 6)
    steps = made.timeline()
    ax = timeline_chart(made)
    assert sum(len(bars.get_paths()) for bars in ax.collections) == len(steps)
    assert ax.get_xlim() == (0, steps["end"].max())
    loads = [str(n) for n in sorted(made.runs["oven_load"].unique())]
    assert texts(ax) == [*map(str, made.runs["press"]), *loads]
    assert {palette.OVEN, palette.PRESS, palette.HANDS} <= set(palette.DARK)


def test_days_are_named_and_numbers_never_overlap() -> None:
    made = plan(FOUR, 60, blocks=["Monday", "Tuesday"])
    ax = timeline_chart(made)
    assert texts(ax)[-2:] == ["Monday", "Tuesday"]
    for y in (1.46, 2.46):
        xs = sorted(text.get_position()[0] for text in ax.texts if text.get_position()[1] == y)
        assert len(xs) > 10
        assert min(b - a for a, b in pairwise(xs)) > 0.016 * ax.get_xlim()[1]


def test_no_presses_make_an_empty_chart() -> None:
    made = plan(FOUR, 1)
    none = Plan(FOUR, made.runs.iloc[:0], "next", 0)
    assert texts(timeline_chart(none)) == []
    assert timeline_text(none).startswith("0 presses in 0 minutes")
