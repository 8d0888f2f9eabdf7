"""The recording form in a real JupyterLab, used as at the press, checked in the logbook file.

The tests share one notebook and go on from press to press, in the order in which they stand.
"""

from __future__ import annotations

import json
import re
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from dtfexp import Logbook
from dtfexp.book.coupons.readings import readings
from dtfexp.book.store import photos
from dtfexp.coupon.payload import Label, session_code
from tests.browser.form import (
    FORM,
    Form,
    beeps,
    clocked,
    entries,
    held,
    killed,
    restart_by_menu,
    set_to,
    setting,
    uncured,
)
from tests.browser.lab import Lab
from tests.coupon.prints import Damage, printed
from tests.coupon.scenes import CLOTH, Camera, Cloth, Scene, photo


def test_two_by_touch_and_two_by_keyboard(form: Form, shop: Path) -> None:
    form.key("by").fill("Ro")
    wanted = {}
    assert form.stop == "Cure load 1", "hands begin at the oven"
    for value in (4, 2):
        press = form.shown
        form.grade(press, "peel", value).tap()
        form.key("save").tap()
        form.said("good", f"press {press}: peel {value}")
        wanted[press] = value
        form.to_press()
        assert form.key("save").is_disabled(), "a grade must not pass on to the next press"
    for value in (5, 3):
        press = form.shown
        form.grade(press, "peel", 1).focus()
        form.page.keyboard.press(str(value))
        form.page.keyboard.press("Control+Enter")
        form.said("good", f"press {press}: peel {value}")
        wanted[press] = value
    assert len(wanted) == 4
    assert {press: held(shop, press)["peel"] for press in wanted} == wanted
    assert [row["by"] for row in entries(shop)] == ["Ro"] * 4


def test_letters_typed_in_the_form_are_no_notebook_commands(form: Form) -> None:
    cells = form.page.locator(".jp-Notebook .jp-Cell").count()
    form.grade(form.shown, "peel", 1).focus()
    for letter in ("d", "d", "a", "b", "x"):
        form.page.keyboard.press(letter)
    assert form.page.locator(".jp-Notebook .jp-Cell").count() == cells
    assert form.page.locator(FORM).count() == 1


def test_what_was_reached_is_understood_or_refused(form: Form, shop: Path) -> None:
    press = form.shown
    form.grade(press, "peel", 4).tap()
    form.key("reached").tap()
    form.key("r:press temperature").fill("30x5")
    form.key("save").tap()
    assert "30x5" in form.said("bad", "NOT SAVED")
    assert entries(shop, press) == []
    assert form.key("r:press temperature").input_value() == "30x5"
    fahrenheit = set_to(shop, press) * 9 / 5 + 32.5
    form.key("r:press temperature").fill(f"{fahrenheit:.1f} F".replace(".", ","))
    form.key("d:bubbles").tap()
    form.key("note").fill("left corner, cold spot")
    form.key("save").tap()
    form.said("good", f"press {press}")
    row = held(shop, press)
    assert row["press temperature_actual"] == pytest.approx((round(fahrenheit, 1) - 32) * 5 / 9)
    assert (row["peel"], row["defects"], row["note"]) == (4, "bubbles", "left corner, cold spot")


def test_a_reading_in_the_other_unit_is_asked_about(form: Form, shop: Path) -> None:
    press = form.shown
    form.grade(press, "peel", 4).tap()
    form.key("reached").tap()
    form.key("r:press temperature").fill("320")
    form.key("save").tap()
    form.said("bad", "NOT SAVED")
    assert entries(shop, press) == []
    box = form.page.locator(f"{FORM} .warning", has_text="320 °C?")
    assert "Did you mean 320 °F = 160 °C?" in " ".join(box.inner_text().split())
    form.key("keep:press temperature").wait_for()
    form.key("meant:press temperature").tap()
    form.said("good", f"press {press}")
    assert held(shop, press)["press temperature_actual"] == pytest.approx(160)


def test_a_slip_of_the_pen_is_asked_about_and_mended_by_a_tap(form: Form, shop: Path) -> None:
    press, planned = form.shown, set_to(shop, form.shown)
    form.grade(press, "peel", 4).tap()
    form.key("reached").tap()
    form.key("r:press temperature").fill(f"{(planned + 0.5) / 10:g}")
    form.key("save").tap()
    form.said("bad", "NOT SAVED")
    assert entries(shop, press) == []
    assert form.key("meant:press temperature").inner_text() == f"It was {planned + 0.5:g} °C"
    form.key("meant:press temperature").tap()
    form.said("good", f"press {press}")
    assert held(shop, press)["press temperature_actual"] == pytest.approx(planned + 0.5)


