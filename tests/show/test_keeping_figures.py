"""The pictures of keeping a window: on given Axes or their own, with what they must show."""

import pandas as pd
import pytest
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure

from dtfexp import watch
from dtfexp.dialin.confirm.terms import Terms
from dtfexp.show.figures.figures import alarm_sum, failing_days, operating_curve
from dtfexp.show.notebook.panel import panel
from tests.dialin.bench import FOUR


@pytest.fixture(scope="module")
def watched():
    days = pd.date_range("2026-03-02", periods=12).strftime("%Y-%m-%d")
    failed = [0, 1, 0, 9, 0, 1, 0, 0, 5, 6, 4, 5]
    frame = pd.DataFrame({"day": days, "fabric": "cotton", "pressed": 20, "failed": failed})
    frame["warm_up"] = [k == 3 for k in range(12)]
    return watch(frame, "cotton", usual=0.03, caught=0.15)


def marks(ax):
    return [c for c in ax.collections if isinstance(c, PathCollection) and len(c.get_offsets())]


def test_on_given_axes_and_on_their_own(watched):
    for draw, result in (
        (failing_days, watched), (alarm_sum, watched), (operating_curve, Terms(0.9, 0.9)),
    ):  # fmt: skip
        given = Figure().add_subplot()
        assert draw(result, ax=given) is given
        assert draw(result).figure is not given.figure


def test_the_alarm_is_marked_on_its_day_and_warm_up_is_hollow(watched):
    ax = alarm_sum(watched)
    (mark,) = [c.get_offsets() for c in marks(ax)]
    day = watched.days["day"].tolist().index(watched.alarm.day)
    assert mark.tolist() == [[day, watched.days["score"].iloc[day]]]
    shaded = [p for p in ax.patches if p.get_x() == day - 0.5]
    assert shaded and ax.get_ylim()[1] > watched.limit
    solid, hollow = marks(failing_days(watched))
    assert len(solid.get_offsets()) == 11 and hollow.get_offsets().tolist() == [[3.0, 45.0]]


def test_no_day_yet_draws_empty_axes():
    empty = watch(pd.DataFrame(), "cotton", usual=0.03)
    assert failing_days(empty).get_ylim()[1] == 12.5
    assert alarm_sum(empty).get_ylim()[1] > empty.limit


def test_the_curve_is_that_of_the_terms():
    terms = Terms(0.9, 0.9, sequential=True)
    ax = operating_curve(terms)
    curve = terms.curve()
    assert ax.lines[0].get_ydata().tolist() == pytest.approx(curve["confirmed"].tolist())
    assert any("presses made" in text.get_text() for text in ax.texts)


def test_a_panel_names_settings_as_a_person_does_and_escapes():
    shown = panel("A & <b>", ["cure temperature up"], session=FOUR, settings=True)
    assert "A &amp; &lt;b&gt;" in shown.html and "burn at a touch" in shown.html
    assert repr(shown).startswith("A & <b>\ncure temperature up\nHOT")
