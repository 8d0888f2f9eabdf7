"""The recording form in a page of JupyterLab, used as a person at the press uses it."""

from __future__ import annotations

import re
from typing import Any

from tests.browser.lab import Lab, wait_for

FORM = ".dtfexp-rec"


class Form:
    """What a person at the press does with the form."""

    def __init__(self, page: Any, lab: Lab, notebook: str = "2_record.ipynb") -> None:
        self.page, self.lab, self.notebook = page, lab, notebook

    def open(self) -> None:
        self.page.goto(f"{self.lab.address}doc/tree/{self.notebook}?token={self.lab.token}")
        self.run_all()

    def run_all(self) -> None:
        self.page.wait_for_selector(".jp-Notebook .jp-Cell")
        self.lab.idle_kernel()
        self.page.wait_for_selector("#jupyterlab-splash", state="detached")
        self.page.wait_for_timeout(500)  # the page hears of the idle kernel a little later
        old = self.page.evaluate_handle(f"[...document.querySelectorAll('{FORM}')]")
        self.page.click(".lm-MenuBar-itemLabel:text-is('Run')")
        self.page.click(".lm-Menu-itemLabel:text-is('Run All Cells')")
        gone = "(forms) => forms.every((form) => !form.isConnected)"
        wait_for(lambda: old.evaluate(gone), 30, "the cell's new output")
        self.page.wait_for_selector(f"{FORM} [data-k=save]")

    def key(self, name: str) -> Any:
        return self.page.locator(f'{FORM} [data-k="{name}"]')

    def grade(self, press: int, outcome: str, value: int, view: str = "p") -> Any:
        return self.key(f"{view}{press}:{outcome}:{value}")

    @property
    def shown(self) -> int:
        """The press the form is open at."""
        return int(re.findall(r"Press (\d+)", self.page.locator(f"{FORM} .now").inner_text())[0])

    def said(self, kind: str, text: str = "") -> str:
        found = self.page.locator(f"{FORM} .said.{kind}", has_text=text).first
        found.wait_for()
        return str(found.inner_text())
