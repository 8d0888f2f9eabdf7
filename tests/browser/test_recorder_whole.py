"""The recording form as a whole: many quick saves, run again, sizes, nothing sent out."""

from __future__ import annotations

from pathlib import Path

from dtfexp import Logbook
from tests.browser.form import FORM, Form, entries
from tests.browser.lab import wait_for


def test_sixty_fast_saves_store_what_was_on_the_screen(form: Form, shop: Path) -> None:
    saved = form.page.evaluate(
        """async () => {
          const found = (k) => document.querySelector(`.dtfexp-rec [data-k="${k}"]`);
          const tick = () => new Promise((go) => setTimeout(go, 4));
          const wanted = {};
          for (let turn = 0; turn < 60; turn++) {
            while (document.querySelector(".dtfexp-rec .now").textContent.startsWith("Cure")) {
              const load = document.querySelector(".dtfexp-rec .now").textContent;
              found("look:good").click();
              while (document.querySelector(".dtfexp-rec .now").textContent === load) await tick();
            }
            const told = document.querySelector(".dtfexp-rec .now").textContent;
            const press = Number(told.match(/Press (\\d+)/)[1]);
            const value = 1 + ((turn * 7 + 3) % 5);
            found(`p${press}:peel:${value}`).click();
            found("save").click();
            wanted[press] = value;
            for (let wait = 0; wait < 1500; wait++) {
              if (!document.querySelector(".dtfexp-rec .now").textContent.includes(told)) break;
              await tick();
            }
          }
          return wanted;
        }"""
    )
    assert len(saved) == 60
    with Logbook.open(shop / "logbook.dtfbook") as book:
        peel = book.results().set_index("press")["peel"]
    assert {press: peel[int(press)] for press in saved} == saved


def test_run_all_again_changes_nothing_and_comes_back(form: Form, shop: Path) -> None:
    press, before = form.shown, [row["id"] for row in entries(shop)]
    form.run_all()
    assert form.shown == press
    assert [row["id"] for row in entries(shop)] == before


def test_every_target_is_large_enough_for_a_warm_hand(form: Form) -> None:
    small = form.page.evaluate(
        """() => [...document.querySelectorAll(
          ".dtfexp-rec button, .dtfexp-rec input, .dtfexp-rec select, .dtfexp-rec summary")]
          .filter((node) => node.checkVisibility())
          .map((node) => [node.getAttribute("data-k"), node.getBoundingClientRect()])
          .filter(([, box]) => box.height < 56 || box.width < 56).map(([key]) => key)"""
    )
    assert small == []


def test_nothing_left_the_machine_and_no_form_is_left_loading(
    form: Form, outside: list[str]
) -> None:
    assert wait_for(lambda: form.page.locator(FORM).count() == 1, 5, "one form")
    assert form.page.locator(".jp-OutputArea-output", has_text="Loading widget").count() == 0
    assert (
        form.page.locator(".jp-OutputArea-output", has_text="Error displaying widget").count() == 0
    )
    assert outside == []