def test_a_reading_past_the_limit_is_saved_in_red(form: Form, shop: Path) -> None:
    with Logbook.open(shop / "logbook.dtfbook") as book:
        limit = {f.name: f.limit_in("°C") for f in book.session.fabrics}
        runs = book.waiting()
        hot = runs[runs["fabric"].map(limit).notna() & ~runs["pressed"].astype(bool)]
    press = int(hot["press"].iloc[-1])
    form.key("goto").select_option(str(press))
    form.grade(press, "peel", 4).tap()
    form.key("reached").tap()
    form.key("r:press temperature").fill("190")
    form.key("save").tap()
    form.key("keep:press temperature").tap()  # so far off, it is asked about first
    assert "PAST THE LIMIT: press temperature reached 190 °C" in form.said("past", "Saved")
    form.key("goto").select_option(str(press))
    form.page.locator(f"{FORM} p.past", has_text="scorch").wait_for()
    assert held(shop, press)["press temperature_actual"] == 190


def test_a_reload_comes_back_to_the_half_typed_entry(form: Form, shop: Path) -> None:
    press, before = form.shown, len(entries(shop))
    form.grade(press, "peel", 3).tap()
    form.key("note").fill("half a no")
    form.page.reload()
    form.run_all()
    assert form.shown == press
    assert form.grade(press, "peel", 3).get_attribute("aria-pressed") == "true"
    assert form.key("note").input_value() == "half a no"
    assert len(entries(shop)) == before
    form.key("save").tap()
    form.said("good", f"press {press}")
    assert (held(shop, press)["peel"], held(shop, press)["note"]) == (3, "half a no")


@pytest.mark.parametrize(("restart", "reload"), [(restart_by_menu, False), (killed, True)])
def test_a_restarted_kernel_is_told_and_then_makes_exactly_one_entry(
    form: Form, shop: Path, lab: Lab, restart: Callable[[Form], None], reload: bool
) -> None:
    press, before = form.shown, len(entries(shop))
    restart(form)
    if restart is not killed:  # a crash is not waited for
        form.page.wait_for_timeout(1500)
        lab.idle_kernel()
    form.grade(press, "peel", 5).tap()
    form.key("save").tap()
    assert "kept" in form.said("bad", "NOT SAVED")
    assert len(entries(shop)) == before
    if reload:
        form.page.reload()
    form.run_all()
    assert form.shown == press
    assert form.grade(press, "peel", 5).get_attribute("aria-pressed") == "true"
    form.key("save").tap()
    form.said("good", f"press {press}: peel 5")
    assert [row["peel"] for row in entries(shop, press)] == [5.0]
    assert len(entries(shop)) == before + 1


def test_spoil_undo_and_history(form: Form, shop: Path) -> None:
    press = form.shown
    form.key("more").tap()
    form.key("exclude").tap()
    assert form.key("ask").is_disabled(), "a reason is asked for"
    form.key("reason").fill("film slipped")
    form.key("ask").tap()
    form.said("good", "left out")
    assert held(shop, press)["excluded"]
    form.key("undo-saved").tap()
    form.said("good", "taken back")
    assert form.shown == press
    assert not held(shop, press)["excluded"]
    form.key("history").tap()
    lines = form.page.locator(f"{FORM} .lines tr")
    lines.nth(1).wait_for()
    assert "film slipped" in "".join(lines.all_inner_texts())
    assert [row["excluded"] for row in entries(shop, press)] == ["film slipped", ""]
    form.key("more").tap()


def test_a_correction_is_added(form: Form, shop: Path) -> None:
    press = entries(shop)[0]["press"]
    form.key("goto").select_option(str(press))
    form.grade(press, "peel", 1).tap()
    form.key("save").tap()
    form.said("good", f"press {press}: peel 1")
    assert [row["peel"] for row in entries(shop, press)] == [4.0, 1.0]
    assert held(shop, press)["peel"] == 1


def test_what_another_window_saved_shows_by_itself(form: Form, shop: Path) -> None:
    press = form.shown
    with Logbook.open(shop / "logbook.dtfbook", by="elsewhere") as book:
        waiting = int((book.waiting()["pressed"]).sum())
        book.record(press, {"peel": 4}, note="from the other window")
    form.page.locator(f"{FORM} button", has_text=f"({waiting + 1})").wait_for()
    form.key("goto").select_option(str(press))
    assert form.key("note").input_value() == "from the other window"
    form.key("after").tap()


