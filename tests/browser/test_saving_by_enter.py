"""The form without a mouse: a digit chooses, Enter saves, and an Enter too many does nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dtfexp import Logbook
from tests.browser.form import FORM, Form, planned
from tests.browser.lab import Lab


@pytest.fixture(scope="module")
def bench(shop: Path) -> Path:
    """The logbook of this file, in a folder of its own."""
    return planned(shop / "keys", 14)


@pytest.fixture(scope="module")
def form(bench: Path, page: Any, lab: Lab) -> Form:
    form = Form(page, lab, "keys/2_record.ipynb")
    form.open()
    return form


def recorded(bench: Path) -> list[tuple[int, float]]:
    with Logbook.open(bench) as book:
        history = book.history()
    return list(zip(history["press"].tolist(), history["peel"].tolist(), strict=True))


def test_digit_and_enter_go_from_press_to_press(form: Form, bench: Path) -> None:
    wanted = []
    for value in (5, 3):
        press = form.to_press()
        form.page.focus(FORM)
        form.page.keyboard.press(str(value))
        form.page.keyboard.press("Enter")
        form.said("good", f"press {press}: peel {value}")
        wanted.append((press, float(value)))
    assert recorded(bench) == wanted and wanted[0][0] != wanted[1][0]
    # Held too long, or pressed with a glove: it must not grade the next press.
    for _ in range(4):
        form.page.keyboard.press("Enter")
    assert recorded(bench) == wanted
    form.to_press()
    assert form.key("save").is_disabled()


def test_enter_in_the_note_saves_the_chosen_grade_with_it(form: Form, bench: Path) -> None:
    form.grade(form.to_press(), "peel", 4).tap()
    form.key("note").fill("corner cool")
    form.page.keyboard.press("Enter")
    form.said("good", "corner cool")
    assert len(recorded(bench)) == 3
