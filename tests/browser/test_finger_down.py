"""A tap counts, however long the finger rests and whatever is saved elsewhere meanwhile."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dtfexp import Logbook
from dtfexp.shop.files import copy_if_absent
from tests.browser.form import FORM, Form, entries, planned
from tests.browser.lab import Lab

#: What the form does by itself every few seconds, at once.
LOOK = "document.dispatchEvent(new Event('visibilitychange'))"

#: JupyterLab's menu for a cell.
MENU = ".lm-Menu"


@pytest.fixture(scope="module")
def bench(shop: Path) -> Path:
    """The logbook of this file, in a folder of its own."""
    return planned(shop / "finger", 14)


@pytest.fixture(scope="module")
def form(bench: Path, page: Any, lab: Lab) -> Form:
    form = Form(page, lab, "finger/2_record.ipynb")
    form.open()
    return form


def graded_elsewhere(form: Form, bench: Path) -> str:
    """Grade the last waiting press in another window; how the form then counts the washes."""
    with Logbook.open(bench, by="elsewhere") as book:
        waiting = book.waiting()
        book.record(
            int(waiting.loc[~waiting["pressed"].astype(bool), "press"].iloc[-1]), {"peel": 4}
        )
        count = int(book.waiting()["pressed"].sum())
    form.page.evaluate(LOOK)
    return f"Waiting for wash ({count})"


def test_a_tap_counts_when_another_window_saves_under_the_finger(form: Form, bench: Path) -> None:
    press = form.to_press()
    form.grade(press, "peel", 4).tap()
    washes, mouse = form.key("tab:wash"), form.page.mouse
    form.key("save").hover()
    mouse.down()
    counted = graded_elsewhere(form, bench)
    form.page.wait_for_timeout(1200)  # the answer has come, and waits
    assert washes.inner_text() != counted
    mouse.up()
    form.said("good", f"press {press}: peel 4")


def test_what_was_put_off_is_drawn_when_the_finger_has_gone(form: Form, bench: Path) -> None:
    form.to_press()
    form.page.locator(f"{FORM} .session").hover()  # no button: nothing is clicked
    form.page.mouse.down()
    counted = graded_elsewhere(form, bench)
    form.page.mouse.move(2, 2)
    form.page.mouse.up()
    form.page.locator(f"{FORM} button", has_text=counted).wait_for()


def test_a_finger_that_stays_does_not_hold_the_form_for_ever(form: Form, bench: Path) -> None:
    form.page.locator(f"{FORM} .session").hover()
    form.page.mouse.down()
    counted = graded_elsewhere(form, bench)
    form.page.locator(f"{FORM} button", has_text=counted).wait_for()
    form.page.mouse.up()


def test_a_finger_that_rests_on_a_button_taps_it(form: Form, bench: Path) -> None:
    press = form.to_press()
    form.grade(press, "peel", 4).tap()
    form.key("save").scroll_into_view_if_needed()
    box = form.key("save").bounding_box()
    place = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
    touch = form.page.context.new_cdp_session(form.page)
    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [place]})
    form.page.wait_for_timeout(1500)
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    form.said("good", f"press {press}: peel 4")
    assert form.page.locator(MENU).count() == 0
    assert [row["peel"] for row in entries(bench.parent, press)] == [4]


def test_the_other_mouse_button_still_opens_the_menu_of_the_page(form: Form) -> None:
    form.page.locator(f"{FORM} .session").click(button="right")
    form.page.locator(MENU).wait_for()
    form.page.keyboard.press("Escape")


def test_what_is_typed_just_before_a_slow_tap_counts(shop: Path, page: Any, lab: Lab) -> None:
    """The kernel answers what was typed while the finger is on the button that uses it."""
    folder = shop / "slow"
    copy_if_absent(folder)
    sheet = Form(page, lab, "slow/1_plan.ipynb")
    sheet.open(f"{FORM} [data-k=film]")
    sheet.key("fabric 1").fill("cotton tee")
    sheet.key("film").fill("matte")
    sheet.key("do:save").click()
    sheet.said("good", "is described in")
    sheet.key("presses").fill("5")
    sheet.key("do:plan").hover()
    page.mouse.down()
    page.wait_for_timeout(600)  # the answer has come
    page.mouse.up()
    sheet.said("good", "with 5 test presses")