def test_a_countdown_is_seen_and_heard_and_goes_on_through_a_reload(form: Form) -> None:
    press = form.shown
    wait, cure = form.key("clock:@wait to peel"), form.key("clock:cure time")
    assert cure.count() == 0, "a cured film is a fact at the press"
    wait.tap()
    load = uncured(form)
    form.key("goto").select_option(load)
    cure.tap()
    tapped = time.monotonic()
    started = beeps(form)
    assert started.count(660) == 2, "the start is heard"
    form.page.locator(f"{FORM} .clock.rings").wait_for()
    assert wait.locator("b").inner_text() == "0:00"
    heard = started + beeps(form)
    assert heard.count(880) == 2 and heard[-3:] == [1400] * 3, "2, 1, and the end"
    wait.tap()
    wait.wait_for(state="detached")  # it is of the press, and done
    form.page.reload()
    form.run_all()
    assert form.stop.lower() == f"cure {load}"
    planned = int(re.findall(r"cure time (\d+) s", setting(form, "cure time"))[0])
    minutes, seconds = cure.locator("b").inner_text().split(":")
    left = planned - (time.monotonic() - tapped)
    assert int(minutes) * 60 + int(seconds) == pytest.approx(left, abs=2), "by the wall's clock"
    form.key("goto").select_option(str(press))
    assert cure.count() == 1, "what runs is seen everywhere"
    form.key("goto").select_option(load)
    cure.tap()
    assert "stopped" in cure.inner_text()
    form.page.focus(FORM)
    form.page.keyboard.press("c")
    assert "stopped" not in cure.inner_text(), "again, by its letter"
    assert cure.locator("b").inner_text() in (clocked(planned), clocked(planned - 1))
    cure.tap()
    form.page.locator(f"{FORM} .warning", has_text="rest").wait_for()  # taken out: cured


def test_a_load_out_of_the_oven_is_looked_at_and_cured_on(form: Form, shop: Path) -> None:
    load, cure = int(form.stop.split()[-1]), form.key("clock:cure time")
    chips = form.page.locator(f"{FORM} .look .grades button")
    chips.first.wait_for()
    assert chips.count() == 3
    # Measured at once: a warning that goes draws the form anew.
    for box in chips.evaluate_all(
        "(all) => all.map((one) => one.getBoundingClientRect().toJSON())"
    ):
        assert box["height"] >= 56 and box["right"] <= 1024
    form.key("look:grainy").tap()
    form.said("good", f"oven load {load}: grainy")
    form.page.locator(f"{FORM} .warning", has_text="Cure it on").wait_for()
    form.key("look:on:15").tap()
    form.said("good", "cured on 15 s")
    assert cure.locator("b").inner_text() in ("0:15", "0:14", "0:13")
    assert form.page.locator(f"{FORM} .warning", has_text="Cure it on").count() == 0
    assert chips.count() == 0, "not asked while it is in the oven"
    cure.tap()
    assert "stopped" in cure.inner_text()
    chips.first.wait_for()
    assert "15 s in all" in form.page.locator(f"{FORM} .look legend").inner_text()
    form.key("look:good").tap()
    form.said("good", f"oven load {load}: good")
    assert form.stop != f"Cure load {load}", "it goes on by itself"
    with Logbook.open(shop / "logbook.dtfbook") as book:
        results = book.results()
    mine = results[results["oven_load"] == load]
    assert set(mine["cure_look"]) == {"good"}
    assert (mine["cure time_actual"] == mine["cure time"] + 15).all()
    form.key("goto").select_option(f"load {load}")
    assert form.key("look:good").get_attribute("aria-pressed") == "true"
    form.key("look:good").tap()
    form.said("good", f"oven load {load}: good")


def test_a_photo_is_made_small_and_kept_beside_the_book(form: Form, shop: Path) -> None:
    press = form.shown
    noise = Image.effect_noise((3000, 2000), 60).convert("RGB")
    noise.save(shop / "phone.png")
    with form.page.expect_file_chooser() as chooser:
        form.key("photo").tap()
    chooser.value.set_files(shop / "phone.png")
    form.said("good", "photo kept")
    assert form.key("photo").inner_text() == "Photo (1)"
    with Logbook.open(shop / "logbook.dtfbook") as book:
        (photo,) = photos.photos(book, press)
        with Image.open(photo.path) as kept:
            assert (kept.format, kept.size) == ("JPEG", (1600, 1067))
    form.key("more").tap()
    form.key("history").tap()
    shown = form.page.locator(f"{FORM} figure img")
    shown.wait_for()
    assert shown.evaluate("(img) => img.decode().then(() => img.naturalWidth)") == 1600
    form.key(f"photo-back:{photo.id}").tap()
    form.said("good", "taken back")
    assert form.key("photo").inner_text() == "Photo"
    form.key("more").tap()


