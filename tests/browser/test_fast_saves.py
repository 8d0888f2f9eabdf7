"""Saves as fast as a script can tap, with JupyterLab's default settings: each one stores what was
on the screen. (Measured before the form was built: with a message per field, 13 to 16 of 60 fast
saves stored the value before.)"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dtfexp import Logbook, Session, plan
from dtfexp.shop.files import copy_if_absent
from tests.browser.lab import Lab

FORM = ".dtfexp-rec"
SAVES = 60
TAP = """async (saves) => {
  const found = (key) => document.querySelector(`.dtfexp-rec [data-k="${key}"]`);
  const title = () => document.querySelector(".dtfexp-rec .now").textContent;
  const wanted = {};
  for (let turn = 0; turn < saves; turn++) {
    const told = title();
    const press = Number(told.match(/Press (\\d+)/)[1]);
    const value = 1 + ((turn * 7 + 3) % 5);
    found(`p${press}:peel:${value}`).click();
    found("save").click();
    wanted[press] = value;
    for (let wait = 0; wait < 1000 && title() === told; wait++) {
      await new Promise((go) => setTimeout(go, 4));
    }
  }
  return wanted;
}"""


@pytest.fixture(scope="module")
def busy(shop: Path) -> Path:
    folder = shop / "busy"
    copy_if_absent(folder)
    session = Session.load(folder / "example_session.toml")
    with Logbook.create(folder / "logbook.dtfexp", session) as book:
        book.add(plan(session, SAVES + 10))
    return folder


def test_sixty_fast_saves_store_what_was_on_the_screen(busy: Path, page: Any, lab: Lab) -> None:
    page.goto(f"{lab.address}doc/tree/busy/2_record.ipynb?token={lab.token}")
    page.wait_for_selector(".jp-Notebook .jp-Cell")
    page.wait_for_selector("#jupyterlab-splash", state="detached")
    lab.idle_kernel()
    page.wait_for_timeout(500)
    page.click(".lm-MenuBar-itemLabel:text-is('Run')")
    page.click(".lm-Menu-itemLabel:text-is('Run All Cells')")
    page.wait_for_selector(f"{FORM} [data-k=save]", timeout=60_000)
    saved = page.evaluate(TAP, SAVES)
    assert len(saved) == SAVES
    page.locator(f"{FORM} .said.good").wait_for()
    with Logbook.open(busy / "logbook.dtfexp") as book:
        peel = book.results().set_index("press")["peel"]
        assert len(book.history()) == SAVES
    assert {press: peel[int(press)] for press in saved} == saved
