"""The knobs over a window in a real JupyterLab: turned by the keyboard, the window follows."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pytest

from tests.browser.lab import Lab, wait_for

CELL = """
from dtfexp import Session, fit, plan
from dtfexp.show.notebook.explorer import Explorer

session = Session.load("example_session.toml")
runs = plan(session, 8).runs
fitted = fit(session, runs.assign(peel=4.0, wash=3.0))
Explorer(fitted)
"""


@pytest.fixture
def tab(page: Any, lab: Lab, shop: Path) -> Iterator[Any]:
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(CELL)])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3"}
    nbformat.write(notebook, shop / "knobs.ipynb")
    known = {kernel["id"] for kernel in lab.get("api/kernels") or []}
    mine: list[str] = []
    opened = page.context.new_page()
    opened.goto(f"{lab.address}doc/tree/knobs.ipynb?token={lab.token}")
    opened.locator(".jp-Notebook .jp-Cell").first.wait_for()

    def idle() -> bool:
        kernels = [k for k in lab.get("api/kernels") or [] if k["id"] not in known]
        mine[:] = [k["id"] for k in kernels]
        return any(k["execution_state"] == "idle" and k["connections"] > 0 for k in kernels)

    wait_for(idle, 60, "an idle kernel")
    opened.wait_for_selector("#jupyterlab-splash", state="detached")
    opened.wait_for_timeout(500)  # the page hears of the idle kernel a little later
    opened.click(".lm-MenuBar-itemLabel:text-is('Run')")
    opened.click(".lm-Menu-itemLabel:text-is('Run All Cells')")
    yield opened
    opened.close()
    for kernel in mine:  # other tests look for the one kernel of their own page
        lab.get(f"api/kernels/{kernel}", "DELETE")


def test_a_turn_of_a_knob_moves_the_window(tab: Any) -> None:
    shown = tab.locator(".dtfexp-window")
    shown.wait_for(timeout=60_000)
    assert shown.locator("svg").count() == 3
    first = shown.inner_text()
    assert "90 of 100" in tab.locator(".widget-hslider").first.inner_text()
    tab.locator(".widget-hslider .noUi-handle").first.press("ArrowLeft")
    wait_for(lambda: shown.inner_text() != first, 30, "another window")
    assert "85 of 100" in tab.locator(".widget-hslider").first.inner_text()
    tab.get_by_role("button", name="°F").click()
    wait_for(lambda: "°F (" in shown.inner_text(), 30, "Fahrenheit")
    tab.locator(".widget-dropdown select").select_option("nylon shell")
    wait_for(lambda: shown.inner_text().startswith("nylon shell"), 30, "another fabric")
