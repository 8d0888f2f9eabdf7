"""The recording form in a page of JupyterLab, used as a person at the press uses it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from dtfexp import Logbook, Session, plan
from dtfexp.shop.files import copy_if_absent
from tests.browser.lab import Lab, wait_for

FORM = ".dtfexp-rec"


class Form:
    """What a person at the press does with the form."""

    def __init__(self, page: Any, lab: Lab, notebook: str = "2_record.ipynb") -> None:
        self.page, self.lab, self.notebook = page, lab, notebook

    def open(self, wanted: str = f"{FORM} .now") -> None:
        self.page.goto(f"{self.lab.address}doc/tree/{self.notebook}?token={self.lab.token}")
        self.run_all(wanted)

    def run_all(self, wanted: str = f"{FORM} .now") -> None:
        self.page.wait_for_selector(".jp-Notebook .jp-Cell")
        self.lab.idle_kernel()
        self.page.wait_for_selector("#jupyterlab-splash", state="detached")
        self.page.wait_for_timeout(500)  # the page hears of the idle kernel a little later
        old = self.page.evaluate_handle(f"[...document.querySelectorAll('{FORM}')]")
        self.page.click(".lm-MenuBar-itemLabel:text-is('Run')")
        self.page.click(".lm-Menu-itemLabel:text-is('Run All Cells')")
        gone = "(forms) => forms.every((form) => !form.isConnected)"
        wait_for(lambda: old.evaluate(gone), 30, "the cell's new output")
        wait_for(lambda: self._reached(wanted), 120, wanted)

    def _reached(self, wanted: str) -> bool:
        """Scroll up to what is wanted: JupyterLab draws only the cells that are in view."""
        if self.page.locator(wanted).first.is_visible():
            # In one step: the form may be drawn anew while a slower way waits for it.
            self.page.locator(wanted).first.evaluate("(one) => one.scrollIntoView()")
            return True
        self.page.mouse.move(500, 400)
        self.page.mouse.wheel(0, -300)
        return False

    def key(self, name: str) -> Any:
        return self.page.locator(f'{FORM} [data-k="{name}"]')

    def grade(self, press: int, outcome: str, value: int, view: str = "p") -> Any:
        return self.key(f"{view}{press}:{outcome}:{value}")

    @property
    def stop(self) -> str:
        """Where the form is open: "Cure load 2" or "Press 4"."""
        told = self.page.locator(f"{FORM} .now").inner_text()
        return re.findall(r"Cure load \d+|Press \d+", told)[0]

    def cure(self) -> str:
        """Tell the look of the load that the form is open at; the form goes on by itself."""
        before = self.stop
        self.key("look:good").tap()
        wait_for(lambda: self.stop != before, 10, "the next stop")
        return before

    def to_press(self) -> int:
        """Cure what comes before the next press; the press the form is then open at."""
        while self.stop.startswith("Cure"):
            self.cure()
        return int(self.stop.split()[1])

    @property
    def shown(self) -> int:
        """The press the form is open at, with its loads cured."""
        return self.to_press()

    def said(self, kind: str, text: str = "") -> str:
        found = self.page.locator(f"{FORM} .said.{kind}", has_text=text).first
        found.wait_for()
        return str(found.inner_text())


def planned(folder: Path, presses: int) -> Path:
    """Lay out a shop in ``folder`` with its logbook and so many presses planned; the logbook."""
    copy_if_absent(folder)
    session = Session.load(folder / "example_session.toml")
    with Logbook.create(folder / "logbook.dtfbook", session) as book:
        book.add(plan(session, presses))
    return folder / "logbook.dtfbook"


def entries(shop: Path, press: int | None = None) -> list[dict[Any, Any]]:
    with Logbook.open(shop / "logbook.dtfbook") as book:
        return list(book.history(press).to_dict("records"))


def held(shop: Path, press: int) -> dict[Any, Any]:
    with Logbook.open(shop / "logbook.dtfbook") as book:
        return dict(book.results().set_index("press").loc[press])


def set_to(shop: Path, press: int) -> float:
    """The press temperature that is planned for ``press``."""
    with Logbook.open(shop / "logbook.dtfbook") as book:
        return float(book.runs().set_index("press").loc[press, "press temperature"])


def uncured(form: Form) -> str:
    """The first load that is still to be cured, as the list of stops names it."""
    stops = form.key("goto").locator("option").all_inner_texts()
    return next(one.strip() for one in stops if one.startswith("load") and "✓" not in one)


def beeps(form: Form) -> list[float]:
    """The pitch of every sound since last asked."""
    return list(form.page.evaluate("globalThis.beeps.splice(0)"))


def setting(form: Form, name: str) -> str:
    found = form.page.locator(f"{FORM} .setting", has_text=name).inner_text()
    return " ".join(found.split())


def clocked(seconds: int) -> str:
    return f"{seconds // 60}:{seconds % 60:02d}"


def restart_by_menu(form: Form) -> None:
    form.page.click(".lm-MenuBar-itemLabel:text-is('Kernel')")
    form.page.click(".lm-Menu-itemLabel:text-matches('^Restart Kernel…$')")
    form.page.click(".jp-Dialog button.jp-mod-accept")


def killed(form: Form) -> None:
    # On a busy machine JupyterLab says so before Save is tapped, over the form.
    died = form.page.locator(".jp-Dialog", has_text="appears to have died")
    form.page.add_locator_handler(died, lambda: died.locator("button.jp-mod-accept").click())
    form.lab.kill_kernel()
