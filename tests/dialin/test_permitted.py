"""Nothing forbidden is ever planned: the press moves as little as it can, and the plan says so."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dtfexp import Logbook, LogbookError, PlanError, Session, next_presses, plan
from dtfexp.dialin.design.plan import DESIGNS
from dtfexp.dialin.encode import forbidden_repair
from dtfexp.dialin.encode import grid as grids
from dtfexp.dialin.encode.forbidden_repair import move_out_of_forbidden
from tests.dialin.bench import CURE, CURE_TIME, FOUR, PEEL, PRESSURE, graded

HOT_LONG = {"cure temperature": "> 130", "cure time": "> 70", "note": "the film yellows"}


def with_corners(session: Session, *corners: dict) -> Session:
    return Session(
        session.name, session.factors, session.outcomes, session.fabrics, forbidden=corners
    )


def wanted(**one) -> pd.DataFrame:
    press = {"fabric": "cotton", "cure temperature": 125.0, "cure time": 60.0}
    press |= {"press temperature": 310.0, "press time": 15.0}
    return pd.DataFrame([press | one])


def test_a_press_leaves_the_corner_by_the_shortest_way() -> None:
    session = with_corners(FOUR, HOT_LONG)
    # Cure time has 90 s of range and 80 s is one step too long; temperature would move 10 of 40.
    near, met = move_out_of_forbidden(
        session, wanted(**{"cure temperature": 140.0, "cure time": 80.0})
    )
    assert near[["cure temperature", "cure time"]].values.tolist() == [[140.0, 70.0]]
    assert [str(corner) for corner in met] == [str(session.forbidden[0])]
    near, _ = move_out_of_forbidden(
        session, wanted(**{"cure temperature": 135.0, "cure time": 120.0})
    )
    assert near[["cure temperature", "cure time"]].values.tolist() == [[130.0, 120.0]]
    same, met = move_out_of_forbidden(session, wanted())
    assert met == () and same.equals(wanted())


def test_out_of_one_corner_and_not_into_the_next() -> None:
    corners = (HOT_LONG, {"cure temperature": "> 130", "cure time": "60 to 70"})
    session = with_corners(FOUR, *corners)
    near, _ = move_out_of_forbidden(
        session, wanted(**{"cure temperature": 145.0, "cure time": 80.0})
    )
    assert session.permits(near).all()
    assert near["cure time"].tolist() == [50.0]  # 30 s of 90, less than 15 °C of 40


@pytest.mark.parametrize("design", [d for d in DESIGNS if not d.endswith("optimal")])
def test_every_plan_keeps_out_and_tells_what_was_in_the_way(design: str) -> None:
    session = with_corners(FOUR, HOT_LONG)
    made = plan(session, 30, design=design)
    assert session.permits(made.runs).all()
    # A Latin hypercube goes round the corner by itself: nothing has to be moved.
    told = sum("the film yellows" in note for note in made.notes)
    assert told == (0 if design == "latin hypercube" else 1)
    assert len(made.runs) == len(plan(FOUR, 30, design=design).runs)


@pytest.mark.parametrize("design", ["auto", "fraction", "plackett-burman"])
def test_a_plan_that_can_be_turned_out_of_a_corner_moves_nothing(design: str) -> None:
    # All four settings high is one corner of a fraction in eight presses, or of its mirror image.
    corner = {"cure temperature": "> 130", "cure time": "> 70", "press time": "> 17"}
    session = with_corners(FOUR, corner | {"press temperature": "> 315"})
    made = plan(session, 9, design=design, reach=0.6) if design != "auto" else plan(session, 9)
    assert session.permits(made.runs).all()
    assert not any("moved" in note for note in made.notes)


def test_a_plan_that_would_lose_a_setting_names_the_clash() -> None:
    session = with_corners(FOUR, {"cure temperature": "> 120", "note": "the oven smokes"})
    assert set(plan(session, 10).runs["cure temperature"]) <= {115.0, 120.0}
    with pytest.raises(PlanError) as error:
        plan(session, 16, design="fraction", reach=0.2)
    assert "the oven smokes" in str(error.value) and "'cure temperature'" in str(error.value)


def test_next_presses_keep_out_too() -> None:
    session = with_corners(FOUR, {"cure temperature": "> 120", "cure time": ">= 60"})
    results = graded(session, plan(FOUR, 10).runs)
    more = next_presses(session, results, 8)
    assert len(more.runs) == 8 and session.permits(more.runs).all()


def test_the_grid_of_the_window_knows_what_is_forbidden() -> None:
    session = with_corners(FOUR, HOT_LONG)
    grid = grids.grid(session, "cotton", {}, 2000)
    allowed = grid.permitted(session, "cotton")
    assert allowed.shape == grid.shape and allowed.any() and not allowed.all()
    for index in ((0, -1), (-1, 0), (-1, -1)):
        here = {f.name: a[i] for f, a, i in zip(grid.factors, grid.axes, index, strict=False)}
        hot_and_long = here["cure temperature"] > 130 and here["cure time"] > 70
        assert allowed[index].all() != hot_and_long


def test_a_logbook_takes_no_forbidden_press(tmp_path) -> None:
    session = with_corners(FOUR, HOT_LONG)
    free = replace(plan(FOUR, 16, design="full factorial", reach=1.0), session=session)
    with (
        Logbook.create(tmp_path / "a.dtfbook", session) as book,
        pytest.raises(LogbookError, match="the film yellows"),
    ):
        book.add(free)


def test_what_is_left_is_used_and_nothing_near_names_the_clash(monkeypatch) -> None:
    session = with_corners(FOUR, {"cure temperature": "< 145"})
    assert set(plan(session, 6).runs["cure temperature"]) == {145.0}
    monkeypatch.setattr(forbidden_repair, "_MOST_LOOKED_AT", 1)
    with pytest.raises(PlanError, match="forbidden is cure temperature < 145"):
        plan(session, 6)


BENCH = Session("b", [CURE, CURE_TIME, PRESSURE, PEEL], FOUR.outcomes, ["cotton"])
CORNER = st.fixed_dictionaries(
    {},
    optional={
        "cure temperature": st.sampled_from(["> 120", "<= 110", "115 to 135", 125]),
        "cure time": st.sampled_from(["> 60", "< 100", "= 60"]),
        "pressure": st.sampled_from(["light", ["medium", "firm"]]),
        "peel method": st.sampled_from([["hot"], ["cold", "warm"]]),
    },
).filter(lambda corner: len(corner) > 1)


@settings(max_examples=80, deadline=None)
@given(
    corners=st.lists(CORNER, min_size=1, max_size=4),
    presses=st.integers(1, 40),
    design=st.sampled_from([d for d in DESIGNS if not d.endswith("optimal")]),
)
def test_whatever_is_forbidden_the_plan_keeps_out(
    corners: list[dict], presses: int, design: str
) -> None:
    try:
        session = with_corners(BENCH, *corners)
    except ValueError as error:
        assert "leaves no setting" in str(error)
        return
    try:
        made = plan(session, presses, design=design)
    except PlanError as error:
        assert design != "auto" and any(
            word in str(error) for word in ("needs", "what is forbidden", "box-behnken takes")
        )
        return
    assert session.permits(made.runs).all() and len(made.runs) <= presses
    if design == "auto":
        assert len(made.runs) == presses
