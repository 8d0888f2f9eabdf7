"""The form without a mouse: a digit chooses, Enter saves, and an Enter too many does nothing."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from dtfexp import Logbook, Session, plan
from dtfexp.shop.files import copy_if_absent
from tests.browser.form import FORM, Form
from tests.browser.lab import Lab


@pytest.fixture(scope="module")
def bench(shop: Path) -> Path:
    """The logbook of this file, in a folder of its own."""
    folder = shop / "keys"
    copy_if_absent(folder)
    session = Session.load(folder / "example_session.toml")
    with Logbook.create(folder / "logbook.dtfbook", session) as book:
        book.add(plan(session, 14))
    return folder / "logbook.dtfbook"


@pytest.fixture(scope="module")
def form(bench: Path, page: Any, lab: Lab) -> Any:
    Form(page, lab, "keys/2_record.ipynb").open()
    return page


def recorded(bench: Path) -> list[tuple[int, float]]:
    with Logbook.open(bench) as book:
        history = book.history()
    return list(zip(history["press"].tolist(), history["peel"].tolist(), strict=True))


def test_digit_and_enter_go_from_press_to_press(form: Any, bench: Path) -> None:
    wanted = []
    form.focus(FORM)
    for value in (5, 3):
        press = int(re.findall(r"Press (\d+)", form.inner_text(f"{FORM} .now"))[0])
        form.keyboard.press(str(value))
        form.keyboard.press("Enter")
        form.locator(f"{FORM} .said.good", has_text=f"press {press}: peel {value}").wait_for()
        wanted.append((press, float(value)))
    assert recorded(bench) == wanted and wanted[0][0] != wanted[1][0]
    # Held too long, or pressed with a glove: it must not grade the next press.
    for _ in range(4):
        form.keyboard.press("Enter")
    assert form.is_disabled(f"{FORM} [data-k=save]")
    assert recorded(bench) == wanted


def test_enter_in_the_note_saves_the_chosen_grade_with_it(form: Any, bench: Path) -> None:
    form.click(f"{FORM} .grades button:has(b:text-is('4'))")
    form.fill(f"{FORM} [data-k=note]", "corner cool")
    form.keyboard.press("Enter")
    form.locator(f"{FORM} .said.good", has_text="corner cool").wait_for()
    assert len(recorded(bench)) == 3


def test_settings_grades_and_save_stand_on_one_screen(form: Any) -> None:
    top = form.locator(f"{FORM} .now").bounding_box()
    save = form.locator(f"{FORM} [data-k=save]").bounding_box()
    # What a page of JupyterLab shows at 1024 by 768, its own bars taken off.
    assert save["y"] + save["height"] - top["y"] < 640
