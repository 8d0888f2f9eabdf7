"""The knobs over a window: what they show is what the fit says, and nothing is fitted again."""

from __future__ import annotations

from typing import Any

import pytest

from dtfexp import SessionError
from dtfexp.show.notebook import explorer as module
from dtfexp.show.notebook.cells import show_window
from dtfexp.show.notebook.explorer import Explorer
from tests.show.conftest import StandInFit


@pytest.fixture
def asked(fit: StandInFit, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Every question that a turn of a knob put."""
    seen: list[Any] = []

    def told(_fit: Any, fabric: str, **how: Any) -> Any:
        seen.append((fabric, how["pass_rate"], how["confidence"], how["unit"]))
        return show_window(_fit, fabric, **how)

    monkeypatch.setattr(module, "show_window", lambda *a, **k: told(*a, **k) if "key" in k else "")
    return seen


def test_a_turn_shows_what_the_cell_of_that_demand_shows(fit: StandInFit, asked: list[Any]) -> None:
    knobs = Explorer(fit, pass_rate=0.93)  # type: ignore[arg-type]
    assert asked == [("cotton jersey", 0.93, None, "°C")]
    assert ("93 of 100", 0.93) in knobs.pass_rate.options  # what was asked for stays within reach
    knobs.fabric.value = "polyester"
    knobs.pass_rate.value = 0.97
    knobs.confidence.value = 0.80
    knobs.unit.value = "°F"
    assert asked[1:] == [
        ("polyester", 0.93, None, "°C"),
        ("polyester", 0.97, None, "°C"),
        ("polyester", 0.97, 0.80, "°C"),
        ("polyester", 0.97, 0.80, "°F"),
    ]
    same = show_window(
        fit, "polyester", pass_rate=0.97, confidence=0.80, unit="°F", maps=module.MAPS,  # type: ignore[arg-type]
        key="dtfexp-explored",
    )  # fmt: skip
    assert knobs.shown.value == same.html == knobs._repr_html_()
    assert same.html.count("<svg") == 1 + module.MAPS
    assert "257\u00a0°F" in same.html


def test_a_late_message_does_not_bring_an_old_answer_back(
    fit: StandInFit, asked: list[Any]
) -> None:
    knobs = Explorer(fit)  # type: ignore[arg-type]
    with knobs.hold_trait_notifications():
        knobs.pass_rate.value = 0.80
    knobs._turned({"new": 0.99})  # of a knob that has moved on since
    assert [rate for _, rate, _, _ in asked] == [0.90, 0.80]


@pytest.mark.parametrize(
    "wrong, error", [({"fabric": "felt"}, SessionError), ({"unit": "K"}, SessionError)]
)
def test_a_wrong_name_is_said_at_once(
    fit: StandInFit, wrong: dict[str, Any], error: type[Exception]
) -> None:
    with pytest.raises(error):
        Explorer(fit, **wrong)  # type: ignore[arg-type]
