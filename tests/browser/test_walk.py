"""A whole session of two fabrics by forms only: no cell is edited and no file opened.

From an empty folder to cards, with the next presses, at the two screens of a press.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Any

from dtfexp import Logbook, Session
from dtfexp.shop.files import copy_if_absent
from dtfexp.show.report.report import MANIFEST
from tests.browser.form import FORM, Form
from tests.browser.lab import Lab, wait_for

SHEET = ".dtfexp-form"
WIDE, UPRIGHT = {"width": 1024, "height": 768}, {"width": 768, "height": 1024}
#: A folder for a picture of every step; none is taken without it.
PICTURES = os.environ.get("DTFEXP_PICTURES")
_NEEDED = """() => [...document.querySelectorAll(
  ".dtfexp-rec .now, .settings, .clocks, .grades button, .save, [data-k=on]")]
  .map((node) => [node.className || node.dataset.k, node.getBoundingClientRect()])
  .filter(([, box]) => box.top < 0 || box.bottom > innerHeight || box.right > innerWidth)
  .map(([name]) => name)"""

#: Cells of the run sheet that cannot be seen without scrolling sideways.
_CUT_OFF = """() => [...document.querySelectorAll("#dtfexp-run-sheet th")].filter((cell) => {
  const box = cell.getBoundingClientRect();
  const pane = cell.closest(".jp-OutputArea-output").getBoundingClientRect();
  return box.right > Math.min(pane.right, innerWidth) + 1 || box.left < pane.left - 1;
}).map((cell) => cell.textContent)"""

#: Whether Save is on the screen, wherever in the pile of coupons the page stands.
_SAVE_IN_SIGHT = """() => {
  const box = document.querySelector(".dtfexp-rec .save").getBoundingClientRect();
  return box.top >= 0 && box.bottom <= innerHeight;
}"""


class Walk:
    """One person with a browser, from page to page of one folder."""

    def __init__(self, page: Any, lab: Lab, folder: Path) -> None:
        self.page, self.lab, self.folder = page, lab, folder
        self.pictures = 0

    def open(self, notebook: str, wanted: str) -> Form:
        """Open a notebook and run it until ``wanted`` is shown."""
        form = Form(self.page, self.lab, f"{self.folder.name}/{notebook}")
        form.open(wanted)
        return form

    def picture(self, name: str) -> None:
        if PICTURES:
            self.pictures += 1
            self.page.wait_for_timeout(300)
            file = Path(PICTURES) / f"{self.pictures:02d}-{name.replace(' ', '-')}.png"
            self.page.screenshot(path=file)

    def pictures_of_both(self, name: str) -> None:
        for size in (UPRIGHT, WIDE):
            self.page.set_viewport_size(size)
            self.picture(name)

    def key(self, name: str) -> Any:
        return self.page.locator(f'{SHEET} [data-k="{name}"]')

    def said(self, text: str) -> None:
        self.page.locator(f"{SHEET} .said.good", has_text=text).wait_for(timeout=60_000)

    @property
    def book(self) -> Logbook:
        return Logbook.open(self.folder / "logbook.dtfbook")


def test_two_fabrics_from_an_empty_folder_to_cards(page: Any, lab: Lab, shop: Path) -> None:
    folder = shop / "walk"
    copy_if_absent(folder)
    walk = Walk(page, lab, folder)
    page.set_viewport_size(WIDE)
    try:
        describe_the_bench(walk)
        a_batch(walk, 4)
        report(walk)
        next_presses(walk, 2)
        a_batch(walk, 2)
        report(walk)
    finally:
        page.set_viewport_size(WIDE)


def describe_the_bench(walk: Walk) -> None:
    walk.open("1_plan.ipynb", f"{SHEET} [data-k=film]")
    walk.key("unit:°F").click()
    walk.key("fabric 1").fill("cotton tee")
    walk.key("fabric 2").fill("polyester")
    walk.key("fabric 2 limit").fill("32 F")
    walk.page.locator(f"{SHEET} .why", has_text="no heat limit of a fabric").wait_for()
    walk.picture("a limit refused")
    walk.key("fabric 2 limit").fill("165 C")
    walk.key("film").fill("matte")
    walk.key("judged 1").fill("hand feel")
    walk.key("judged 1 kind:pass or fail").click()
    walk.page.locator(f"{SHEET} .why").wait_for(state="detached")
    walk.picture("described")
    walk.key("do:save").click()
    walk.said("is described in session.toml")
    walk.key("presses").fill("4")
    walk.key("do:plan").click()
    walk.said("with 4 test presses")
    walk.pictures_of_both("planned")
    run_sheet(walk)
    session = Session.load(walk.folder / "session.toml")
    assert [fabric.name for fabric in session.fabrics] == ["cotton tee", "polyester"]
    assert session.fabric("polyester").limit_in("°C") == 165
    assert (walk.folder / "sheets" / "run-sheet.pdf").exists()
    with walk.book as book:
        assert set(book.runs()["fabric"]) == {"cotton tee", "polyester"}


def run_sheet(walk: Walk) -> None:
    """The sheet on the page names every setting, and none of them is out of sight."""
    walk.open("1_plan.ipynb", "#dtfexp-run-sheet")
    for size in (WIDE, UPRIGHT):
        walk.page.set_viewport_size(size)
        walk.page.locator("#dtfexp-run-sheet").scroll_into_view_if_needed()
        hidden = walk.page.evaluate(_CUT_OFF)
        walk.picture("run sheet")
        assert hidden == [], f"{size}: {hidden}"
    walk.page.set_viewport_size(WIDE)


def a_batch(walk: Walk, presses: int) -> None:
    """Press what is planned and grade its washes, coupon by coupon."""
    form = walk.open("2_record.ipynb", f"{FORM} .now")
    press_them_all(walk, form, presses)
    grade_the_washes(walk, form)


def press_them_all(walk: Walk, form: Form, presses: int) -> None:
    """Loads, then rounds, as the form leads; what a step needs is on the screen at once."""
    with walk.book as book:
        loads = book.runs()["oven_load"].tail(presses).nunique()
    form.key("full").click()
    form.key("full").filter(has_text="Back").wait_for()
    made = 0
    cured = []
    for step in range(presses + loads):
        for size in (WIDE, UPRIGHT):
            walk.page.set_viewport_size(size)
            outside: list[str] = []
            with suppress(AssertionError):
                wait_for(lambda: not seen_outside(walk.page, outside), 5, "room")  # noqa: B023
            walk.picture(form.stop)
            assert outside == [], f"{form.stop} at {size}"
        if form.stop.startswith("Cure"):
            cured.append(form.cure())
            continue
        press = int(form.stop.split()[1])
        form.grade(press, "peel", (5, 4, 2)[step % 3]).click()
        form.grade(press, "hand feel", 1).click()
        form.key("save").click()
        form.said("good", f"press {press}")
        made += 1
    assert (made, len(set(cured))) == (presses, loads)
    walk.picture("all pressed")
    form.key("full").click()


def seen_outside(page: Any, into: list[str]) -> list[str]:
    into[:] = page.evaluate(_NEEDED)
    return into


def grade_the_washes(walk: Walk, form: Form) -> None:
    walk.page.set_viewport_size(UPRIGHT)
    form.key("tab:wash").click()
    with walk.book as book:
        presses = book.waiting()["press"].tolist()
    for press in presses:
        form.grade(press, "wash", 4, "w").click()
        assert walk.page.evaluate(_SAVE_IN_SIGHT), f"Save is out of sight at coupon {press}"
    walk.pictures_of_both("washes")
    form.key("save").click()
    form.said("good", f"{len(presses)} coupons")
    with walk.book as book:
        assert not len(book.waiting()), "every press is graded"


def report(walk: Walk) -> None:
    """Windows, report and cards, each batch anew."""
    last = walk.folder / "report" / MANIFEST  # written after all papers

    def written() -> bytes:
        return last.read_bytes() if last.exists() else b""

    before = written()
    walk.open("3_report.ipynb", f'{SHEET} [data-k="do:keep 0"]')
    wait_for(lambda: written() != before, 240, "a new report")
    cards = {path.name for path in last.parent.glob("card-*.pdf")}
    assert cards == {"card-cotton-tee.pdf", "card-polyester.pdf"}


def next_presses(walk: Walk, presses: int) -> None:
    walk.key("presses").fill(str(presses))
    walk.key("do:keep 0").click()
    walk.said(f"{presses} test presses were added")
    walk.pictures_of_both("next presses")
    with walk.book as book:
        assert len(book.runs()) == 4 + presses and len(book.plans()) == 2