def test_a_picture_of_a_coupon_is_read_and_its_proposal_stands_by_the_grade(
    form: Form, shop: Path
) -> None:
    press = form.shown
    with Logbook.open(shop / "logbook.dtfbook") as book:
        label = Label(session_code(book.mark), press, "wash")
    rng = np.random.default_rng(1)
    one, _ = printed(label, Damage(), rng, (8, 8))
    scene = Scene((one,), (106, 108), Cloth(CLOTH["black"]), Camera(pixels=6.5, exposure=0.7))
    (shop / "coupon.jpg").write_bytes(photo(scene, rng))
    with form.page.expect_file_chooser() as chooser:
        form.key("pictures").tap()
    chooser.value.set_files(shop / "coupon.jpg")
    form.page.locator(f"{FORM} .said.good", has_text="1 coupon read").first.wait_for(timeout=90_000)
    assert "print missing: 0" in form.key("drop").inner_text()
    with Logbook.open(shop / "logbook.dtfbook") as book:
        (kept,) = readings(book, press)
        assert kept.washes == 0 and kept.proposals["peel"].value == 5


def test_a_warning_stands_before_the_mistake_and_going_on_is_noted(form: Form, shop: Path) -> None:
    press = form.shown
    form.page.locator(f"{FORM} .warning").wait_for(state="detached")  # of the cure before
    form.key("steps").tap()
    form.key("step:press on").tap()
    form.page.locator(f"{FORM} .warning", has_text="let it warm up").wait_for()
    form.key("clock:press time").tap()
    form.said("good", "in spite of a warning")
    assert form.page.locator(f"{FORM} .warning").count() == 0
    # Opened again, its end is noted, and the peel comes too soon.
    form.key("clock:press time").tap()
    form.page.locator(f"{FORM} .warning", has_text="before a hot peel").wait_for()
    form.page.locator(f"{FORM} .warning").wait_for(state="detached")
    form.key("steps").tap()
    with Logbook.open(shop / "logbook.dtfbook") as book:
        told = [(n.said["press"], n.said["warning"]) for n in book.kept("overridden")]
        marked = [note.said["step"] for note in book.kept("step")]
        book.bench.mark("press off")
    assert told == [(press, "press warm-up")], "and none that waiting cleared"
    assert marked[-2:] == ["press on", "pressed"]


def test_wash_grades_days_later_by_coupon(form: Form, shop: Path) -> None:
    form.key("tab:wash").tap()
    first, second = (row["press"] for row in entries(shop)[1:3])
    form.key("find").fill(str(first))
    form.key("find").press("Enter")
    form.page.keyboard.press("4")
    form.grade(second, "wash", 2, "w").tap()
    before = held(shop, second)["defects"]
    form.key(f"seen:{second}").tap()
    form.key(f"w:{second}:fading").tap()
    form.key("save").tap()
    form.said("good", "2 coupons")
    assert held(shop, second)["defects"] == "; ".join(filter(None, [before, "fading"]))
    assert (held(shop, first)["wash"], held(shop, second)["wash"]) == (4, 2)
    assert form.page.locator(f'{FORM} [data-coupon="{first}"]').count() == 0
    # Without a mouse, coupon by coupon from the pile: number, Enter, grade, Enter.
    third, fourth = (row["press"] for row in entries(shop)[3:5])
    form.key("find").focus()
    for press, value in ((fourth, "5"), (third, "1")):
        for key in (*str(press), "Enter", value, "Enter"):
            form.page.keyboard.press(key)
        form.said("good", "1 coupon")
    # Straight from the file: what was tapped and typed is there, peel and wash.
    with sqlite3.connect(shop / "logbook.dtfbook") as file:
        said = file.execute("SELECT press, said FROM entries WHERE said LIKE '%grade/wash%'")
        found = {press: json.loads(told)["grade/wash"] for press, told in said}
    assert found == {first: 4, second: 2, fourth: 5, third: 1}
    form.key("tab:press").tap()
