"""Two tabs of one browser on one book: each keeps its own draft, and a closed one leaves its."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dtfexp import Factor, Logbook, Outcome, Session, plan
from dtfexp.shop.files import copy_if_absent
from tests.browser.form import Form
from tests.browser.lab import Lab, wait_for


@pytest.fixture(scope="module")
def bench(shop: Path) -> Path:
    """A book of half grades, in a folder of its own."""
    folder = shop / "tabs"
    copy_if_absent(folder)
    session = Session(
        "Half grades (invented)",
        [Factor("press temperature", 280, 350, "°F", 5), Factor("press time", 5, 25, "s", 1)],
        [Outcome("peel", step=0.5), Outcome("edges", worst=10, best=0, accept=2)],
        ["cotton jersey"],
    )
    with Logbook.create(folder / "logbook.dtfbook", session) as book:
        book.add(plan(session, 6))
    return folder / "logbook.dtfbook"


def held(form: Form, press: int, outcome: str) -> list[str]:
    found = form.page.locator(f'[data-k^="p{press}:{outcome}:"][aria-pressed=true] b')
    return list(found.all_inner_texts())


def test_tabs_keep_their_drafts_apart_and_a_closed_one_leaves_its_own(
    page: Any, lab: Lab, bench: Path, outside: list[str]
) -> None:
    one = Form(page, lab, "tabs/2_record.ipynb")
    one.open()
    press = one.shown
    one.key("by").fill("Ro")
    one.page.focus(".dtfexp-rec")
    # A half grade, and one of two digits, by keyboard; Tab goes from scale to scale.
    for key in ("4", ".", "Tab", "1", "0"):
        one.page.keyboard.press(key)
    assert (held(one, press, "peel"), held(one, press, "edges")) == (["4.5"], ["10"])
    with page.context.expect_page() as opened:
        page.evaluate("window.open(location.href)")  # a copy: it begins with the same tab's memory
    two = Form(opened.value, lab, "tabs/2_record.ipynb")
    two.page.on("dialog", lambda dialog: dialog.accept())
    two.run_all()
    wait_for(lambda: held(two, press, "peel") == [], 5, "a tab of its own")
    assert two.key("by").input_value() == "Ro", "the name is asked once"
    two.grade(press, "peel", 2).tap()
    assert held(one, press, "peel") == ["4.5"]
    two.page.close()
    one.run_all()
    one.page.wait_for_timeout(700)  # by now the tabs have been counted
    assert (held(one, press, "peel"), held(one, press, "edges")) == (["4.5"], ["10"])
    one.key("save").tap()
    one.said("good", f"press {press}: peel 4.5; edges 10")
    # What the closed tab had begun is not lost: it comes once this tab has none of that press.
    one.run_all()
    wait_for(lambda: held(one, press, "peel") == ["2"], 5, "the draft of the closed tab")
    one.key("after").tap()
    one.key(f"begun:{press}").tap()
    assert held(one, press, "peel") == ["2"]
    with Logbook.open(bench) as book:
        assert book.history()["peel"].tolist() == [4.5], "it is a draft and no entry"
    assert outside == [], "no request left the machine"
